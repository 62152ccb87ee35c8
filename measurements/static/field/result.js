/** The end of a session: what is missing, what it comes to, what was set, and sending it. */

import { ask, h, replace } from "./dom.js";
import { NeedsService, preview, runSpread } from "./preview.js";
import { readyWords } from "./ready.js";
import { field } from "./entries.js";
import { missing, noteOf } from "./session.js";
import { useWords } from "./instruments.js";
import { inUnit, shown, unitsOf, usualUnit, withUnit, significant, fromSI } from "./units.js";
import { say } from "./words.js";

const ADJUSTED = ["outlet", "valve"];
const OF_WATER = ["valve_flow", "pump_test"];

export function resultStep(m) {
  const lacks = h("div", {});
  const paint = () => replace(lacks, lackList(m));
  paint();
  return {
    main: [
      figure(m), comparison(m), flags(m), errors(m),
      h("a", { class: "button plain", href: `#/photos/${m.draft.job}/${m.draft.point}` }, gettext("Photos and notes of this point")),
      m.editable ? [ADJUSTED.includes(m.found.point.kind) ? adjustment(m) : null, note(m), lacks, finish(m)] : standing(m),
    ],
  };
}

/** The service's figure as soon as it is there; until then the tablet's own, marked as such. */
function figure(m) {
  const server = m.draft.server;
  if (server?.evaluated && server.result) return served(m, server.result);
  if (server?.evaluated) return h("p", { class: "notice notice-warn" }, gettext("The service could not compute a figure from this; its remarks say why."));
  return h("section", { class: "preview", "aria-label": gettext("Preview") }, previewed(m));
}

function served(m, result) {
  const number = inUserUnit(m, result);
  const share = result.share === null || result.share === undefined ? null : say(gettext("%(share)s % of design"), { share: shown(100 * result.share, 0) });
  return h("div", { class: "line result-line" },
    h("div", { class: "line-place" }, m.found.point.tag, h("small", {}, gettext("computed by the service"))),
    h("div", { class: "line-value" }, h("strong", {}, number.value), number.spread ? h("span", { class: "pm" }, ` ± ${number.spread}`) : null, h("span", { class: "unit" }, `\u202f${number.unit}`)),
    share ? h("div", { class: "line-share" }, share) : null,
    result.verdict ? h("div", { class: `line-verdict verdict verdict-${result.verdict.replaceAll("_", "-")}` }, verdictWords(result.verdict)) : null);
}

export function verdictWords(verdict) {
  return {
    pass: gettext("Pass"), conditional_pass: gettext("Conditional pass"), conditional_fail: gettext("Conditional fail"), fail: gettext("Fail"),
    not_decidable: gettext("Not decidable"), none: gettext("No verdict"),
  }[verdict] ?? verdict;
}

function inUserUnit(m, { value, expanded_uncertainty: spread, unit }) {
  const kinds = { "m3/s": "flow", Pa: "pressure", "m/s": "velocity", K: "temperature", W: "power", m: "length" };
  const quantity = kinds[unit];
  if (!quantity || !unitsOf(quantity).includes(unit)) {
    return { value: significant(value, 4), spread: spread ? significant(spread, 2) : "", unit: unit === "1" ? "" : unit };
  }
  const code = quantity === "length" ? "m" : usualUnit(quantity, m.system, { water: OF_WATER.includes(m.kind.method) });
  const u = spread ? Math.abs(fromSI(spread, code, quantity) - fromSI(0, code, quantity)) : null;
  const places = u ? Math.max(0, 1 - Math.floor(Math.log10(u))) : null;
  const text = places === null ? significant(fromSI(value, code, quantity), 4) : shown(fromSI(value, code, quantity), places);
  return { value: text, spread: u ? shown(u, places) : "", unit: withUnit("", code, quantity).trim() };
}

function previewed(m) {
  try {
    const found = preview(m.body, m.circumstances());
    const unit = flowUnit(m), { point } = m.found, { share, standard } = compared(m, found);
    return [
      h("p", { class: "preview-mark" }, h("strong", {}, gettext("Preview")), " ", gettext("worked out on this tablet, without the certificates' corrections; the service computes the figure, its uncertainty and the verdict.")),
      h("p", { class: "preview-figure" }, h("strong", {}, inUnit(found.flow, unit, "flow", 4)),
        found.velocity !== null ? h("span", { class: "soft" }, ` ${say(gettext("at a mean of %(velocity)s"), { velocity: inUnit(found.velocity, usualUnit("velocity", m.system), "velocity", 3) })}`) : null),
      share !== null ? h("p", {}, say(gettext("%(share)s % of the design, %(design)s%(basis)s"), {
        share, design: point.design_entered || inUnit(point.design_flow_m3_s, unit, "flow", 4),
        basis: standard ? gettext(" (both at standard density)") : "",
      })) : null,
      found.notes.map((words) => h("p", { class: "soft" }, words)),
    ];
  } catch (error) {
    if (!(error instanceof NeedsService)) throw error;
    return [
      h("p", { class: "preview-mark" }, h("strong", {}, gettext("No preview")), " ", gettext("The figure comes from the service as soon as there is network.")),
      h("p", { class: "soft" }, error.message),
    ];
  }
}

/** How far the runs lie apart, as soon as there are two. */
export function comparison(m) {
  try {
    const spread = runSpread(preview(m.body, m.circumstances()).runs);
    if (spread === null || m.kind.method === "hood_reading") return null;
    const words = spread > 0.05
      ? gettext("The runs differ by %(spread)s %: something moved. Look at it, then take another run.") : gettext("The runs agree within %(spread)s %.");
    return h("p", { class: spread > 0.05 ? "notice notice-warn" : "" }, say(words, { spread: shown(100 * spread, 1) }));
  } catch {
    return null;
  }
}

