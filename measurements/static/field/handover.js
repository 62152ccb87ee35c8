/**
 * Handing a job over: what is missing, what is flagged, what is still on this tablet. Handing over waits until
 * the tablet's sessions and photos of the job are with the service, and then happens by itself.
 */

import { ask, h } from "./dom.js";
import { clock, stamp, uuid7 } from "./ids.js";
import { Offline, Refused, SignedOut } from "./outbox.js";
import { say } from "./words.js";

const ASK_EVERY = 10_000;
const SHORTEST = 10, LONGEST = 2000;
const NEEDED = new Set(["plane", "outlet"]);
const WAITS = new Set(["ready", "sent"]);
const asked = new Map();

export function title(context, jobId) {
  const found = context.find(jobId);
  return found ? say(gettext("Hand over job %(number)s"), { number: found.job.number }) : gettext("Hand over");
}

export function back(_context, jobId) {
  return `#/job/${jobId}`;
}

export async function view(context, jobId) {
  const found = context.find(jobId);
  if (!found) return h("p", { class: "notice notice-warn" }, gettext("This job is not on your work list."));
  const standing = await look(context, found.job);
  const element = h("div", { class: "stack-wide handover" },
    statusOf(context, found.job, standing),
    onTablet(context, standing),
    missing(context, found.job, standing),
    flagged(standing),
    h("p", { class: "soft" }, standing.at
      ? say(gettext("As the service knew it at %(at)s."), { at: clock(standing.at, context.now()) })
      : gettext("The service was not asked yet: there was no network. What stands here is what this tablet knows.")));
  element.live = true;
  news(context, jobId);
  const timer = setInterval(() => news(context, jobId), ASK_EVERY);
  element.dispose = () => clearInterval(timer);
  return element;
}

/** All that is known of a job here: the tablet's rows and what the service said last. */
async function look(context, job) {
  const kept = (await context.store.setting(stateKey(context, job.id))) ?? {};
  const told = { job, state: kept.state ?? null, deferred: kept.deferred ?? [], person: context.person.id };
  const [sessions, photos, plans, pending] = await Promise.all([
    context.store.sessions(job.id), context.store.photos(job.id), plansOf(context.store), pendingOf(context.store, job.id),
  ]);
  return {
    ...reckon({ ...told, sessions, photos, pending }),
    at: kept.at ?? null, plan: plans[job.id] ?? null, handed: kept.handed ?? null,
  };
}

const stateKey = (context, jobId) => `state:${context.person.id}:${jobId}`;
const plansOf = async (store) => (await store.setting("handovers")) ?? {};
const pendingOf = async (store, jobId) => ((await store.setting("deferrals")) ?? []).filter((one) => !jobId || one.job === jobId);

/**
 * What stands between a job and its hand over. Knows nothing of the page, the network or the clock.
 * @param {{job: any, state: any, deferred: any[], pending: any[], sessions: any[], photos: any[], person: string}} known
 */
export function reckon({ job, state, deferred, pending, sessions, photos, person }) {
  const points = job.systems.flatMap((system) => system.points.map((point) => ({ ...point, system: system.tag })));
  const known = new Map((state?.systems ?? []).flatMap((system) => system.points.map((point) => [point.id, point])));
  const held = new Set((state?.sessions ?? []).map((one) => one.id));
  const here = sessions.filter((row) => row.state !== "open" && row.state !== "refused" && !(row.state === "stored" && held.has(row.id)));
  const local = group(here);
  const left = leftForLater(deferred, pending, state, here);
  const lacks = (kind) => (state?.missing ?? []).filter((one) => one.kind === kind);
  const byId = new Map(points.map((point) => [point.id, point]));
  const place = (id) => byId.get(id) ?? { id, tag: gettext("a point that is not on the list any more"), system: "" };
  const done = (point) => local.has(point.id) || (state ? known.get(point.id)?.sessions.length > 0 : Boolean(point.current_session));
  const again = (state ? lacks("remeasure").map((one) => ({ ...one, session: flagOf(state, one.flag)?.session }))
    : job.remeasure).filter((one) => !here.some((row) => row.body.supersedes?.session && row.body.supersedes.session === one.session));
  return {
    unmeasured: points.filter((point) => (known.get(point.id)?.needed ?? NEEDED.has(point.kind)) && !done(point) && !left.has(point.id)),
    deferred: [...left.values()].map((one) => ({ ...one, point: place(one.test_point) })),
    again: again.map((one) => ({ point: place(one.test_point), reason: one.reason })),
    evaluation: lacks("evaluation").map((one) => place(one.test_point)),
    zeros: unique([...lacks("zero_check").map((one) => one.test_point), ...here.filter(lacksZero).map((row) => row.point)]).map(place),
    marks: unmarked(lacks("mark"), local).map(place),
    flags: flagsOf(state).map((flag) => ({ ...flag, point: flag.test_point ? place(flag.test_point) : null })),
    waiting: sessions.filter((row) => row.person === person && WAITS.has(row.state)),
    open: sessions.filter((row) => row.person === person && row.state === "open"),
    refused: sessions.filter((row) => row.person === person && (row.state === "refused" || row.state === "other")),
    others: sessions.filter((row) => row.person !== person && !["stored", "other"].includes(row.state)),
    photos: photos.filter((row) => row.person === person && WAITS.has(row.state)),
    photosLeft: photos.filter((row) => row.person === person && (row.state === "open" || row.state === "refused")),
    status: state?.status ?? job.status,
    place,
  };
}

