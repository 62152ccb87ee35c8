/**
 * The rounds of a system as the tablet knows them: what the service has, and what was read here since. The
 * service's plan is taken where it rests on the same readings; otherwise the tablet works out its own.
 */

import { airOf } from "./preview.js";
import { branchState, stands } from "./proportional.js";
import { siOf } from "./units.js";

/** Shares count as equal within this part of the tolerance, as the service has it. */
const EQUAL = 0.5;
const USUAL_TOLERANCE = 0.1;
const DUCTS = new Set(["plane", "duct"]);
const KEPT = new Set(["ready", "sent", "stored", "other"]);

/**
 * @typedef {object} Figure
 * @property {string} session @property {string} point @property {number} at ms
 * @property {number|null} value m³/s on the basis of the design @property {number|null} share
 * @property {number|null} shareU expanded @property {string} verdict @property {string} setting
 * @property {boolean} marked @property {string} done @property {boolean} moved @property {object|null} draft
 * @property {boolean} final whether the service computed it
 */

/** Where the balance of a system is kept between requests. */
export function keyOf(job, system) {
  return `balance:${job}:${system}`;
}

/**
 * Asks the service how the balance stands, when there is network; keeps the answer. Returns whether it is new.
 * Errors of the network are the caller's.
 */
export async function fetchBalance(context, job, system) {
  const kept = await context.store.setting(keyOf(job, system));
  const answer = await context.api(`field/jobs/${job}/systems/${system}/balance`, {
    headers: kept?.etag ? { "If-None-Match": kept.etag } : {},
  });
  if (answer.status === 304) return false;
  await context.store.setSetting(keyOf(job, system), { content: await answer.json(), etag: answer.headers.get("ETag") });
  return true;
}

/** The tree of a system, as the service grows it. */
export function treeOf(system) {
  const end = system.kind === "water" ? "valve" : "outlet";
  const byId = new Map(system.points.map((point) => [point.id, point]));
  const ups = (point) => {
    const found = [], seen = new Set([point.id]);
    for (let up = byId.get(point.parent); up && !seen.has(up.id); up = byId.get(up.parent)) { found.push(up); seen.add(up.id); }
    return found;
  };
  const carrying = new Set(system.points.filter((point) => point.kind === end).flatMap((point) => ups(point).map((up) => up.id)));
  const ends = system.points.filter((point) => point.kind === end && !carrying.has(point.id));
  const ducts = new Set(system.points.filter((point) => carrying.has(point.id) && (DUCTS.has(point.kind) || point.kind === end)).map((one) => one.id));
  const above = (point) => ups(point).find((up) => ducts.has(up.id))?.id ?? null;
  const roots = [...ducts].filter((id) => above(byId.get(id)) === null);
  const trunk = roots.length === 1 ? byId.get(roots[0]) : null;
  const under = (point) => { const up = above(point); return trunk && up === trunk.id ? null : up; };
  const branches = system.points.filter((point) => ducts.has(point.id) && point !== trunk);
  branches.sort((a, b) => ups(a).length - ups(b).length);
  return { trunk, branches, ends, above: new Map([...branches, ...ends].map((point) => [point.id, under(point)])), byId };
}

/**
 * Everything about a system: branches with their outlets, rounds, what to do next.
 * @returns {Promise<object>} {system, job, server, branches: [{id, tag, outlets, state, steps, stays, source, …}], fans}
 */
export async function modelOf(context, jobId, systemId) {
  const job = context.find(jobId)?.job;
  const system = job?.systems.find((one) => one.id === systemId);
  if (!system) return null;
  const kept = (await context.store.setting(keyOf(jobId, systemId)))?.content ?? null;
  const drafts = (await context.store.sessions(jobId)).filter((row) => KEPT.has(row.state));
  const tree = treeOf(system);
  const served = new Map((kept?.points ?? []).map((point) => [point.id, point]));
  const factors = factorsOf(tree, served);
  const place = { elevation: job.site.elevation_m, density: context.worklist.company.standard_density, instruments: job.instruments };
  const figures = new Map([...tree.branches, ...tree.ends].map((point) =>
    [point.id, roundsOf(point, served.get(point.id), drafts, factors, place)]));
  const fans = system.points.filter((point) => point.kind === "fan");
  const told = toldOf(tree, served, drafts);
  const moves = movesOf(tree, figures, told);
  const branches = [null, ...tree.branches].map((branch) =>
    branchOf(branch, tree, figures, moves, kept)).filter(Boolean);
  return { job, system, server: kept, tree, figures, branches, fans, factors, told, moves };
}

