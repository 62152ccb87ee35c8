/**
 * What a session needs, in which order, and what it still lacks: plain functions on its body as it is posted
 * (measurements/batch.py) and on the described method of the work list.
 */

import { Unfit, makeDuct, makeLayout } from "./layout.js";
import { parse, siOf } from "./units.js";
import { say } from "./words.js";

export const GRID = "line and point of the grid";
export const SIZES = { round: ["diameter"], rectangular: ["width", "height"], oval: ["width", "height"] };

/** Quantity that an instrument in a use shows. */
export const SHOWS = {
  pressure: "pressure", probe: "factor", temperature: "temperature", humidity: "humidity",
  barometer: "absolute_pressure", hood: "flow", velocity: "velocity", flow: "flow", speed: "speed",
  voltage: "voltage", current: "current", power: "power", power_factor: "factor",
  carbon_dioxide: "carbon_dioxide", particles: "concentration", sound: "sound_level",
  water_pressure: "pressure", water_temperature: "temperature",
};

/** Whether the method is read point by point over a duct's section. */
export function isTraverse(kind) {
  return kind.plane && !kind.swept && kind.places[0].line === GRID;
}

/** The use whose zero is looked at before and after; null where nothing has one. */
export function zeroUse(kind) {
  const found = kind.places.find((place) => SHOWS[place.use] === "pressure");
  return found ? found.use : null;
}

/** Whether the method is about water in pipes. */
export function isWater(kind) {
  return kind.uses.some((use) => use.startsWith("water_"));
}

/** The steps of a method, in the order of the work. @returns {string[]} */
export function stepsOf(kind) {
  return [
    "ready",
    kind.told.length ? "told" : null,
    kind.plane ? "duct" : null,
    isTraverse(kind) || kind.swept ? "marks" : null,
    kind.air || kind.uses.includes("barometer") ? "air" : null,
    zeroUse(kind) ? "zero" : null,
    kind.swept ? "sweeps" : "readings",
    zeroUse(kind) ? "zero_after" : null,
    "result",
  ].filter(Boolean);
}

/** Name of the place that a reading without one belongs to. */
export function placeOf(reading, kind) {
  return reading.place || kind.places[0].name;
}

const same = (a, b, kind) =>
  placeOf(a, kind) === placeOf(b, kind) && a.run === b.run && a.line === b.line && a.point === b.point;

/** The reading at a place, run, line and point; undefined where none is yet. */
export function readingAt(body, at, kind) {
  return body.readings.find((one) => same(one, at, kind));
}

/**
 * Puts a reading where it belongs. What stood there was mistyped: the moment it was read stays.
 * @param {object} body @param {object} reading as posted @param {object} kind
 */
export function putReading(body, reading, kind) {
  const index = body.readings.findIndex((one) => same(one, reading, kind));
  if (index < 0) body.readings.push(reading);
  else body.readings[index] = { ...reading, taken_at: body.readings[index].taken_at };
}

/** Takes a reading out; only what was never sent can be. */
export function removeReading(body, at, kind) {
  body.readings = body.readings.filter((one) => !same(one, at, kind));
}

/** Puts a sweep in place of an earlier one of the same line and run. */
export function putSweep(body, sweep) {
  body.sweeps = body.sweeps.filter((one) => one.run !== sweep.run || one.line !== sweep.line);
  body.sweeps.push(sweep);
  body.sweeps.sort((a, b) => a.run - b.run || a.line - b.line);
}

/** The duct as found. Throws layout.Unfit. */
export function ductOf(plane) {
  if (!plane?.shape) throw new Unfit("shape", gettext("Choose the shape of the duct."));
  const size = (name) => siOf(plane[name], "length") ?? undefined;
  return makeDuct({
    shape: plane.shape, width: plane.shape === "round" ? size("diameter") : size("width"),
    height: plane.shape === "round" ? undefined : size("height"),
    wall: size("wall"), lining: size("lining"),
  });
}

/** The layout of the plane as found. Throws layout.Unfit. */
export function layoutOf(plane) {
  const duct = ductOf(plane);
  if (!plane.rule) throw new Unfit("rule", gettext("Choose the rule of the layout."));
  return makeLayout(duct, plane.rule, plane.lines ?? undefined, plane.points ?? undefined);
}

/** Uses whose readings are there, so that an instrument must be named for them. */
export function neededUses(body, kind) {
  if (kind.swept) {
    const shown = new Set(body.sweeps.map((sweep) => sweep.quantity));
    return kind.places.filter((place) => shown.has(place.quantity)).map((place) => place.use);
  }
  const read = new Set(body.readings.map((row) => placeOf(row, kind)));
  const uses = kind.places.filter((place) => read.has(place.name) || place.least).map((place) => place.use);
  return [...new Set(uses)];
}

/** The note as it is sent: what was written, then what was looked at before measuring. */
export function noteOf(view, words) {
  const ticked = (view.ready ?? []).map((key) => words[key]).filter(Boolean);
  const ready = ticked.length ? say(gettext("Looked at before measuring: %(list)s."), { list: ticked.join("; ") }) : "";
  return [(view.note ?? "").trim(), ready].filter(Boolean).join("\n");
}