function group(rows) {
  const found = new Map();
  for (const row of rows) found.set(row.point, [...(found.get(row.point) ?? []), row]);
  return found;
}

const unique = (values) => [...new Set(values)];

/** Points left for later, by their id: what the service has, unless measured since, and what waits to be sent. */
function leftForLater(deferred, pending, state, here) {
  const found = new Map();
  const since = (row) => (state?.sessions ?? []).some((one) => one.test_point === row.test_point && one.counts === "current" && Date.parse(one.received_at) > Date.parse(row.at));
  for (const row of deferred) if (row.season && !since(row)) found.set(row.test_point, { ...row, sent: true });
  for (const row of pending) found.set(row.body.test_point, { ...row.body, sent: false, error: row.error });
  for (const row of here) if (WAITS.has(row.state)) found.delete(row.point);
  return found;
}

function flagsOf(state) {
  if (!state) return [];
  const points = state.systems.flatMap((system) => system.points);
  const standing = state.sessions.filter((one) => one.stands);
  const all = [...standing.flatMap((one) => one.flags), ...points.flatMap((one) => one.flags), ...state.flags];
  const rank = { stop: 0, warning: 1, remark: 2 };
  return all.sort((a, b) => rank[a.severity] - rank[b.severity]);
}

function flagOf(state, id) {
  return flagsOf(state).find((flag) => flag.id === id);
}

/** Pressures of a manometer without a zero check before the first and after the last reading. */
export function lacksZero(row) {
  const { body } = row, tool = body.instruments?.pressure;
  const moments = [...body.readings.map((one) => one.taken_at), ...body.sweeps.map((one) => one.started_at)].map(Date.parse);
  if (!tool || !moments.length) return false;
  const middle = (Math.min(...moments) + Math.max(...moments)) / 2;
  const checks = body.zero_checks.filter((one) => one.instrument === tool).map((one) => Date.parse(one.at));
  return !checks.some((at) => at <= middle) || !checks.some((at) => at > middle);
}

/** Points whose damper lacks its mark: the service's, put right by what was told here since. */
function unmarked(lacks, local) {
  const found = new Set(lacks.map((one) => one.test_point));
  for (const [point, rows] of local) {
    const told = rows.filter((row) => row.body.adjustment?.setting);
    if (!told.length) continue;
    told.sort((a, b) => (a.body.started_at < b.body.started_at ? -1 : 1));
    if (told.at(-1).body.adjustment.marked) found.delete(point);
    else found.add(point);
  }
  return [...found];
}

// What the page shows

function statusOf(context, job, standing) {
  if (standing.status !== "open" || standing.handed) {
    return h("p", { class: "notice notice-good", role: "status" }, standing.handed
      ? say(gettext("Handed over at %(at)s. The supervisor looks at it now."), { at: clock(standing.handed, context.now()) })
      : gettext("This job is handed over. What is measured from now on comes to the supervisor all the same."));
  }
  const { plan } = standing;
  if (plan?.error) return h("div", { class: "notice notice-stop", role: "alert" }, h("p", {}, gettext("It was not handed over: "), plan.error), handButton(context, job, standing));
  if (plan) {
    return h("div", { class: "notice notice-warn", role: "status", id: "held" },
      h("p", {}, heldWords(context, standing)),
      h("div", { class: "actions" }, h("button", { class: "button plain", type: "button", onclick: () => drop(context, job.id) }, gettext("Do not hand over"))));
  }
  return handButton(context, job, standing);
}

function heldWords(context, standing) {
  const what = unsentWords(standing);
  const why = context.outbox.state().online ? gettext("Sending goes on.") : gettext("There is no network.");
  return what
    ? say(gettext("Handing over is held: %(what)s on this tablet. %(why)s The job is handed over by itself as soon as the service has all; you can go on meanwhile."), { what, why })
    : say(gettext("Handing over is held. %(why)s The job is handed over by itself as soon as the service answers."), { why: context.outbox.state().online ? gettext("It is being asked.") : why });
}

