/** Readings as they are entered: which comes next, and what to ask about at once. */

import { rangeOf } from "./instruments.js";
import { GRID, placeOf, readingAt } from "./session.js";
import { inUnit, siOf, withUnit } from "./units.js";
import { say } from "./words.js";

/** How many times its neighbour a reading may be before it is asked about (practice). */
const JUMP = { pressure: 4, velocity: 2.5, flow: 2 };
const OTHER_JUMP = 2, RUN_JUMP = 1.5, KELVINS = 10;
const REPEATS = 3, MANY_PLACES = 4;

/**
 * The cells of a grid in the order of the work: hole by hole, from the near wall inwards.
 * @param {{lines: number, points: number}} size
 */
export function cellsOf({ lines, points }) {
  return Array.from({ length: lines * points }, (_, n) => ({ line: Math.floor(n / points) + 1, point: (n % points) + 1 }));
}

/** The next cell of a run without a reading, after `from` and then from the start; null when all are read. */
export function nextCell(cells, body, { run, place, line, point }, kind) {
  const start = cells.findIndex((cell) => cell.line === line && cell.point === point) + 1;
  const turned = [...cells.slice(start), ...cells.slice(0, start)];
  return turned.find((cell) => !readingAt(body, { ...cell, run, place }, kind)) ?? null;
}

/** How many readings of a place are wanted before going on: repeats where few places are read. */
export function wanted(place, kind) {
  if (place.line) return Math.max(place.least, 1);
  if (kind.places.length > MANY_PLACES || !place.least) return 1;
  return Math.max(place.least, kind.method === "hood_reading" ? 2 : REPEATS);
}

/** Where the next reading of a place without a grid belongs. */
export function nextSlot(body, place, kind) {
  const taken = body.readings.filter((row) => placeOf(row, kind) === place.name);
  const last = (name) => Math.max(0, ...taken.map((row) => row[name]));
  return place.line && place.line !== GRID
    ? { run: 1, line: last("line") + 1, point: 1 } : { run: last("run") + 1, line: 1, point: 1 };
}

/**
 * What to ask about before a reading is kept, in words; empty when nothing is odd.
 * @param {{body: object, kind: object, place: object, at: object, value: string, unit: string, tool: object|null}} entry
 * @returns {string[]}
 */
export function doubts({ body, kind, place, at, value, unit, tool }) {
  const si = siOf({ value, unit }, place.quantity);
  const shown = (number) => withUnit(number, unit, place.quantity);
  const found = [];
  if (place.name === "velocity_pressure" && si < 0) {
    found.push(say(gettext("%(value)s is negative: are the hoses swapped? Total pressure goes to the positive port."), { value: shown(value) }));
  }
  found.push(...outOfRange(si, place, unit, tool, shown(value)));
  const others = body.readings.filter((row) => placeOf(row, kind) === place.name
    && (row.run !== at.run || row.line !== at.line || row.point !== at.point));
  const here = place.line ? others.filter((row) => row.run !== at.run && row.line === at.line && row.point === at.point) : [];
  if (here.length && apart(si, siOf(here.at(-1), place.quantity), RUN_JUMP, place.quantity)) {
    found.push(say(gettext("%(value)s here, %(before)s in the run before."), { value, before: here.at(-1).value }));
  }
  const before = latest(place.line === GRID ? others.filter((row) => row.run === at.run) : others);
  const steps = ["phase", "step", "station"].includes(place.line);
  if (before && !steps && !here.length && jumps(si, before, others, at, place)) {
    found.push(say(gettext("%(value)s after %(before)s."), { value: shown(value), before: withUnit(before.value, before.unit, place.quantity) }));
  }
  return found;
}

function outOfRange(si, place, unit, tool, value) {
  const range = rangeOf(tool, place.quantity);
  if (!range || (si >= range.minimum && si <= range.maximum)) return [];
  const low = inUnit(range.minimum, unit, place.quantity, 4), high = inUnit(range.maximum, unit, place.quantity, 4);
  return [say(gettext("%(value)s is outside the range of %(tool)s: %(low)s to %(high)s."), { value, tool: tool.serial, low, high })];
}

function latest(rows) {
  return rows.reduce((best, row) => (!best || row.taken_at >= best.taken_at ? row : best), null);
}

/** Far from the one before and, where there are enough, from the middle of the run too. */
function jumps(si, before, others, at, place) {
  const limit = JUMP[place.quantity] ?? OTHER_JUMP;
  if (!apart(si, siOf(before, place.quantity), limit, place.quantity)) return false;
  const run = others.filter((row) => row.run === at.run).map((row) => siOf(row, place.quantity)).sort((a, b) => a - b);
  return run.length < 3 || apart(si, run[Math.floor(run.length / 2)], limit, place.quantity);
}

function apart(a, b, limit, quantity) {
  if (quantity === "temperature") return Math.abs(a - b) > KELVINS;
  if (quantity === "sound_level" || quantity === "humidity" || a === 0 || b === 0) return false;
  const ratio = a / b;
  return ratio < 0 || ratio > limit || ratio < 1 / limit;
}

/** How far repeats lie apart: the range over the mean, as a fraction; null for fewer than two. */
export function spreadOf(values) {
  if (values.length < 2) return null;
  const mean = values.reduce((sum, value) => sum + value, 0) / values.length;
  return mean ? (Math.max(...values) - Math.min(...values)) / Math.abs(mean) : null;
}
