/** What is told and not read, the air, and the zero: steps of single figures. */

import { h } from "./dom.js";
import { at, entries, field } from "./entries.js";
import { zeroUse } from "./session.js";
import { asTyped, decimalsOf, figureText, parse, shown, symbolOf, toSI, fromSI, usualUnit, withUnit } from "./units.js";
import { say } from "./words.js";

const PERCENT = ["motor_efficiency", "drive_efficiency", "glycol_share"];
const OF_WATER = ["valve_flow", "pump_test"];

/** Figures from plates, tables and drawings, and choices. */
export function toldStep(m) {
  const figures = m.kind.told.filter((told) => told.quantity && !told.many);
  const others = m.kind.told.filter((told) => !told.quantity || told.many);
  const last = others.filter((told) => told.many && !told.needed), first = others.filter((told) => !last.includes(told));
  const fields = (list) => list.map((told) => h("div", { class: "field" }, otherField(m, told)));
  const form = entries(m, "told", figures.flatMap((told) => figureItems(m, told)));
  return {
    main: [fields(first), figures.length ? form.rows : null, fields(last)],
    pad: figures.length ? form.pad : null,
  };
}

function toldUnit(m, told) {
  if (PERCENT.includes(told.name)) return "%";
  const water = OF_WATER.includes(m.kind.method) || told.name === "water_flow";
  const usual = usualUnit(told.quantity, m.system, { water });
  return told.units.includes(usual) ? usual : told.units[0];
}

function figureItems(m, told) {
  const plain = {
    id: told.name, label: told.words, quantity: told.quantity, units: told.units, unit: toldUnit(m, told), optional: !told.needed,
    hint: told.needed ? "" : gettext("May be left out."), ...at("told", told.name),
  };
  if (!told.uncertain) return [plain];
  const spread = {
    id: `${told.name}.u`, label: gettext("± U (k = 2) of the figure above"), quantity: told.quantity,
    optional: true, hint: gettext("In the same unit, where its source states it."),
    refuse: (body) => (body.told[told.name] ? "" : say(gettext("Enter this first: %(what)s."), { what: told.words })),
    get: (body) => {
      const found = body.told[told.name];
      return found?.expanded_uncertainty ? { value: found.expanded_uncertainty, unit: found.unit } : undefined;
    },
    set: (body, figure) => {
      const found = body.told[told.name];
      if (!found) return;
      if (figure) found.expanded_uncertainty = figure.value;
      else delete found.expanded_uncertainty;
    },
  };
  return [plain, { ...spread, get units() { return [m.body.told[told.name]?.unit ?? plain.unit]; } }];
}

function otherField(m, told) {
  if (told.many) return told.quantity ? figuresField(m, told) : choicesField(m, told);
  if (!told.choices.length) return textField(m, told);
  return choiceField(told.words, told.choices, told.needed, m.body.told[told.name], (value) => m.change((body) => {
    if (value) body.told[told.name] = value;
    else delete body.told[told.name];
  }));
}

function choiceField(label, choices, needed, value, set) {
  const choice = h("select", { onchange: () => set(choice.value) },
    h("option", { value: "" }, needed ? gettext("choose") : gettext("not said")),
    choices.map((one) => h("option", { value: one }, plain(one))));
  choice.value = value ?? "";
  return field(label, choice);
}

/** A coded choice in words. */
export function plain(code) {
  const words = code.replaceAll("_", " ");
  return words[0].toUpperCase() + words.slice(1);
}

function textField(m, told) {
  const input = h("input", {
    type: "text", maxlength: "200", value: m.body.told[told.name] ?? "",
    oninput: () => m.change((body) => {
      if (input.value.trim()) body.told[told.name] = input.value.trim();
      else delete body.told[told.name];
    }),
  });
  return field(told.words, input);
}

/** A list of choices, one after the other. */
function choicesField(m, told) {
  const list = m.body.told[told.name] ?? [];
  const set = (next) => m.change((body) => {
    if (next.length) body.told[told.name] = next;
    else delete body.told[told.name];
  }).then(m.redraw);
  return [
    h("p", {}, told.words),
    h("ol", { class: "told-list" }, list.map((value, n) => h("li", {}, choiceField(
      say(gettext("Number %(n)s"), { n: n + 1 }), told.choices, true, value,
      (next) => set(next ? list.with(n, next) : list.toSpliced(n, 1)))))),
    h("button", { type: "button", class: "button plain", onclick: () => set([...list, told.choices[0]]) }, gettext("Add one")),
  ];
}