function unsentWords({ waiting, photos }) {
  const parts = [];
  if (waiting.length) parts.push(say(ngettext("%(count)s session is still", "%(count)s sessions are still", waiting.length), { count: waiting.length }));
  if (photos.length) parts.push(say(ngettext("%(count)s photo or note is still", "%(count)s photos or notes are still", photos.length), { count: photos.length }));
  return parts.join(gettext(" and "));
}

function handButton(context, job, standing) {
  return h("div", { class: "actions" }, h("button", { class: "button hand", type: "button", onclick: () => handOver(context, job, standing) }, gettext("Hand over for review")));
}

function onTablet(context, standing) {
  const rows = [
    ...standing.waiting.map((row) => [row, "ready", gettext("waits to be sent")]),
    ...standing.open.map((row) => [row, "open", gettext("being measured, not finished")]),
    ...standing.refused.map((row) => [row, "refused", row.state === "other" ? gettext("known with other content") : row.errors?.[0]?.detail ?? gettext("refused")]),
  ];
  const photos = standing.photos.length + standing.photosLeft.length;
  if (!rows.length && !photos && !standing.others.length) return null;
  return h("section", { "aria-labelledby": "on-tablet" },
    h("h2", { id: "on-tablet" }, gettext("Still on this tablet")),
    h("ul", { class: "rows" },
      rows.map(([row, mark, words]) => h("li", {}, h("a", { href: `#/measure/${row.id}` },
        h("span", { class: "row-name" }, standing.place(row.point).tag),
        h("span", { class: "soft" }, standing.place(row.point).system, " ", clock(row.created_at, context.now())),
        h("span", { class: `mark mark-${mark} wide` }, words)))),
      standing.photos.length ? h("li", {}, h("div", { class: "row" }, h("span", { class: "mark mark-ready wide" },
        say(ngettext("%(count)s photo or note is not uploaded yet", "%(count)s photos or notes are not uploaded yet", standing.photos.length), { count: standing.photos.length })))) : null,
      standing.photosLeft.map((row) => h("li", {}, h("a", { href: `#/photos/${row.job}/${row.point}` },
        h("span", { class: "row-name" }, standing.place(row.point).tag),
        h("span", { class: `mark mark-${row.state} wide` }, row.state === "open"
          ? gettext("a photo that is not described yet")
          : say(gettext("a photo was refused: %(why)s"), { why: row.errors?.[0]?.detail ?? "" }))))),
      standing.others.length ? h("li", {}, h("div", { class: "row" }, h("span", { class: "mark mark-ready wide" },
        say(ngettext("%(count)s session of somebody else waits until they sign in here", "%(count)s sessions of others wait until they sign in here", standing.others.length), { count: standing.others.length })))) : null));
}

function missing(context, job, standing) {
  const open = standing.status === "open" && !standing.handed;
  const parts = [
    part(gettext("Not measured yet"), standing.unmeasured.map((point) => h("li", {}, h("div", { class: "row" },
      name(point), h("span", { class: "soft" }, point.location ?? ""),
      open ? h("button", { class: "button plain later", type: "button", "aria-label": say(gettext("Leave %(tag)s for later"), { tag: point.tag }), onclick: () => leave(context, job, point) }, gettext("Leave for later")) : null)))),
    part(gettext("To be measured again"), standing.again.map(({ point, reason }) => place(point, reason))),
    part(gettext("Zero not checked before and after"), standing.zeros.map((point) => place(point))),
    part(gettext("Final damper position not marked"), standing.marks.map((point) => place(point))),
    part(gettext("Not evaluated yet"), standing.evaluation.map((point) => place(point))),
    part(gettext("Left for later"), standing.deferred.map((one) => place(one.point, `${seasons()[one.season] ?? one.season}: ${one.reason}`,
      one.error ? h("span", { class: "mark mark-refused wide" }, one.error) : one.sent ? null : h("span", { class: "mark mark-ready wide" }, gettext("waits to be sent"))))),
  ].filter(Boolean);
  return h("section", { "aria-labelledby": "missing" },
    h("h2", { id: "missing" }, parts.length ? gettext("Missing") : gettext("Nothing is missing")),
    parts);
}

function part(heading, rows) {
  return rows.length ? [h("h3", {}, heading, " ", h("span", { class: "soft" }, rows.length)), h("ul", { class: "rows" }, rows)] : null;
}

