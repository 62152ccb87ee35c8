/** The duct as found and the layout that follows: two steps of a session with a measuring plane. */

import { h, replace } from "./dom.js";
import { at, entries, field } from "./entries.js";
import { advisedCounts, checkProbe, planeQuality, rulesFor } from "./layout.js";
import { alongDuct, planeWords, section, sizeText } from "./section.js";
import { SIZES, ductOf, isTraverse, layoutOf } from "./session.js";
import { fromSI, onTape, siOf, usualUnit } from "./units.js";
import { say } from "./words.js";

const LENGTHS = ["mm", "cm", "m", "[in_i]", "[ft_i]"];

export function shapeWords() {
  return { round: gettext("Round"), rectangular: gettext("Rectangular"), oval: gettext("Flat oval") };
}

export function ruleWords() {
  return {
    log_linear: gettext("Log-linear"), log_tchebycheff: gettext("Log-Tchebycheff"), equal_area: gettext("Equal areas"),
  };
}

function disturbances() {
  return [
    "", gettext("elbow"), gettext("branch"), gettext("damper"), gettext("transition"), gettext("fan"), gettext("coil"),
    gettext("filter"), gettext("silencer"), gettext("open end"), gettext("other"),
  ];
}

/** The sizes of the plan as figures of the body, in the person's unit; null where the plan has none. */
export function drawnSizes(point, system) {
  const unit = usualUnit("length", system);
  const figure = (metres) => ({ value: String(Number(fromSI(metres, unit, "length").toFixed(unit === "mm" ? 0 : 3))), unit });
  if (!point?.shape) return null;
  const sizes = point.shape === "round" ? { diameter: point.diameter_m } : { width: point.width_m, height: point.height_m };
  if (Object.values(sizes).some((size) => !size)) return null;
  return Object.fromEntries(Object.entries(sizes).map(([name, size]) => [name, figure(size)]));
}

function drawnText(point, system) {
  const sizes = drawnSizes(point, system);
  if (!sizes) return "";
  const duct = { shape: point.shape, width: point.diameter_m ?? point.width_m, height: point.height_m };
  return sizeText(duct, system);
}

/** Shape, sizes, distances and rule. */
export function ductStep(m) {
  const { point } = m.found, laid = isTraverse(m.kind) || m.kind.swept;
  const plane = m.body.plane;
  const shapes = shapeWords();
  const choose = h("div", { class: "choices", role: "group", "aria-label": gettext("Shape of the duct") },
    Object.entries(shapes).map(([shape, words]) => h("button", {
      type: "button", class: "choice-button", "aria-pressed": String(plane?.shape === shape),
      onclick: () => m.change((body) => setShape(body, shape, point, laid)).then(m.redraw),
    }, words)));
  const drawn = drawnText(point, m.system);
  const head = [
    drawn ? h("p", { class: "soft" }, say(gettext("The plan says %(shape)s, %(size)s. What counts is the inside as you find it."), { shape: shapes[point.shape].toLowerCase(), size: drawn })) : null,
    choose,
  ];
  if (!plane?.shape) return { main: head };
  const picture = h("div", { class: "duct-picture" });
  const paint = () => replace(picture, pictureOf(m));
  const form = entries(m, "duct", sizeItems(m), { onchange: paint });
  const asDrawn = drawn && plane.shape === point.shape ? h("button", {
    type: "button", class: "button plain",
    onclick: () => m.change((body) => Object.assign(body.plane, drawnSizes(point, m.system))).then(m.redraw),
  }, say(gettext("I measured it: it is as drawn, %(size)s"), { size: drawn })) : null;
  paint();
  return {
    main: [head, asDrawn, form.rows, disturbanceChoice(m, paint), laid ? ruleChoice(m) : null, picture],
    pad: form.pad,
  };
}

