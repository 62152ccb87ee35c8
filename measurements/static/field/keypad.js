/**
 * Big keys for figures: for gloves, for a hardware keyboard and for a screen reader alike. The figure is kept
 * as text with the digits typed.
 */

import { h, replace } from "./dom.js";
import { asTyped, parse, symbolOf } from "./units.js";

const KEYS = [
  ["7", "8", "9", "delete"],
  ["4", "5", "6", "clear"],
  ["1", "2", "3", "sign"],
  ["0", "point", "enter"],
];
/** Keys of a hardware keyboard by the big key that does the same. */
const TYPED = {
  ...Object.fromEntries([..."0123456789"].map((digit) => [digit, digit])),
  ".": "point", ",": "point", "-": "sign", "\u2212": "sign", Backspace: "delete",
};
const INCHES = [["1/2", 8], ["1/4", 4], ["1/8", 2], ["1/16", 1]];
let count = 0;

/**
 * @typedef {object} Entry
 * @property {string} label what is asked for
 * @property {string} [unit] code of the unit in force
 * @property {string[]} [units] codes to choose from; one or none: no choice is offered
 * @property {string} [quantity] of the unit, for its words and for fractions of an inch
 * @property {string} [value] text to begin with
 * @property {string} [hint] a line under the label
 * @property {string} [enter] words on the key that goes on
 * @property {boolean} [optional] whether going on with nothing entered is allowed
 */

/**
 * A keypad. `onchange(text, unit)` after every key; `onenter(text, unit)` when a whole figure is confirmed,
 * and no second time before what it returned has settled: keys that come meanwhile wait for the next figure. The element has `show(entry)` to ask for the next
 * figure, `focus()`, `fault(words)`, `text`, and `idle()`, which resolves when all that was typed is dealt with:
 * whoever asks for another figure out of turn waits for it.
 * @param {object} context
 * @param {Entry & {onchange?: Function, onenter?: Function}} options
 * @returns {HTMLElement}
 */
