/** A job on the tablet: its systems and points, how far each is, and the ways to measure it. */

import { ask, h } from "./dom.js";
import { flowText } from "./show.js";
import { stateMark, stateOf } from "./states.js";
import { say } from "./words.js";

export function title(context, jobId) {
  const found = context.find(jobId);
  return found ? `${found.job.number} ${found.job.title}` : gettext("Job");
}

export async function view(context, jobId) {
  const found = context.find(jobId);
  if (!found) return h("p", { class: "notice notice-warn" }, gettext("This job is not on your work list. What you measured on it is kept and sent."));
  const { job } = found;
  const sessions = await context.store.sessions(jobId);
  const asked = new Map(job.remeasure.map((one) => [one.test_point, one]));
  const element = h("div", { class: "stack-wide" },
    h("p", { class: "lead" }, [job.site.name, job.site.address].filter(Boolean).join(", ")),
    job.notes ? h("p", { class: "note" }, job.notes) : null,
    h("div", { class: "actions" }, h("a", { class: "button", href: `#/handover/${job.id}` }, gettext("Hand over"))),
    job.systems.map((system) => h("section", {},
      h("div", { class: "head-row" },
        h("h2", {}, system.tag, " ", h("span", { class: "soft" }, system.name)),
        h("a", { class: "button plain", href: `#/round/${job.id}/${system.id}` }, gettext("Balance"))),
      h("ul", { class: "rows" }, system.points.map((point) => row(context, job, point, sessions, asked.get(point.id)))))),
    tools(job));
  element.live = true;
  return element;
}

function row(context, job, point, sessions, asked) {
  const mine = sessions.filter((one) => one.point === point.id).sort((a, b) => (a.created_at < b.created_at ? 1 : -1));
  const newest = mine[0];
  return h("li", {}, h("button", { class: "row", type: "button", onclick: () => open(context, job, point, newest, asked) },
    h("span", { class: "row-name" }, point.tag),
    h("span", { class: "soft" }, point.location || ""),
    h("span", { class: "number" }, point.design_flow_m3_s === null ? "" : flowText(point.design_flow_m3_s, context.person.units)),
    asked ? h("span", { class: "mark mark-refused" }, gettext("measure again"))
      : newest ? stateMark(newest)
      : point.current_session ? h("span", { class: "mark mark-stored" }, gettext("measured before"))
      : h("span", { class: "mark mark-todo" }, gettext("to do")),
    newest?.server?.result ? h("span", { class: "wide" }, resultText(newest.server.result, context.person.units)) : null,
    asked ? h("span", { class: "wide soft" }, asked.reason) : null));
}

function resultText(result, units) {
  if (result.unit !== "m3/s") return result.verdict ?? "";
  const share = result.share ? `, ${(result.share * 100).toFixed(0)} %` : "";
  return `${flowText(result.value, units, result.expanded_uncertainty)}${share}${result.verdict ? `, ${result.verdict.replaceAll("_", " ")}` : ""}`;
}

function tools(job) {
  return h("section", {}, h("h2", {}, gettext("Instruments")),
    job.instruments.length ? h("ul", { class: "rows" }, job.instruments.map((tool) => h("li", {}, h("div", { class: "row" },
      h("span", { class: "row-name" }, tool.name),
      h("span", { class: "soft mono" }, tool.serial),
      tool.certificate?.in_force
        ? h("span", { class: "mark mark-stored" }, say(gettext("certificate until %(day)s"), { day: tool.certificate.due_on }))
        : h("span", { class: "mark mark-refused" }, gettext("no certificate in force")))))) : h("p", { class: "soft" }, gettext("No instrument is planned for this job.")));
}

async function open(context, job, point, newest, asked) {
  const methods = context.worklist.methods.filter((method) => method.points.includes(point.kind));
  const again = newest && !["open", "refused"].includes(stateOf(newest));
  const actions = [];
  if (newest && ["open", "refused"].includes(newest.state)) actions.push({ label: gettext("Go on where it stopped"), value: `#/measure/${newest.id}` });
  for (const method of methods) {
    const words = again || point.current_session ? gettext("Measure again: %(method)s") : gettext("Measure: %(method)s");
    actions.push({ label: say(words, { method: method.words }), value: { method: method.method }, kind: actions.length ? "plain" : "" });
  }
  if (newest && again) actions.push({ label: gettext("Look at the readings"), value: `#/measure/${newest.id}`, kind: "plain" });
  if (point.layout) actions.push({ label: gettext("Holes and marks"), value: `#/marks/${job.id}/${point.id}`, kind: "plain" });
  if (point.kind === "fan") actions.push({ label: gettext("Fan and motor sheet"), value: `#/fan/${job.id}/${point.id}`, kind: "plain" });
  actions.push({ label: gettext("Photos and notes"), value: `#/photos/${job.id}/${point.id}`, kind: "plain" });
  actions.push({ label: gettext("Back"), value: null, kind: "plain" });
  const chosen = await ask({ title: point.tag, text: asked ? asked.reason : point.location, actions });
  if (typeof chosen === "string") context.go(chosen);
  else if (chosen) {
    const before = newest && again ? newest.id : asked?.session ?? point.current_session;
    const draft = await context.newSession(job.id, point.id, chosen.method, before ? { supersedes: { session: before, reason: "" } } : {});
    context.go(`#/measure/${draft.id}`);
  }
}