const name = (point) => h("span", { class: "row-name" }, point.tag, " ", h("span", { class: "soft" }, point.system));

function place(point, words = "", more = null) {
  return h("li", {}, h("div", { class: "row" }, name(point), words ? h("span", { class: "wide" }, words) : null, more));
}

function flagged({ flags }) {
  const heavy = flags.filter((flag) => flag.severity !== "remark");
  const light = flags.length - heavy.length;
  if (!flags.length) return null;
  return h("section", { "aria-labelledby": "flagged" },
    h("h2", { id: "flagged" }, gettext("Flagged already")),
    h("p", { class: "soft" }, gettext("Measure again now where you can: once you have left the site it costs another trip.")),
    heavy.length ? h("ul", { class: "rows" }, heavy.map((flag) => h("li", {}, h("div", { class: "row" },
      flag.point ? name(flag.point) : h("span", { class: "row-name" }, gettext("The job")),
      h("span", { class: `mark ${flag.severity === "stop" ? "mark-refused" : "mark-flagged"}` }, flag.severity === "stop" ? gettext("must be answered") : gettext("should be answered")),
      h("span", { class: "wide" }, flag.seen),
      h("span", { class: "wide soft" }, flag.advice))))) : null,
    light ? h("p", { class: "soft" }, say(ngettext("and %(count)s remark for information", "and %(count)s remarks for information", light), { count: light })) : null);
}

// What the person does

async function handOver(context, job, standing) {
  const lines = [
    [standing.unmeasured, (n) => ngettext("%(count)s point is not measured.", "%(count)s points are not measured.", n)],
    [standing.again, (n) => ngettext("%(count)s point was to be measured again.", "%(count)s points were to be measured again.", n)],
    [standing.open, (n) => ngettext("%(count)s session is not finished and is not handed over.", "%(count)s sessions are not finished and are not handed over.", n)],
    [standing.refused, (n) => ngettext("%(count)s session was refused and is not handed over.", "%(count)s sessions were refused and are not handed over.", n)],
    [standing.others, (n) => ngettext("%(count)s session of somebody else stays on this tablet.", "%(count)s sessions of others stay on this tablet.", n)],
    [standing.photosLeft, (n) => ngettext("%(count)s photo is refused or not described and is not handed over.", "%(count)s photos are refused or not described and are not handed over.", n)],
  ].filter(([rows]) => rows.length).map(([rows, words]) => h("li", {}, say(words(rows.length), { count: rows.length })));
  const unsent = unsentWords(standing);
  const chosen = await ask({
    title: say(gettext("Hand over %(number)s %(title)s?"), job),
    text: [
      lines.length ? h("ul", { class: "plain-list" }, lines) : null,
      unsent ? h("p", {}, say(gettext("%(what)s on this tablet. What waits is sent first, then the job is handed over."), { what: unsent })) : null,
      h("p", {}, gettext("The supervisor reviews it then and may send points back. This cannot be taken back here.")),
    ].filter(Boolean).reduce((box, one) => { box.append(one); return box; }, h("div", { class: "stack" })),
    actions: [{ label: gettext("Hand over"), value: true }, { label: gettext("Back"), value: null, kind: "plain" }],
  });
  if (!chosen) return;
  const plan = { person: context.person.id, key: uuid7(), asked_at: stamp(context.now()), error: "" };
  await changePlan(context.store, job.id, () => plan);
  context.outbox.wake();
}

const drop = (context, jobId) => changePlan(context.store, jobId, () => undefined);

/** Changes the plan to hand over one job, and no other's, which may have come meanwhile. */
function changePlan(store, jobId, fn) {
  return store.changeSetting("handovers", (kept = {}) => {
    const { [jobId]: plan, ...others } = kept;
    const next = fn(plan);
    return next ? { ...others, [jobId]: next } : others;
  });
}

function seasons() {
  return {
    heating: gettext("Heating season"), cooling: gettext("Cooling season"),
    occupied: gettext("Building in use"), access: gettext("Access or plant ready"),
  };
}