/** The preview in one line, beside the readings; nothing where there is none. */
export function live(m) {
  try {
    const found = preview(m.body, m.circumstances()), { share } = compared(m, found);
    const flow = inUnit(found.flow, flowUnit(m), "flow", 4);
    const words = share === null ? gettext("Preview: %(flow)s") : gettext("Preview: %(flow)s, %(share)s % of design");
    return h("p", { class: "live", role: "status" }, say(words, { flow, share }));
  } catch (error) {
    if (!(error instanceof NeedsService)) throw error;
    return null;
  }
}

function flowUnit(m) {
  return usualUnit("flow", m.system, { water: OF_WATER.includes(m.kind.method) });
}

/** The flow beside the design, both on the design's own basis. */
function compared(m, found) {
  const { point } = m.found, standard = point.design_basis === "standard" && found.standardFlow !== null;
  if (!point.design_flow_m3_s) return { share: null, standard };
  return { share: shown((100 * (standard ? found.standardFlow : found.flow)) / point.design_flow_m3_s, 0), standard };
}

function flags(m) {
  const found = m.draft.server?.flags ?? [];
  if (!found.length) return null;
  return h("ul", { class: "flags" }, found.map((flag) => h("li", { class: `is-${flag.severity}` }, h("strong", {}, flag.seen), flag.advice ? h("span", { class: "soft" }, flag.advice) : null)));
}

/** Why the service refused it, each with the step where it is mended. */
function errors(m) {
  if (m.draft.state !== "refused") return null;
  return h("section", { class: "notice notice-stop" }, h("p", {}, h("strong", {}, gettext("The service could not take this session. Mend it and finish again."))),
    h("ul", {}, (m.draft.errors ?? []).map((one) => h("li", {}, one.detail, " ", stepOf(one.pointer) ? m.link(stepOf(one.pointer, m.kind)) : null))));
}

function stepOf(pointer = "", kind = null) {
  const part = pointer.replace(/^\/sessions\/\d+/, "").split("/")[1];
  return {
    plane: "duct", conditions: "air", told: "told", instruments: "ready", supersedes: "ready", zero_checks: "zero", readings: kind?.swept ? "sweeps" : "readings", sweeps: "sweeps",
  }[part] ?? null;
}

/** Where the damper or valve stands, what was done to it, and whether it is marked. */
function adjustment(m) {
  const given = m.body.adjustment;
  const write = () => m.change((body) => {
    const words = setting.value.trim();
    body.adjustment = words ? { setting: words, marked: marked.checked, done: done.value.trim() } : null;
  });
  const setting = h("input", { type: "text", maxlength: "60", value: given?.setting ?? "", oninput: write });
  const done = h("input", { type: "text", maxlength: "300", value: given?.done ?? "", oninput: write });
  const marked = h("input", { type: "checkbox", onchange: write });
  marked.checked = given?.marked ?? false;
  return h("section", { class: "adjustment" }, h("h3", {}, gettext("Damper or valve")),
    field(gettext("Where it stands"), setting),
    field(gettext("What was done to it before this reading"), done),
    h("label", { class: "check" }, marked, h("span", {}, gettext("Its final position is marked"))));
}

function note(m) {
  const words = readyWords(m.kind);
  const area = h("textarea", { rows: "3", maxlength: "18000", oninput: () => m.change((body, view) => {
    view.note = area.value;
    body.note = noteOf(view, words);
  }) });
  area.value = m.view.note ?? "";
  return field(gettext("Note to this session"), area);
}

function lackList(m) {
  const found = missing(m.body, m.kind, useWords());
  if (!found.length) return h("p", { class: "whole" }, gettext("Nothing is missing."));
  return h("section", {}, h("h3", {}, gettext("Still missing")), h("ul", { class: "lacks" }, found.map((one) => h("li", {}, h("span", {}, one.words), m.link(one.step)))));
}

function finish(m) {
  const press = async () => {
    await m.settled();
    const found = missing(m.body, m.kind, useWords());
    const must = found.find((one) => !one.may);
    if (must) {
      m.context.say(must.words);
      m.go(must.step);
      return;
    }
    if (found.length && !(await ask({
      title: gettext("Finish although something is missing?"), text: h("ul", {}, found.map((one) => h("li", {}, one.words))),
      actions: [{ label: gettext("Go back to it"), value: false }, { label: gettext("Finish without it"), value: true, kind: "plain" }],
    }))) return;
    await m.finish();
  };
  return h("div", { class: "actions finish" }, h("button", { type: "button", class: "button big", onclick: press }, gettext("Finish and send")));
}

/** A finished session is looked at, not changed. */
function standing(m) {
  const words = {
    ready: gettext("Finished. It waits to be sent and goes by itself."), sent: gettext("It is being sent."),
    stored: gettext("The service has it."), other: gettext("The service knows this session with other content. A supervisor looks at it; nothing is lost here."),
  }[m.draft.state];
  return [
    h("p", { class: "notice" }, words),
    h("div", { class: "actions" },
      h("a", { class: "button", href: `#/job/${m.draft.job}` }, gettext("Back to the job")),
      ["stored", "ready", "sent"].includes(m.draft.state) ? h("button", { type: "button", class: "button plain", onclick: () => m.measureAgain() }, gettext("Measure this point again")) : null),
  ];
}