export function keypad(context, { onchange = () => {}, onenter = () => {}, ...entry }) {
  const id = `keypad-${++count}`;
  const state = { entry: {}, unit: "", busy: false, ahead: [] };
  const label = h("label", { class: "keypad-label", for: id });
  const hint = h("p", { class: "keypad-hint", id: `${id}-hint` });
  const fault = h("p", { class: "keypad-fault", role: "alert", id: `${id}-fault` });
  const input = h("input", {
    id, class: "keypad-input", type: "text", inputmode: "none", autocomplete: "off", enterkeyhint: "next",
    maxlength: "24", "aria-describedby": `${id}-hint ${id}-fault`,
  });
  const unit = h("span", { class: "keypad-unit" });
  const fractions = h("div", { class: "keypad-fractions" });
  const keys = h("div", { class: "keypad-keys" });
  const pad = h(
    "div",
    { class: "keypad", role: "group" },
    label, hint, h("div", { class: "keypad-shown" }, input, unit), fault, fractions, keys,
  );

  function changed(text) {
    input.value = text;
    say("");
    onchange(input.value, state.unit);
  }

  function say(words) {
    replace(fault, words);
    input.setAttribute("aria-invalid", words ? "true" : "false");
  }

  async function enter() {
    if (state.busy) return;
    const empty = input.value.trim() === "" && state.entry.optional;
    const { fault: wrong } = parse(input.value);
    if (wrong && !empty) {
      say(wrong);
      return;
    }
    state.busy = true;
    try {
      state.entering = onenter(input.value.trim(), state.unit);
      await state.entering;
    } finally {
      state.busy = false;
    }
    catchUp();
  }

  /** Keys that came while a figure was being stored are for the next one, if one is asked for. */
  function catchUp() {
    if (!pad.contains(document.activeElement)) state.ahead = [];
    while (state.ahead.length && !state.busy) press(state.ahead.shift());
  }

  /** A second press of the same enter is no entry of its own. */
  function keepForNext(key) {
    if (key !== "enter" || state.ahead.length) state.ahead.push(key);
  }

  function press(key) {
    if (state.busy) return keepForNext(key);
    const text = input.value;
    if (key === "enter") return void enter();
    if (key === "delete") return changed(text.slice(0, -1));
    if (key === "clear") return changed("");
    if (key === "sign") return changed(text.startsWith("-") ? text.slice(1) : `-${text}`);
    if (text.length >= 24 || (key === "point" && text.includes("."))) return undefined;
    return changed(text + (key === "point" ? "." : key));
  }

  function addInches(sixteenths) {
    const { value, fault: wrong } = parse(input.value || "0");
    if (!wrong) changed(String(value + sixteenths / 16));
  }

  function key(name) {
    const names = {
      delete: [gettext("Delete"), gettext("Delete the last digit")],
      clear: [gettext("Clear"), gettext("Clear the figure")],
      sign: ["±", gettext("Change the sign")],
      point: [".", gettext("Decimal point")],
      enter: [state.entry.enter || gettext("Next"), ""],
    };
    const [words, spoken] = names[name] ?? [name, ""];
    const kind = name === "enter" ? "key key-enter" : /\d/.test(name) ? "key" : "key key-act";
    return h(
      "button",
      { type: "button", class: kind, "data-key": name, "aria-label": spoken || null, onclick: () => press(name) },
      words,
    );
  }

  function showUnit() {
    const { units = [], quantity = "" } = state.entry;
    if (units.length < 2) {
      replace(unit, symbolOf(state.unit, quantity));
    } else {
      const choice = h("select", { "aria-label": gettext("Unit"), onchange: () => {
        state.unit = choice.value;
        showUnit();
        onchange(input.value, state.unit);
      } }, units.map((code) => h("option", { value: code }, symbolOf(code, quantity) || gettext("no unit"))));
      choice.value = state.unit;
      replace(unit, choice);
    }
    const inches = quantity === "length" && state.unit === "[in_i]";
    replace(fractions, inches ? INCHES.map(([words, parts]) => h("button", {
      type: "button", class: "key key-act", onclick: () => addInches(parts),
      "aria-label": interpolate(gettext("Add %(part)s inch"), { part: words }, true),
    }, `+${words}`)) : []);
  }

  pad.show = (next) => {
    state.entry = next;
    state.unit = next.unit ?? next.units?.[0] ?? "";
    pad.setAttribute("aria-label", next.label ?? "");
    replace(label, next.label ?? "");
    replace(hint, next.hint ?? "");
    input.value = next.value ?? "";
    say("");
    replace(keys, KEYS.flat().map(key));
    showUnit();
  };
  pad.idle = async () => {
    while (state.busy) await Promise.resolve(state.entering).catch(() => null);
  };
  pad.focus = () => input.focus({ preventScroll: true });
  /** A digit or sign typed elsewhere. */
  pad.typed = (typed) => { pad.focus(); press(TYPED[typed]); };
  pad.fault = say;
  Object.defineProperty(pad, "text", { get: () => input.value });
  Object.defineProperty(pad, "unit", { get: () => state.unit });

  input.addEventListener("input", () => {
    const at = input.selectionStart, typed = asTyped(input.value).replace(/[^\d.-]/g, "");
    if (typed !== input.value) {
      input.value = typed;
      input.setSelectionRange(Math.min(at, typed.length), Math.min(at, typed.length));
    }
    changed(input.value);
  });
  // A tap keeps the focus in the figure, so that a hardware keyboard goes on where it was.
  for (const part of [keys, fractions]) part.addEventListener("mousedown", (event) => event.preventDefault());
  pad.addEventListener("keydown", (event) => {
    const { target, key: typed } = event;
    if (target === input && typed === "Enter") {
      event.preventDefault();
      press("enter");
    } else if (target === input && state.busy && TYPED[typed]) {
      event.preventDefault();
      press(TYPED[typed]);
    } else if (target.matches("button") && /^[\d.,-]$/.test(typed)) {
      event.preventDefault();
      press(TYPED[typed]);
    }
  });
  pad.show(entry);
  return pad;
}