/** What a flow is multiplied by to be what the instrument shows: by point, and the usual one of the system. */
function factorsOf(tree, served) {
  const found = new Map();
  for (const point of tree.ends) {
    const known = (served.get(point.id)?.rounds ?? []).findLast((one) => one.flow_m3_s && one.shown_m3_s);
    if (known) found.set(point.id, known.shown_m3_s / known.flow_m3_s);
  }
  const all = [...found.values()];
  found.set("usual", all.length ? all.reduce((a, b) => a + b, 0) / all.length : null);
  return found;
}

/** The point's factor; before the service has told one, the hood's own, and on a standard basis by the air's density. */
export function factorOf(point, factors, place, body = null) {
  const known = factors.get(point.id) ?? factors.get("usual");
  if (known) return known;
  const hood = place.instruments.find((tool) => tool.id === body?.instruments?.hood);
  let flow = hood?.probe_factor ?? 1;
  if (point.design_basis === "standard" && body) {
    try {
      flow *= airOf(body, { elevation: place.elevation }).density / place.density;
    } catch { /* the air is not told: as shown */ }
  }
  return 1 / flow;
}

function roundsOf(point, served, drafts, factors, place) {
  const rows = (served?.rounds ?? []).map((one) => ({
    session: one.session, point: point.id, at: Date.parse(one.at), value: one.flow_m3_s, share: one.share,
    shareU: one.share_expanded, verdict: one.verdict ?? "", setting: one.setting, marked: one.marked,
    done: one.done, told: one.setting, moved: one.turned, accepted: one.accepted, final: one.outcome === "computed", draft: null,
  }));
  const known = new Map(rows.map((row) => [row.session, row]));
  for (const draft of drafts.filter((one) => one.point === point.id && one.method !== "fan_test")) {
    const row = known.get(draft.id);
    if (row) {
      row.draft = draft;
      if (row.value === null) Object.assign(row, localValue(point, draft, factors, place));
      continue;
    }
    rows.push(localFigure(point, draft, factors, place));
  }
  rows.sort((a, b) => a.at - b.at);
  let before = "";
  for (const row of rows) {
    const told = row.told ?? "";
    if (!row.final) row.moved = Boolean(row.done) || Boolean(told && before && told !== before);
    row.setting = told || before;
    before = row.setting;
  }
  return rows;
}

function localFigure(point, draft, factors, place) {
  const told = draft.body.adjustment ?? {};
  return {
    session: draft.id, point: point.id, at: Date.parse(draft.body.started_at), shareU: null, verdict: "",
    told: told.setting ?? "", setting: told.setting ?? "", marked: Boolean(told.marked), done: told.done ?? "",
    moved: false, accepted: null, final: false, draft, ...localValue(point, draft, factors, place),
  };
}

/** A hood's reading as a flow on the basis of the design: a preview, without the certificate's corrections. */
function localValue(point, draft, factors, place) {
  const result = draft.server?.result;
  if (result?.unit === "m3/s" && result.value !== null) return { value: result.value, share: result.share ?? shareOf(point, result.value) };
  if (draft.method !== "hood_reading") return { value: null, share: null };
  const shown = draft.body.readings.map((row) => siOf(row, "flow")).filter((one) => one !== null);
  if (!shown.length) return { value: null, share: null };
  const mean = shown.reduce((a, b) => a + b, 0) / shown.length;
  const value = mean / factorOf(point, factors, place, draft.body);
  return { value, share: shareOf(point, value) };
}

function shareOf(point, value) {
  return point.design_flow_m3_s ? value / point.design_flow_m3_s : null;
}

