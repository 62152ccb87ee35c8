/** The day: what now, where, with which instrument; what is not yet sent. */

import { h } from "./dom.js";
import { clock } from "./ids.js";
import { stateMark } from "./states.js";
import { say } from "./words.js";

export function title() {
  return gettext("Today");
}

export async function view(context) {
  const sessions = (await context.store.sessions()).filter((row) => row.person === context.person.id);
  const others = (await context.store.sessions()).filter((row) => row.person !== context.person.id && row.state !== "stored");
  const today = localDay(context.now());
  const jobs = context.worklist?.jobs ?? [];
  const now = jobs.filter((job) => job.starts_on <= today && job.ends_on >= today);
  const later = jobs.filter((job) => job.starts_on > today);
  const before = jobs.filter((job) => job.ends_on < today);
  const element = h("div", { class: "stack-wide" },
    context.worklist ? null : h("p", { class: "lead" }, gettext("The work list comes as soon as there is network.")),
    unsent(context, sessions),
    others.length ? h("p", { class: "notice notice-warn" }, say(ngettext(
      "%(count)s session of somebody else waits on this tablet until they sign in on it again.",
      "%(count)s sessions of others wait on this tablet until they sign in on it again.", others.length), { count: others.length })) : null,
    list(context, gettext("Now"), now, sessions, context.worklist ? gettext("No job is planned for you today.") : ""),
    list(context, gettext("Next"), later, sessions),
    list(context, gettext("Before"), before, sessions),
    foot(context, await room()),
  );
  element.live = true;
  return element;
}

function localDay(date) {
  const two = (number) => String(number).padStart(2, "0");
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
}

function unsent(context, sessions) {
  const rows = sessions.filter((row) => !["stored"].includes(row.state));
  if (!rows.length) return null;
  return h("section", { "aria-labelledby": "unsent" },
    h("h2", { id: "unsent" }, gettext("Not sent yet")),
    h("ul", { class: "rows" }, rows.map((row) => {
      const found = context.find(row.job, row.point);
      return h("li", {}, h("a", { href: `#/measure/${row.id}` },
        h("span", { class: "row-name" }, found?.point?.tag ?? gettext("a point that is not on the list any more")),
        h("span", { class: "soft" }, found?.system?.tag ?? "", " ", clock(row.created_at, context.now())),
        stateMark(row)));
    })));
}

function list(context, heading, jobs, sessions, empty = "") {
  if (!jobs.length && !empty) return null;
  return h("section", {},
    h("h2", {}, heading),
    jobs.length ? h("ul", { class: "rows" }, jobs.map((job) => row(job, sessions))) : h("p", { class: "soft" }, empty));
}

function row(job, sessions) {
  const points = job.systems.flatMap((system) => system.points);
  const mine = new Set(sessions.filter((one) => one.job === job.id && one.state !== "open").map((one) => one.point));
  const done = points.filter((point) => point.current_session || mine.has(point.id)).length;
  const days = job.starts_on === job.ends_on ? job.starts_on : `${job.starts_on} – ${job.ends_on}`;
  return h("li", {}, h("a", { href: `#/job/${job.id}` },
    h("span", { class: "row-name" }, h("span", { class: "soft" }, job.number), " ", job.title),
    h("span", { class: "soft" }, job.site.name, ", ", days),
    h("span", { class: "number" }, say(gettext("%(done)s of %(all)s points"), { done, all: points.length })),
    job.remeasure.length ? h("span", { class: "mark mark-refused" }, say(ngettext("%(count)s to measure again", "%(count)s to measure again", job.remeasure.length), { count: job.remeasure.length })) : null,
    h("span", { class: "soft wide" }, job.instruments.map((tool) => `${tool.name} ${tool.serial}`).join(" · "))));
}

async function room() {
  const found = await navigator.storage?.estimate?.().catch(() => null);
  if (!found?.quota) return null;
  return { free: Math.max(0, found.quota - found.usage) / 1024 ** 2, kept: await navigator.storage.persisted?.() };
}

function foot(context, space) {
  const lines = [];
  if (context.at) lines.push(say(gettext("Work list of %(at)s."), { at: clock(context.at, context.now()) }));
  if (space) lines.push(say(gettext("%(free)s MB free for readings and pictures."), { free: Math.floor(space.free) }));
  return h("section", { class: "account" },
    space && space.free < 50 ? h("p", { class: "notice notice-warn" }, gettext("The tablet is nearly full. Let it send what waits and free some space.")) : null,
    h("p", { class: "soft" }, lines.join(" ")),
    h("div", { class: "actions" },
      h("span", {}, context.person.name),
      h("button", { class: "button plain", type: "button", onclick: async () => { await fetchNow(context); } }, gettext("Fetch the work list")),
      h("button", { class: "button plain", type: "button", onclick: async () => { await context.account.signOut(); await context.open(); await context.refresh(); } }, gettext("Sign out"))));
}

async function fetchNow(context) {
  try {
    await context.fetchWorklist();
    context.say(gettext("The work list is up to date."));
    await context.refresh();
  } catch {
    context.say(gettext("There is no network, or the service does not answer. The list from before is shown."));
  }
}