function setShape(body, shape, point, laid) {
  const same = body.plane?.shape === shape;
  if (same) return;
  const kept = body.plane ?? {};
  body.plane = { shape };
  for (const name of ["wall", "lining", "upstream", "downstream", "upstream_disturbance", "downstream_disturbance"]) {
    if (kept[name]) body.plane[name] = kept[name];
  }
  if (laid) body.plane.rule = point?.layout && point.shape === shape ? point.layout.rule : rulesFor(shape)[0];
}

function sizeItems(m) {
  const names = {
    diameter: gettext("Inside diameter"), width: gettext("Inside width of the drilled wall"), height: gettext("Inside height, from the drilled wall to the far one"),
  };
  const small = usualUnit("length", m.system), long = usualUnit("length", m.system, { distance: true });
  const item = (name, label, more) => ({ id: name, label, quantity: "length", units: LENGTHS, ...at("plane", name), ...more });
  return [
    ...SIZES[m.body.plane.shape].map((name) => item(name, names[name], { unit: small })),
    item("wall", gettext("Thickness of the wall"), { unit: small, optional: true, hint: gettext("About 1 mm (1/32 in) of sheet metal; the marks start outside.") }),
    item("lining", gettext("Lining or insulation inside it"), { unit: small, optional: true }),
    item("upstream", gettext("Straight duct before the plane"), { unit: long, optional: true, hint: gettext("From the last disturbance to the plane, along the flow.") }),
    item("downstream", gettext("Straight duct after the plane"), { unit: long, optional: true }),
  ];
}

function disturbanceChoice(m, paint) {
  const choiceOf = (name, label) => {
    const choice = h("select", {
      onchange: () => m.change((body) => { body.plane[name] = choice.value; }).then(paint),
    }, disturbances().map((word) => h("option", { value: word }, word || gettext("not said"))));
    choice.value = m.body.plane[name] ?? "";
    return field(label, choice);
  };
  return h("div", { class: "field-pair" },
    choiceOf("upstream_disturbance", gettext("What disturbs before it")),
    choiceOf("downstream_disturbance", gettext("What comes after it")));
}

function ruleChoice(m) {
  const { plane } = m.body, words = ruleWords();
  const set = (changes) => m.change((body) => Object.assign(body.plane, changes)).then(m.redraw);
  const rule = h("select", { onchange: () => set({ rule: rule.value, lines: undefined, points: undefined }) },
    rulesFor(plane.shape).map((name) => h("option", { value: name }, words[name])));
  rule.value = plane.rule ?? rulesFor(plane.shape)[0];
  let advised = null;
  try {
    advised = advisedCounts(ductOf(plane), plane.rule);
  } catch {
    // the size is not entered yet: nothing is advised
  }
  const step = (name, label, by) => advised ? h("div", { class: "stepper", role: "group", "aria-label": label },
    h("span", {}, label),
    h("button", { type: "button", class: "key key-act", "aria-label": say(gettext("Fewer: %(what)s"), { what: label }), onclick: () => set({ [name]: Math.max((plane[name] ?? advised[name]) - by, 1) }) }, "−"),
    h("output", {}, String(plane[name] ?? advised[name])),
    h("button", { type: "button", class: "key key-act", "aria-label": say(gettext("More: %(what)s"), { what: label }), onclick: () => set({ [name]: (plane[name] ?? advised[name]) + by }) }, "+")) : null;
  const round = plane.shape === "round";
  return h("div", { class: "rule-choice" },
    field(gettext("Rule of the layout"), rule),
    step("lines", round ? gettext("Diameters") : gettext("Holes"), 1),
    m.kind.swept ? null : step("points", gettext("Points in each"), round ? 2 : 1));
}

function pictureOf(m) {
  const { plane } = m.body;
  try {
    const duct = ductOf(plane);
    const quality = planeQuality(duct, siOf(plane.upstream, "length"), siOf(plane.downstream, "length"));
    const laid = isTraverse(m.kind) || m.kind.swept ? section(layoutOf(plane), { system: m.system }) : null;
    const bad = quality.grade === "poor" || quality.grade === "unknown";
    return [
      laid,
      h("p", { class: `plane-words ${bad ? "is-warned" : ""}` }, planeWords(quality)),
      alongDuct(quality, { before: plane.upstream_disturbance, after: plane.downstream_disturbance }),
    ];
  } catch (error) {
    return h("p", { class: "soft" }, error.message);
  }
}