/** What was told of the dampers of branches with readings below them: by point, oldest first. */
function toldOf(tree, served, drafts) {
  const found = new Map([...tree.branches, ...tree.ends].map((point) => [point.id,
    (served.get(point.id)?.told ?? []).map((one) => ({ ...one, at: Date.parse(one.at) }))]));
  for (const draft of drafts) {
    for (const one of draft.body.turned ?? []) {
      const at = Date.parse(draft.body.started_at), rows = found.get(one.test_point);
      if (rows && !rows.some((row) => row.at === at)) rows.push({ ...one, at });
    }
  }
  for (const rows of found.values()) rows.sort((a, b) => a.at - b.at);
  return found;
}

/** When dampers were turned, by point. */
function movesOf(tree, figures, told) {
  return [...tree.branches, ...tree.ends].flatMap((point) => [
    ...figures.get(point.id).filter((one) => one.moved).map((one) => ({ point: point.id, at: one.at })),
    ...told.get(point.id).map((one) => ({ point: point.id, at: one.at })),
  ]);
}

function branchOf(branch, tree, figures, moves, kept) {
  const id = branch?.id ?? null;
  const ends = tree.ends.filter((end) => tree.above.get(end.id) === id);
  const planned = ends.filter((end) => end.design_flow_m3_s !== null);
  if (!planned.length) return null;
  const above = new Set();
  for (let up = id; up; up = tree.above.get(up)) above.add(up);
  const outside = moves.filter((one) => above.has(one.point)).map((one) => one.at);
  const tolerance = EQUAL * Math.min(...planned.flatMap((end) => [end.tolerance_below, end.tolerance_above]).filter(Boolean), 1 / 0)
    || EQUAL * USUAL_TOLERANCE;
  const outlets = planned.map((end) => ({
    tag: end.tag, point: end.id, design: end.design_flow_m3_s,
    damper: stands(figures.get(end.id).find((one) => one.told)?.told ?? ""),
  }));
  const rows = planned.flatMap((end) => figures.get(end.id));
  const state = branchState(outlets, rows, Number.isFinite(tolerance) ? tolerance : EQUAL * USUAL_TOLERANCE, outside);
  const point = branch ?? tree.trunk;
  const served = kept?.branches.find((one) => one.id === (point?.id ?? null));
  return { id, point, tag: point?.tag ?? "", outlets: ends, tolerance, state, ...stepsOf(state, served, planned) };
}

/** The service's steps where they rest on the survey that is the last here too; otherwise the tablet's. */
function stepsOf(state, served, planned) {
  const ids = new Map(planned.map((end) => [end.tag, end.id]));
  const same = served?.surveyed_at && state.until !== null && Math.abs(Date.parse(served.surveyed_at) - state.until) < 1;
  const steps = same && served.steps.length
    ? served.steps.map((step) => ({
      number: step.number, point: step.point, action: step.action, before: step.before.value, target: step.target.value,
      share: step.share, gain: step.gain, against: step.against, ...watchOf(state, planned, step.point),
      witness: step.witness && { point: ids.get(step.witness.tag), expected: step.witness.expected.value, gain_before: step.witness.gain_before, gain: step.witness.gain },
    }))
    : (state.plan?.steps ?? []).map((step) => ({ ...step, point: ids.get(step.tag), against: ids.get(step.against) ?? null, gain: 0, witness: null }));
  const open = steps.filter((step) => !state.turned.has(step.point));
  return {
    steps, open,
    stays: same ? served.stays_open : ids.get(state.plan?.reference) ?? null,
    source: same ? "service" : "tablet",
    remarks: same ? served.remarks : [],
  };
}

/** What the outlet that stays open shows before and after a step of the service's, by the tablet's own plan. */
function watchOf(state, planned, point) {
  const tag = planned.find((end) => end.id === point)?.tag;
  const own = state.plan?.steps.find((step) => step.tag === tag);
  return { watch: own?.watch ?? null, watchAfter: own?.watchAfter ?? null };
}

/** Outlets whose last reading is older than the last turning of another damper. */
export function staleOf(model) {
  const { moves } = model;
  return new Set(model.tree.ends.filter((end) => {
    const last = model.figures.get(end.id).findLast((one) => one.value !== null);
    return last && moves.some((one) => one.point !== end.id && one.at > last.at);
  }).map((end) => end.id));
}