/**
 * What is missing before a session can be sent, each with the step where it is entered. `may`: it can be sent
 * without, knowingly; the service flags it then.
 * @returns {{step: string, words: string, may: boolean}[]}
 */
export function missing(body, kind, useWords = {}) {
  const found = [];
  const lack = (step, words, may = false) => found.push({ step, words, may });
  for (const use of neededUses(body, kind)) {
    if (!body.instruments[use]) {
      lack("ready", say(gettext("Name the instrument for %(use)s."), { use: useWords[use] ?? use }));
    }
  }
  if (body.supersedes && body.supersedes.reason.trim().length < 3) {
    lack("ready", gettext("Say why this point is measured again."));
  }
  for (const told of kind.told) {
    if (told.needed && !isTold(body.told[told.name])) lack("told", say(gettext("Still to be told: %(what)s."), { what: told.words }));
  }
  if (kind.plane) lackOfPlane(body.plane, kind, lack);
  if (kind.air && !body.conditions.air_temperature) lack("air", gettext("Enter the air temperature."));
  lackOfReadings(body, kind, lack);
  lackOfZero(body, kind, lack);
  return found;
}

function isTold(entry) {
  return Array.isArray(entry) ? entry.some(Boolean) : Boolean(entry);
}

function lackOfPlane(plane, kind, lack) {
  try {
    if (isTraverse(kind) || kind.swept) layoutOf(plane);
    else ductOf(plane);
  } catch (error) {
    lack("duct", error.message);
  }
}

function lackOfReadings(body, kind, lack) {
  if (kind.swept) {
    const lines = body.plane?.lines ?? 0, swept = new Set(body.sweeps.filter((one) => one.run === 1).map((one) => one.line));
    if (!body.sweeps.length) lack("sweeps", gettext("No line is swept yet."));
    else if (swept.size < lines) lack("sweeps", say(gettext("%(count)s lines are not swept yet."), { count: lines - swept.size }), true);
    return;
  }
  if (!body.readings.length) {
    lack("readings", gettext("Nothing is read yet."));
    return;
  }
  for (const place of kind.places) {
    const count = body.readings.filter((row) => placeOf(row, kind) === place.name).length;
    if (count < place.least) {
      const words = ngettext("%(place)s needs one reading.", "%(place)s needs %(count)s readings.", place.least);
      lack("readings", say(words, { place: place.words, count: place.least }));
    }
  }
  if (isTraverse(kind)) lackOfPoints(body, lack);
}

/** The zero before and after: a session may go without, and is flagged then. */
function lackOfZero(body, kind, lack) {
  const rows = kind.swept ? body.sweeps.map((one) => one.started_at) : body.readings.map((row) => row.taken_at);
  if (!zeroUse(kind) || !rows.length) return;
  const moments = rows.map((text) => Date.parse(text)), checks = body.zero_checks.map((check) => Date.parse(check.at));
  if (!checks.some((at) => at <= Math.min(...moments))) lack("zero", gettext("The zero before the readings was not looked at."), true);
  if (!checks.some((at) => at > Math.max(...moments))) lack("zero_after", gettext("The zero after the readings was not looked at."), true);
}

/** Points of a traverse that a run lacks; a session may go without them, but only knowingly. */
function lackOfPoints(body, lack) {
  for (const [run, labels] of openPoints(body)) {
    const list = labels.slice(0, 6).join(", ") + (labels.length > 6 ? " …" : "");
    lack("readings", say(gettext("Run %(run)s lacks %(count)s points: %(list)s."), { run, count: labels.length, list }), true);
  }
}

/** By run, the labels of the layout's points without a reading. */
export function openPoints(body) {
  let layout;
  try {
    layout = layoutOf(body.plane);
  } catch {
    return [];
  }
  const runs = [...new Set(body.readings.map((row) => row.run))].sort((a, b) => a - b);
  return runs.map((run) => {
    const read = new Set(body.readings.filter((row) => row.run === run).map((row) => `${row.line}.${row.point}`));
    return [run, layout.depths.filter((one) => !read.has(`${one.line}.${one.point}`)).map((one) => one.label)];
  }).filter(([, labels]) => labels.length);
}

const LOWEST = ["absolute_pressure", "temperature", "humidity", "voltage", "current", "speed", "carbon_dioxide", "concentration"];

/** Why a figure cannot be what an instrument showed; "" when it can. The service would refuse it too. */
export function impossible(text, unit, quantity) {
  const { fault } = parse(text);
  if (fault) return fault;
  const si = siOf({ value: text, unit }, quantity);
  if (LOWEST.includes(quantity) && si < 0) return gettext("This cannot be: it is below the lowest there is.");
  if (["humidity", "carbon_dioxide"].includes(quantity) && si > 1) return gettext("This cannot be: it is more than 100 %.");
  return "";
}