/** Holes to drill and marks on the probe, for the sizes as found. */
export function marksStep(m) {
  let layout;
  try {
    layout = layoutOf(m.body.plane);
  } catch (error) {
    return { main: [h("p", { class: "notice notice-warn" }, error.message), m.link("duct")] };
  }
  return {
    main: [
      reachOf(m, layout),
      h("figure", { class: "duct-picture" }, section(layout, { system: m.system, depths: !m.kind.swept }),
        h("figcaption", {}, gettext("Marks on the probe are from the outside of the duct."))),
      h("div", { class: "marks-tables" }, holesTable(layout, m.system), m.kind.swept ? null : marksTable(layout, m.system)),
      m.kind.swept ? null : h("a", { class: "button plain", href: `#/marks/${m.draft.job}/${m.draft.point}` }, gettext("Print the marks at full size")),
    ],
  };
}

function reachOf(m, layout) {
  const probe = m.tool("probe");
  if (!probe?.probe_length_m) {
    return h("p", { class: "soft" }, say(gettext("The probe must reach %(reach)s from the outside."), { reach: onTape(layout.reach, m.system).text }));
  }
  const found = checkProbe(layout, probe.probe_length_m);
  if (found.reaches) return h("p", {}, say(gettext("The probe %(serial)s reaches every point."), { serial: probe.serial }));
  const said = { serial: probe.serial, labels: found.unreachable.join(", "), short: onTape(found.shortBy, m.system).text };
  const way = found.bothSides
    ? gettext("From both sides it reaches all: drill the far side too.") : gettext("Take a longer one.");
  return h("p", { class: "notice notice-warn" },
    say(gettext("The probe %(serial)s is %(short)s too short for %(labels)s."), said), " ", way);
}

/** Where the holes are drilled; every place from one end of the tape, so that nothing adds up. */
export function holesTable(layout, system) {
  const from = {
    round: gettext("around the outside, from the first hole"),
    rectangular: gettext("along the outside, from the left edge"),
    oval: gettext("along the outside, from the middle of the flat side (− is left)"),
  }[layout.duct.shape];
  return h("table", { class: "marks-table" },
    h("caption", {}, say(gettext("Holes: %(from)s"), { from })),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, gettext("Hole")), h("th", { scope: "col", class: "number" }, gettext("Place")))),
    h("tbody", {}, layout.holes.map((hole) => h("tr", {}, h("th", { scope: "row" }, hole.label), h("td", { class: "number" }, onTape(hole.mark, system).text)))));
}

/** Insertion depths as marks on the probe; holes with the same depths share a column. */
export function marksTable(layout, system) {
  const columns = markColumns(layout);
  return h("table", { class: "marks-table" },
    h("caption", {}, gettext("Marks on the probe, from the tip's opening")),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, gettext("Point")), columns.map((column) => h("th", { scope: "col", class: "number" }, column.holes.join(", "))))),
    h("tbody", {}, Array.from({ length: layout.points }, (_, row) => h("tr", {},
      h("th", { scope: "row" }, String(row + 1)),
      columns.map((column) => h("td", { class: "number" }, onTape(column.marks[row], system).text))))));
}

/** Holes whose points have the same marks, together. */
export function markColumns(layout) {
  const columns = [];
  for (const hole of layout.holes) {
    const marks = layout.depths.filter((point) => point.line === hole.line).map((point) => point.mark);
    const known = columns.find((column) => column.marks.every((mark, n) => Math.abs(mark - marks[n]) < 1e-6));
    if (known) known.holes.push(hole.label);
    else columns.push({ holes: [hole.label], marks });
  }
  return columns;
}
