/** Readings entered by the big keys: the grid of a traverse, or place after place. */

import { ask, h, replace } from "./dom.js";
import { stamp } from "./ids.js";
import { keypad } from "./keypad.js";
import { cellsOf, doubts, nextCell, nextSlot, spreadOf, wanted } from "./readings.js";
import { comparison, live } from "./result.js";
import { section } from "./section.js";
import { GRID, impossible, isTraverse, layoutOf, placeOf, putReading, readingAt, removeReading } from "./session.js";
import { figureText, inUnit, onTape, parse, shown, siOf, usualUnit, withUnit } from "./units.js";
import { say } from "./words.js";

export function readingsStep(m) {
  if (!isTraverse(m.kind)) return placesStep(m);
  try {
    return traverseStep(m, layoutOf(m.body.plane));
  } catch (error) {
    return { main: [h("p", { class: "notice notice-warn" }, error.message), m.link("duct")] };
  }
}

/** The unit in force at a place: of the last reading there, else what is usual. */
function unitAt(m, place) {
  const last = m.body.readings.findLast((row) => placeOf(row, m.kind) === place.name);
  const chosen = last?.unit ?? m.view.units?.[place.name];
  const usual = usualUnit(place.quantity, m.system, { water: place.use.startsWith("water_") || m.kind.method === "pump_test" });
  return chosen ?? (place.units.includes(usual) ? usual : place.units[0]);
}

/** Keeps a reading after asking about what is odd. Resolves to whether it was kept. */
async function keep(m, place, at, value, unit, pad) {
  const wrong = impossible(value, unit, place.quantity);
  if (wrong) {
    pad.fault(wrong);
    return false;
  }
  const odd = doubts({ body: m.body, kind: m.kind, place, at, value, unit, tool: m.tool(place.use) });
  if (odd.length && !(await sure(odd, withUnit(value, unit, place.quantity)))) {
    pad.focus();
    return false;
  }
  const taken = stamp(m.context.now());
  await m.change((body, view) => {
    const reading = { run: at.run, line: at.line, point: at.point, quantity: place.quantity, value, unit, taken_at: taken };
    putReading(body, place.name === m.kind.places[0].name && m.kind.places.length === 1 ? reading : { ...reading, place: place.name }, m.kind);
    view.units = { ...view.units, [place.name]: unit };
    view.typed = "";
  });
  return true;
}

function sure(odd, value) {
  return ask({
    title: say(gettext("Keep %(value)s?"), { value }), text: h("ul", { class: "doubts" }, odd.map((words) => h("li", {}, words))),
    actions: [{ label: gettext("Correct it"), value: false }, { label: gettext("Keep it"), value: true, kind: "plain" }],
  });
}

/** The keypad writes what is typed so far, so that nothing is lost however the browser ends. */
function remember(m, place) {
  return (text, unit) => m.change((_body, view) => {
    view.typed = text;
    view.units = { ...view.units, [place().name]: unit };
  });
}

