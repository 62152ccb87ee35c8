/** Before measuring: cautions, what to look at first, the instruments, and why a point is measured again. */

import { h } from "./dom.js";
import { field } from "./entries.js";
import { stateOf, suiting, useWords } from "./instruments.js";
import { isWater, neededUses, noteOf } from "./session.js";
import { say } from "./words.js";

/** What is looked at before any reading. */
export function readyWords(kind) {
  if (isWater(kind)) {
    return {
      strainers: gettext("strainers clean"), valves: gettext("valves at their set positions"), air: gettext("air vented"),
      turning: gettext("pump turning the right way"), controls: gettext("controls in the test mode"), steady: gettext("temperatures steady"),
    };
  }
  return {
    filters: gettext("filters clean"), dampers: gettext("dampers at their set positions"), turning: gettext("fan turning the right way"),
    doors: gettext("doors and windows as in use"), controls: gettext("controls in the test mode"), steady: gettext("air temperature steady"),
  };
}

export function readyStep(m) {
  return {
    main: [
      cautions(m.kind),
      m.body.supersedes || m.before ? again(m) : null,
      h("h3", {}, gettext("Look at first")),
      checklist(m),
      h("h3", {}, gettext("Instruments")),
      instruments(m),
    ],
  };
}

function cautions(kind) {
  if (!kind.cautions.length) return null;
  return h("ul", { class: "cautions" }, kind.cautions.map((words) => h("li", {}, h("strong", {}, gettext("Caution")), h("span", {}, words))));
}

function checklist(m) {
  const words = readyWords(m.kind);
  return h("div", { class: "checklist", role: "group", "aria-label": gettext("Look at first") }, Object.entries(words).map(([key, text]) => {
    const box = h("input", { type: "checkbox", onchange: () => m.change((body, view) => {
      const others = (view.ready ?? []).filter((one) => one !== key);
      view.ready = Object.keys(words).filter((one) => others.includes(one) || (one === key && box.checked));
      body.note = noteOf(view, words);
    }) });
    box.checked = (m.view.ready ?? []).includes(key);
    return h("label", { class: "check" }, box, h("span", {}, text[0].toUpperCase() + text.slice(1)));
  }));
}

function instruments(m) {
  const day = m.today(), words = useWords(), needed = new Set(neededUses(m.body, m.kind));
  const order = [...m.kind.uses].sort((a, b) => needed.has(b) - needed.has(a));
  return h("div", { class: "tools" }, order.map((use) => toolChoice(m, use, day, words[use] ?? use, needed.has(use))));
}

function toolChoice(m, use, day, words, needed) {
  const tools = suiting(m.found.job.instruments, use, day), chosen = m.tool(use);
  const choice = h("select", {
    onchange: () => m.change((body) => {
      const before = body.instruments[use];
      if (choice.value) body.instruments[use] = choice.value;
      else delete body.instruments[use];
      for (const check of body.zero_checks) if (check.instrument === before) check.instrument = choice.value || before;
    }).then(m.redraw),
  }, h("option", { value: "" }, needed ? gettext("choose") : gettext("not used")),
  tools.map((tool) => h("option", { value: tool.id }, `${tool.name} ${tool.serial}`)));
  choice.value = chosen?.id ?? "";
  const state = chosen ? stateOf(chosen, day) : null;
  return h("div", { class: "tool" },
    field(words[0].toUpperCase() + words.slice(1), choice),
    state ? h("p", { class: `tool-state is-${state.state}` }, state.words) : null,
    !tools.length && needed ? h("p", { class: "tool-state is-lapsed" }, gettext("The job has no instrument for this. Ask for one before you measure.")) : null,
    state?.state === "lapsed" ? h("p", { class: "notice notice-stop" }, gettext("What it shows will be flagged. Take another instrument if there is one.")) : null);
}

/** A point that was measured before: this session takes the place of that one, and says why. */
function again(m) {
  const given = m.body.supersedes;
  const set = (reason) => m.change((body) => { body.supersedes = reason === null ? null : { session: given?.session ?? m.before, reason }; });
  const reasons = [gettext("Adjusted since then"), gettext("A reading was mistyped"), gettext("Conditions were not steady"), gettext("Other instrument")];
  const text = h("input", {
    type: "text", maxlength: "2000", "aria-label": gettext("Why it is measured again"), value: given?.reason ?? "",
    oninput: () => set(text.value),
  });
  const beside = h("button", {
    type: "button", class: "choice-button", "aria-pressed": String(!given), onclick: () => set(null).then(m.redraw),
  }, gettext("It stands beside the earlier one"));
  const instead = h("button", {
    type: "button", class: "choice-button", "aria-pressed": String(Boolean(given)), onclick: () => set(given?.reason ?? "").then(m.redraw),
  }, gettext("It takes the earlier one's place"));
  return h("section", { class: "again" },
    h("h3", {}, gettext("This point was measured before")),
    m.view.asked ? h("p", { class: "notice notice-warn" }, say(gettext("Asked for by the supervisor: %(reason)s"), { reason: m.view.asked })) : null,
    h("div", { class: "choices" }, instead, beside),
    given ? [
      h("p", {}, gettext("Why is it measured again?")),
      h("div", { class: "choices" }, reasons.map((reason) => h("button", {
        type: "button", class: "choice-button", "aria-pressed": String(given.reason === reason), onclick: () => set(reason).then(m.redraw),
      }, reason))),
      text,
    ] : null);
}