/** A list of figures in one line with one unit; a dash stands for one that is not known. */
function figuresField(m, told) {
  const list = m.body.told[told.name] ?? [], unit = list.find(Boolean)?.unit ?? toldUnit(m, told);
  const fault = h("p", { class: "error", role: "alert" });
  const units = h("select", { "aria-label": gettext("Unit"), onchange: write }, told.units.map((code) => h("option", { value: code }, symbolOf(code, told.quantity) || code)));
  units.value = unit;
  const input = h("input", {
    type: "text", inputmode: "decimal", value: m.view.lists?.[told.name] ?? list.map((one) => one?.value ?? "–").join("  "), oninput: write,
  });

  function write() {
    const parts = input.value.trim().split(/[\s;]+/).filter(Boolean);
    const unknown = (part) => /^[–-]$/.test(part);
    const wrong = parts.find((part) => !unknown(part) && parse(asTyped(part)).fault);
    fault.textContent = wrong ? parse(asTyped(wrong)).fault : "";
    m.change((body, view) => {
      view.lists = { ...view.lists, [told.name]: input.value };
      if (wrong || !parts.length) delete body.told[told.name];
      else body.told[told.name] = parts.map((part) => (unknown(part) ? null : { value: asTyped(part), unit: units.value }));
    });
  }
  return [
    field(told.words, input), units, h("p", { class: "help" }, gettext("One after the other with a blank between; – for one that is not known.")), fault,
  ];
}

/** The state of the air at the plane, or only the barometer. */
export function airStep(m) {
  const item = (name, label, quantity, more) => ({ id: name, label, quantity, ...at("conditions", name), ...more });
  const site = m.found.job.site;
  const pressure = item("barometric_pressure", gettext("Barometric pressure"), "absolute_pressure", {
    optional: true, units: ["hPa", "kPa", "mbar", "[in_i'Hg]", "mm[Hg]"],
    hint: say(gettext("As it is at the site, not reduced to sea level. Without it the site's height of %(height)s m is taken."), { height: Math.round(site.elevation_m) }),
  });
  const air = [
    item("air_temperature", gettext("Air temperature"), "temperature"),
    item("relative_humidity", gettext("Relative humidity"), "humidity", { optional: true, units: ["%"] }),
    pressure,
    m.kind.plane ? item("duct_static_pressure", gettext("Static pressure in the duct"), "pressure", {
      optional: true, hint: gettext("Against the room; negative on the suction side."),
    }) : null,
  ].filter(Boolean);
  const form = entries(m, "air", m.kind.air ? air : [pressure]);
  return { main: [form.rows], pad: form.pad };
}

/** What the instrument shows with no pressure. `which`: "before" or "after". */
export function zeroStep(m, which) {
  const use = zeroUse(m.kind), tool = m.tool(use);
  const stands = h("p", { class: "zero-shift", role: "status" });
  if (!tool) {
    return { main: [h("p", { class: "notice notice-warn" }, gettext("Name the instrument first; its zero belongs to it.")), m.link("ready")] };
  }
  const known = (body, name) => body.zero_checks.find((check) => check.at === m.view.zero?.[name]);
  const item = {
    id: which, quantity: "pressure", optional: true,
    label: which === "before" ? gettext("Zero before the readings") : gettext("Zero after the readings"),
    unit: known(m.body, "before")?.unit ?? usualUnit("pressure", m.system, { water: use === "water_pressure" }),
    hint: say(gettext("What %(tool)s shows with both ports open, in still air, hoses unkinked."), { tool: `${tool.name} ${tool.serial}` }),
    get: (body) => known(body, which),
    set: (body, figure, view) => m.putZero(body, view, which, figure, tool.id),
  };
  const form = entries(m, `zero_${which}`, [item], { onchange: paint });

  function paint() {
    const before = known(m.body, "before"), after = known(m.body, "after");
    if (which !== "after" || !before || !after) {
      stands.textContent = which === "after" && before ? say(gettext("Before: %(value)s."), { value: figureText(before, "pressure") }) : "";
      return;
    }
    const shift = fromSI(toSI(Number(after.value), after.unit, "pressure") - toSI(Number(before.value), before.unit, "pressure"), after.unit, "pressure");
    const value = withUnit(shown(shift, Math.max(decimalsOf(after.value), decimalsOf(before.value))), after.unit, "pressure");
    stands.textContent = Number(shift.toFixed(9)) === 0 ? gettext("The zero stayed where it was.") : say(gettext("The zero moved by %(value)s."), { value });
  }
  paint();
  return { main: [form.rows, stands], pad: form.pad };
}