function traverseStep(m, layout) {
  const place = m.kind.places[0], cells = cellsOf(layout), system = m.system;
  const cursor = () => m.view.cursor ?? { run: 1, place: place.name, ...(nextCell(cells, m.body, { run: 1, place: place.name, line: 0, point: 0 }, m.kind) ?? cells[0]) };
  const grid = h("div", { class: "grid-wrap" }), runs = h("div", { class: "runs" }), picture = h("div", { class: "duct-picture small" });
  const pad = keypad(m.context, { label: "", onchange: remember(m, () => place), onenter: enter });

  function move(to, typed = "") {
    return m.change((_body, view) => {
      view.cursor = to;
      view.typed = typed;
    }).then(paint);
  }

  async function enter(value, unit) {
    const at = cursor();
    if (!(await keep(m, place, at, value, unit, pad))) return;
    const next = nextCell(cells, m.body, at, m.kind);
    if (next) await move({ ...at, ...next });
    else finished(at.run);
  }

  function finished(run) {
    paint();
    m.context.say(say(gettext("Run %(run)s is whole."), { run }));
    m.toNext();
  }

  function paint() {
    const at = cursor(), found = layout.depths.find((one) => one.line === at.line && one.point === at.point) ?? layout.depths[0];
    const reading = readingAt(m.body, at, m.kind);
    pad.show({
      label: say(gettext("%(what)s at %(point)s"), { what: place.words, point: found.label }), quantity: place.quantity,
      units: place.units, unit: reading?.unit ?? unitAt(m, place), value: m.view.typed || reading?.value || "",
      hint: say(gettext("Run %(run)s, mark at %(mark)s"), { run: at.run, mark: onTape(found.mark, system).text }),
      enter: gettext("Keep, next"),
    });
    replace(grid, table(m, layout, at, (cell) => pad.idle().then(() => move({ ...at, ...cell })).then(pad.focus)));
    replace(runs, runBar(m, layout, cells, at, (run) => pad.idle().then(() => move(startOf(run))).then(pad.focus)));
    const read = new Set(m.body.readings.filter((row) => row.run === at.run).map((row) => `${row.line}.${row.point}`));
    replace(picture, section(layout, { system, read, at }));
    m.progress();
  }

  function startOf(run) {
    const next = nextCell(cells, m.body, { run, place: place.name, line: 0, point: 0 }, m.kind) ?? cells[0];
    return { run, place: place.name, ...next };
  }

  paint();
  return { main: [runs, grid, picture], pad };
}

function table(m, layout, at, go) {
  const numbers = Array.from({ length: layout.points }, (_, n) => n + 1);
  return h("table", { class: "grid" },
    h("caption", { class: "hidden-words" }, say(gettext("Readings of run %(run)s"), { run: at.run })),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, gettext("Point")), layout.holes.map((hole) => h("th", { scope: "col", class: "number" }, hole.label)))),
    h("tbody", {}, numbers.map((point) => h("tr", {}, h("th", { scope: "row" }, String(point)), layout.holes.map((hole) => {
      const cell = { line: hole.line, point }, here = hole.line === at.line && point === at.point;
      const reading = readingAt(m.body, { ...cell, run: at.run }, m.kind);
      const words = reading ? figureText(reading, reading.quantity) : gettext("not read yet");
      return h("td", {}, h("button", {
        type: "button", class: `cell ${reading ? "is-read" : ""}`, "aria-current": here ? "true" : null,
        "aria-label": `${hole.label}${point}: ${words}`, onclick: () => go(cell),
      }, reading ? shownText(reading.value) : "·"));
    })))));
}

function shownText(text) {
  return text.replace("-", "−");
}

function runBar(m, layout, cells, at, go) {
  const last = Math.max(1, at.run, ...m.body.readings.map((row) => row.run));
  const count = (run) => m.body.readings.filter((row) => row.run === run).length;
  const whole = (run) => count(run) >= cells.length;
  const runs = Array.from({ length: last }, (_, n) => n + 1);
  if (whole(last)) runs.push(last + 1);
  return [
    h("div", { class: "choices", role: "group", "aria-label": gettext("Run") }, runs.map((run) => h("button", {
      type: "button", class: "choice-button", "aria-pressed": String(run === at.run), onclick: () => go(run),
    }, run > last ? say(gettext("Start run %(run)s"), { run }) : say(gettext("Run %(run)s: %(count)s of %(all)s"), { run, count: count(run), all: cells.length })))),
    whole(at.run) ? live(m) : null,
    comparison(m),
  ];
}