async function leave(context, job, point) {
  const given = { season: "heating", reason: "", fault: "" };
  for (;;) {
    const season = h("select", { id: "season" }, Object.entries(seasons()).map(([key, words]) => h("option", { value: key }, words)));
    season.value = given.season;
    const reason = h("textarea", { id: "reason", rows: 3, maxlength: LONGEST, value: given.reason });
    const chosen = await ask({
      title: say(gettext("Leave %(tag)s for later"), { tag: point.tag }),
      text: h("div", { class: "stack" },
        h("label", { class: "field" }, gettext("It waits for"), season),
        h("label", { class: "field" }, gettext("Reason, printed in the report"), reason),
        given.fault ? h("p", { class: "error", role: "alert" }, given.fault) : null),
      actions: [{ label: gettext("Leave it for later"), value: true }, { label: gettext("Back"), value: null, kind: "plain" }],
    });
    if (!chosen) return;
    given.season = season.value;
    given.reason = reason.value.trim();
    if (given.reason.length >= SHORTEST) break;
    given.fault = say(gettext("Say why in %(least)s characters or more."), { least: SHORTEST });
  }
  const body = { test_point: point.id, season: given.season, reason: given.reason };
  const row = { job: job.id, person: context.person.id, key: uuid7(), body, error: "" };
  await context.store.changeSetting("deferrals", (kept = []) => [...kept, row]);
  context.outbox.wake();
}

// What the service is asked and told

/** Asks how the job stands, at most once in a while; keeps the answer. */
async function news(context, jobId) {
  const key = stateKey(context, jobId);
  if (!navigator.onLine || Date.now() - (asked.get(key) ?? 0) < ASK_EVERY - 500) return;
  asked.set(key, Date.now());
  await fetchState(context, jobId).catch((error) => {
    if (!(error instanceof Offline || error instanceof SignedOut || error instanceof Refused)) throw error;
  });
}

async function fetchState(context, jobId) {
  const key = stateKey(context, jobId);
  const kept = (await context.store.setting(key)) ?? {};
  const answer = await context.api(`field/jobs/${jobId}/state`, { headers: kept.etag ? { "If-None-Match": kept.etag } : {} });
  const { items } = await (await context.api(`jobs/${jobId}/deferrals`)).json();
  const fresh = answer.status === 304 ? kept.state : await answer.json();
  if (answer.status === 304 && JSON.stringify(items) === JSON.stringify(kept.deferred) && Date.now() - Date.parse(kept.at) < 60_000) return;
  const etag = answer.headers.get("ETag") ?? kept.etag;
  await context.store.changeSetting(key, (now) => {
    const meanwhile = now?.handed && now.handed !== kept.handed; // handed over after the service looked
    const handed = fresh.status === "open" && !meanwhile ? null : now?.handed ?? null;
    return { ...now, state: fresh, etag, deferred: items, handed, at: stamp(new Date()) };
  });
}

/**
 * Goes on with what waited for the network: points left for later, then jobs to hand over whose sessions and
 * photos are all with the service. Called after each upload. Returns whether anything was done.
 */
export async function continueHandovers(context) {
  const sent = await sendDeferrals(context);
  const plans = await plansOf(context.store);
  let done = sent;
  for (const [jobId, plan] of Object.entries(plans)) {
    if (plan.person !== context.person?.id || plan.error || await waits(context, jobId)) continue;
    await submit(context, jobId, plan);
    done = true;
  }
  return done;
}

/** Whether something of the person on this job is on its way still. */
async function waits(context, jobId) {
  const mine = (row) => row.person === context.person.id;
  const sessions = (await context.store.sessions(jobId)).filter((row) => mine(row) && WAITS.has(row.state));
  const photos = (await context.store.photos(jobId)).filter((row) => mine(row) && WAITS.has(row.state));
  const pending = (await pendingOf(context.store, jobId)).filter((row) => mine(row) && !row.error);
  return sessions.length + photos.length + pending.length > 0;
}

async function submit(context, jobId, plan) {
  const asked = (now) => now?.key === plan.key;
  try {
    await context.api(`jobs/${jobId}/submit`, { method: "POST", headers: { "Idempotency-Key": plan.key } });
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    await changePlan(context.store, jobId, (now) => (asked(now) ? { ...plan, error: error.message } : now));
    return;
  }
  await context.store.changeSetting(stateKey(context, jobId), (now) => ({ ...now, handed: stamp(new Date()) }));
  await changePlan(context.store, jobId, (now) => (asked(now) ? undefined : now));
  await context.fetchWorklist();
}

async function sendDeferrals(context) {
  let done = false;
  for (const row of await pendingOf(context.store)) {
    if (row.person !== context.person?.id || row.error) continue;
    let error = "";
    try {
      await context.api(`jobs/${row.job}/deferrals`, { method: "POST", json: row.body, headers: { "Idempotency-Key": row.key } });
    } catch (failure) {
      if (!(failure instanceof Refused)) throw failure;
      error = failure.message;
    }
    if (!error) await fetchState(context, row.job);
    await context.store.changeSetting("deferrals", (kept = []) => {
      const rest = kept.filter((one) => one.key !== row.key);
      return error ? [...rest, { ...row, error }] : rest;
    });
    done = true;
  }
  return done;
}
