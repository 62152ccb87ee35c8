/** Figures to be entered one after the other by the big keys: rows to press, and one keypad for them all. */

import { h, replace } from "./dom.js";
import { keypad } from "./keypad.js";
import { impossible } from "./session.js";
import { figureText, parse, unitsOf, usualUnit } from "./units.js";

/**
 * @typedef {object} Item
 * @property {string} id unique in its step
 * @property {string} label
 * @property {string} quantity
 * @property {string[]} [units] that are offered; all of the quantity otherwise
 * @property {string} [unit] offered first
 * @property {boolean} [optional]
 * @property {string} [hint]
 * @property {(body: object) => string} [refuse] why it cannot be entered yet; "" when it can
 * @property {(body: object) => {value: string, unit: string}|undefined} get
 * @property {(body: object, figure: {value: string, unit: string}|null, view: object) => void} set
 */

/**
 * Rows of figures with one keypad. Every key is written to the store; what is no figure yet is kept in the
 * view's memory until it is one.
 * @param {object} m the session being measured (measure.js)
 * @param {string} step
 * @param {Item[]} items
 * @param {{onchange?: Function}} [options]
 * @returns {{rows: HTMLElement, pad: HTMLElement}}
 */
export function entries(m, step, items, { onchange = () => {} } = {}) {
  const key = (item) => `${step}.${item.id}`;
  let active = Math.max(items.findIndex((item) => key(item) === m.view.field), firstOpen());
  const rows = items.map((item, n) => h("button", {
    type: "button", class: "entry-row", onclick: () => pad.idle().then(() => choose(n)),
  }));
  const pad = keypad(m.context, { label: "", onchange: write, onenter: confirm });

  function firstOpen() {
    const open = items.findIndex((item) => !item.get(m.body) && !item.optional);
    return open < 0 ? 0 : open;
  }

  function unitOf(item) {
    return item.get(m.body)?.unit ?? m.view.units?.[key(item)] ?? item.unit ?? usualUnit(item.quantity, m.system);
  }

  function textOf(item) {
    return m.view.entries?.[key(item)] ?? item.get(m.body)?.value ?? "";
  }

  function paint(n) {
    const item = items[n], figure = item.get(m.body);
    const value = figure ? figureText(figure, item.quantity) : item.optional ? gettext("not entered") : gettext("still to enter");
    replace(rows[n], h("span", { class: "entry-label" }, item.label), h("span", { class: figure ? "entry-value" : "entry-value entry-open" }, value));
    if (n === active) rows[n].setAttribute("aria-current", "true");
    else rows[n].removeAttribute("aria-current");
  }

  function show() {
    const item = items[active];
    const units = item.units ?? unitsOf(item.quantity);
    const last = active === items.length - 1;
    pad.show({
      label: item.label, hint: item.hint ?? "", quantity: item.quantity, units, unit: unitOf(item), value: textOf(item),
      optional: true, enter: last ? gettext("Done") : gettext("Next"),
    });
  }

  function choose(n) {
    const before = active;
    active = n;
    m.change((_body, view) => { view.field = key(items[n]); });
    paint(before);
    paint(n);
    show();
    pad.focus();
  }

  function write(text, unit) {
    const item = items[active];
    const good = !parse(text).fault && !impossible(text, unit, item.quantity);
    const done = m.change((body, view) => {
      item.set(body, good ? { value: text, unit } : null, view);
      view.entries = { ...view.entries, [key(item)]: good ? undefined : text };
      view.units = { ...view.units, [key(item)]: unit };
    });
    paint(active);
    onchange();
    return done;
  }

  async function confirm(text, unit) {
    const item = items[active];
    const wrong = text === "" ? "" : item.refuse?.(m.body) || impossible(text, unit, item.quantity);
    if (wrong) {
      pad.fault(wrong);
      return;
    }
    await write(text, unit);
    if (active < items.length - 1) choose(active + 1);
    else m.toNext();
  }

  items.forEach((_item, n) => paint(n));
  if (items.length) show();
  return { rows: h("div", { class: "entry-rows" }, rows), pad, repaint: () => items.forEach((_item, n) => paint(n)), show };
}

let labels = 0;

/** A control with its label above it. */
export function field(label, control) {
  labels += 1;
  control.id = `field-${labels}`;
  return h("div", { class: "field" }, h("label", { for: control.id }, label), control);
}

/** Access to a figure below a part of the body, e.g. at("conditions", "air_temperature"). */
export function at(part, name) {
  return {
    get: (body) => body[part]?.[name],
    set: (body, figure) => {
      body[part] = body[part] ?? {};
      if (figure) body[part][name] = { ...keep(body[part][name]), ...figure };
      else delete body[part][name];
    },
  };
}

/** The expanded uncertainty of a told figure outlives a change of its digits. */
function keep(before) {
  return before?.expanded_uncertainty ? { expanded_uncertainty: before.expanded_uncertainty } : {};
}