/** Place after place: one figure, repeats, rows by station or phase, or a grid of squares. */
function placesStep(m) {
  const places = m.kind.places, box = h("div", { class: "places" });
  const placeNow = () => places.find((place) => place.name === m.view.cursor?.place) ?? firstOpen() ?? places[0];
  const pad = keypad(m.context, { label: "", onchange: remember(m, placeNow), onenter: enter });

  function readings(place) {
    return m.body.readings.filter((row) => placeOf(row, m.kind) === place.name);
  }

  function firstOpen() {
    return places.find((place) => readings(place).length < (place.least ? wanted(place, m.kind) : 0));
  }

  function slot(place) {
    const at = m.view.cursor;
    if (at?.place === place.name && at.line) return at;
    if (place.line !== GRID) return { place: place.name, ...nextSlot(m.body, place, m.kind) };
    const cells = cellsOf(gridSize(m, place));
    return { place: place.name, run: 1, ...(nextCell(cells, m.body, { run: 1, place: place.name, line: 0, point: 0 }, m.kind) ?? cells[0]) };
  }

  async function enter(value, unit) {
    const place = placeNow(), at = slot(place);
    const was = readingAt(m.body, at, m.kind);
    if (!(await keep(m, place, at, value, unit, pad))) return;
    const next = following(place, at, Boolean(was));
    await m.change((_body, view) => { view.cursor = next; });
    paint();
    if (!next) m.toNext();
  }

  /** Where to go from a reading: on in its place while more are wanted, then to the next place. */
  function following(place, at, corrected) {
    if (place.line === GRID) {
      const cell = nextCell(cellsOf(gridSize(m, place)), m.body, at, m.kind);
      if (cell) return { ...at, ...cell };
    } else if (corrected || place.line || readings(place).length < wanted(place, m.kind)) {
      return { place: place.name };
    }
    const later = places[places.indexOf(place) + 1];
    return later ? { place: later.name } : null;
  }

  async function choose(place, at = {}) {
    await pad.idle();
    return m.change((_body, view) => {
      view.cursor = { place: place.name, ...at };
      view.typed = "";
    }).then(() => { paint(); pad.focus(); });
  }

  function paint() {
    const place = placeNow(), at = slot(place), reading = readingAt(m.body, at, m.kind);
    pad.show({
      label: labelOf(place, at), quantity: place.quantity, units: place.units, unit: reading?.unit ?? unitAt(m, place),
      value: m.view.typed || reading?.value || "", hint: hintOf(place), enter: gettext("Keep, next"),
    });
    replace(box, places.map((one) => placeRow(one, one === place ? at : null)), firstOpen() ? null : live(m));
    m.progress();
  }

  function labelOf(place, at) {
    if (place.line === GRID) return say(gettext("%(what)s, column %(line)s, row %(point)s"), { what: place.words, line: at.line, point: at.point });
    if (place.line) return say(gettext("%(what)s, %(line)s %(n)s"), { what: place.words, line: place.line, n: at.line });
    return wanted(place, m.kind) > 1 ? say(gettext("%(what)s, reading %(n)s"), { what: place.words, n: at.run }) : place.words;
  }

  function hintOf(place) {
    if (m.kind.method === "hood_reading") return gettext("Place the hood anew for each reading; enter the flow without its sign.");
    return place.least ? "" : gettext("May be left out.");
  }

  function placeRow(place, at) {
    const rows = readings(place), current = at !== null;
    const spread = place.line ? null : spreadOf(rows.map((row) => siOf(row, place.quantity)));
    return h("section", { class: `place ${current ? "is-current" : ""}` },
      h("button", { type: "button", class: "entry-row", "aria-current": current ? "true" : null, onclick: () => choose(place) },
        h("span", { class: "entry-label" }, place.words), h("span", { class: rows.length ? "entry-value" : "entry-value entry-open" }, standing(place, rows))),
      current && place.line === GRID ? squares(place, at) : current && rows.length ? chips(place, rows, at, spread) : null);
  }

  function standing(place, rows) {
    if (!rows.length) return place.least ? gettext("still to read") : gettext("not read");
    if (rows.length === 1) return figureText(rows[0], place.quantity);
    if (place.line) return say(gettext("%(count)s read"), { count: rows.length });
    const mean = rows.reduce((sum, row) => sum + siOf(row, place.quantity), 0) / rows.length;
    return say(gettext("mean %(mean)s of %(count)s"), { mean: inUnit(mean, rows[0].unit, place.quantity, 4), count: rows.length });
  }

  function chips(place, rows, at, spread) {
    const sorted = [...rows].sort((a, b) => a.run - b.run || a.line - b.line);
    const current = readingAt(m.body, at, m.kind);
    return h("div", { class: "chips" }, sorted.map((row) => h("button", {
      type: "button", class: "cell is-read", "aria-current": row === current ? "true" : null,
      "aria-label": say(gettext("Reading %(n)s: %(value)s. Correct it"), { n: place.line ? row.line : row.run, value: figureText(row, place.quantity) }),
      onclick: () => choose(place, { run: row.run, line: row.line, point: row.point }),
    }, `${place.line ? row.line : row.run}: ${shownText(row.value)}`)),
    current ? h("button", { type: "button", class: "button plain", onclick: () => m.change((body) => removeReading(body, at, m.kind)).then(() => choose(place)) }, gettext("Take it out"))
      : null,
    spread !== null ? h("p", { class: "soft" }, say(gettext("They lie %(spread)s % apart."), { spread: shown(100 * spread, 1) })) : null);
  }

  function squares(place, at) {
    const size = gridSize(m, place);
    const set = (name, by) => m.change((_body, view) => {
      view.grids = { ...view.grids, [place.name]: { ...size, [name]: Math.max(size[name] + by, 1) } };
    }).then(paint);
    const step = (name, label) => h("div", { class: "stepper", role: "group", "aria-label": label }, h("span", {}, label),
      h("button", { type: "button", class: "key key-act", "aria-label": say(gettext("Fewer: %(what)s"), { what: label }), onclick: () => set(name, -1) }, "−"),
      h("output", {}, String(size[name])),
      h("button", { type: "button", class: "key key-act", "aria-label": say(gettext("More: %(what)s"), { what: label }), onclick: () => set(name, 1) }, "+"));
    const layout = {
      points: size.points, holes: Array.from({ length: size.lines }, (_, n) => ({ line: n + 1, label: String(n + 1) })),
    };
    return h("div", {}, size.told ? null : [step("lines", gettext("Columns")), step("points", gettext("Rows"))],
      h("div", { class: "grid-wrap" }, squareTable(m, place, layout, at, (cell) => choose(place, { run: 1, ...cell }))));
  }

  paint();
  return { main: [box], pad };
}

/** Columns and rows of a face that is read: as told, as chosen, or enough for what was read. */
export function gridSize(m, place) {
  const told = (name) => parse(m.body.told[name]?.value ?? "").value;
  const [columns, rows] = [told("columns"), told("rows")];
  if (columns && rows) return { lines: columns, points: rows, told: true };
  const read = m.body.readings.filter((row) => placeOf(row, m.kind) === place.name);
  const chosen = m.view.grids?.[place.name] ?? { lines: place.quantity === "velocity" ? 3 : 2, points: place.quantity === "velocity" ? 3 : 2 };
  return {
    lines: Math.max(chosen.lines, ...read.map((row) => row.line)), points: Math.max(chosen.points, ...read.map((row) => row.point)), told: false,
  };
}

function squareTable(m, place, layout, at, go) {
  return h("table", { class: "grid" },
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, gettext("Row")), layout.holes.map((hole) => h("th", { scope: "col", class: "number" }, hole.label)))),
    h("tbody", {}, Array.from({ length: layout.points }, (_, n) => n + 1).map((point) => h("tr", {}, h("th", { scope: "row" }, String(point)), layout.holes.map((hole) => {
      const reading = readingAt(m.body, { place: place.name, run: 1, line: hole.line, point }, m.kind);
      const here = at.line === hole.line && at.point === point;
      return h("td", {}, h("button", {
        type: "button", class: `cell ${reading ? "is-read" : ""}`, "aria-current": here ? "true" : null,
        "aria-label": say(gettext("Column %(line)s, row %(point)s: %(value)s"), { line: hole.label, point, value: reading ? figureText(reading, place.quantity) : gettext("not read yet") }),
        onclick: () => go({ line: hole.line, point }),
      }, reading ? shownText(reading.value) : "·"));
    })))));
}

