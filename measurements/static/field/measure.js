/** One session from caution to result on one page, every key kept at once. */

import { h, replace } from "./dom.js";
import { airStep, toldStep, zeroStep } from "./told.js";
import { readingsStep } from "./grid.js";
import { stamp } from "./ids.js";
import { obvious } from "./instruments.js";
import { ductStep, marksStep } from "./plane.js";
import { readyStep } from "./ready.js";
import { resultStep } from "./result.js";
import { layoutOf, missing, stepsOf } from "./session.js";
import { sweepsStep } from "./swept.js";
import { systemOf } from "./units.js";
import { say } from "./words.js";

const STEPS = {
  ready: readyStep, told: toldStep, duct: ductStep, marks: marksStep, air: airStep, zero: (m) => zeroStep(m, "before"),
  readings: readingsStep, sweeps: sweepsStep, zero_after: (m) => zeroStep(m, "after"), result: resultStep,
};

function stepWords() {
  return {
    ready: gettext("Ready"), told: gettext("Plates and tables"), duct: gettext("Duct"), marks: gettext("Holes and marks"), air: gettext("Air"),
    zero: gettext("Zero"), readings: gettext("Readings"), sweeps: gettext("Sweeps"), zero_after: gettext("Zero after"), result: gettext("Result"),
  };
}

/** The route's view. */
export async function view(context, id) {
  const draft = await context.store.session(id);
  if (!draft) return h("p", { class: "notice notice-warn" }, gettext("This session is not on this tablet."));
  const found = context.find(draft.job, draft.point), kind = context.method(draft.method);
  if (!found?.point || !kind) {
    return h("p", { class: "notice notice-warn" }, gettext("The job of this session is not on this tablet any more. What was entered is kept and sent."));
  }
  const measuring = new Measuring(context, draft, found, kind);
  await measuring.begin();
  return measuring.root;
}

export function title(context, id) {
  return context.measuring === id ? context.measuringTitle : gettext("Measure");
}

export function back(context, id) {
  return context.measuring === id ? `#/job/${context.measuringJob}` : "#/";
}

/** A session being measured: what every step of the page works with. */
class Measuring {
  constructor(context, draft, found, kind) {
    Object.assign(this, { context, draft, found, kind });
    this.steps = stepsOf(kind);
    this.system = systemOf(context.person?.units);
    this.writes = Promise.resolve();
    this.ends = [];
    this.stamps = {};
    this.root = h("div", { class: "measure" });
    this.root.dispose = () => this.dispose();
    this.nav = h("nav", { class: "steps", "aria-label": gettext("Steps of the session") });
    this.place = h("div", { class: "step" });
    context.measuring = draft.id;
    context.measuringJob = draft.job;
    context.measuringTitle = `${found.system.tag} · ${found.point.tag}`;
  }

  get body() { return this.draft.body; }

  get view() { return this.draft.view; }

  /** A session that the service has, or that waits for it, is not changed any more. */
  get editable() { return this.draft.state === "open" || this.draft.state === "refused"; }

  get step() {
    if (!this.editable || (this.draft.state === "refused" && !this.view.step)) return "result";
    return this.steps.includes(this.view.step) ? this.view.step : this.steps[0];
  }

  async begin() {
    replace(this.root, h("p", { class: "measure-what" }, h("strong", {}, this.kind.words), h("span", { class: "soft" }, [this.found.point.location, this.found.system.name].filter(Boolean).join(", "))), this.nav, this.place);
    if (this.editable) await this.prepare();
    const heard = () => this.heard();
    this.context.store.changed?.addEventListener("change", heard);
    this.onEnd(() => this.context.store.changed?.removeEventListener("change", heard));
    this.redraw();
    // who comes back goes on typing where they were; the page is in place after this turn
    setTimeout(() => this.place.querySelector(".keypad")?.focus());
  }

  /** What needs no asking: instruments that alone suit a use, and the session that this one may replace. */
  async prepare() {
    const { job, point } = this.found;
    const asked = job.remeasure?.find((one) => one.test_point === point.id);
    const rows = (await this.context.store.sessions(this.draft.job)).filter((one) =>
      one.id !== this.draft.id && one.point === this.draft.point && one.method === this.draft.method && ["ready", "sent", "stored"].includes(one.state));
    rows.sort((a, b) => (a.body.started_at < b.body.started_at ? 1 : -1));
    const given = this.body.supersedes?.session ?? null;
    this.before = asked?.session ?? rows[0]?.id ?? given ?? point.current_session ?? null;
    if (this.view.begun) return;
    const earlier = given ? await this.context.store.session(given) : null;
    const chosen = obvious(job.instruments, this.kind.uses, this.today());
    await this.change((body, view) => {
      view.begun = true;
      body.instruments = { ...chosen, ...body.instruments };
      if (asked) view.asked = asked.reason;
      const otherMethod = earlier && earlier.method !== this.draft.method;
      if (asked?.session) body.supersedes = { session: asked.session, reason: body.supersedes?.reason || asked.reason.slice(0, 2000) };
      else if (otherMethod && !body.supersedes.reason) body.supersedes = null;
      else if (!body.supersedes && rows.length) body.supersedes = { session: this.before, reason: "" };
    });
  }

  /** The day at the tablet, as certificates count it. */
  today() {
    return stamp(this.context.now()).slice(0, 10);
  }

  tool(use) {
    return this.found.job.instruments.find((one) => one.id === this.body.instruments[use]) ?? null;
  }

  /** What a preview needs to know beside the session. */
  circumstances() {
    const factor = this.tool("probe")?.probe_factor ?? (this.kind.method === "hood_reading" ? this.tool("hood")?.probe_factor : null);
    return { elevation: this.found.job.site.elevation_m, standardDensity: this.context.worklist.company.standard_density, probeFactor: factor ?? null };
  }

  /**
   * Changes the session: seen at once, and on the disk when the promise resolves. `fn(body, view)` runs on
   * both and must do the same each time.
   */
  change(fn) {
    if (!this.editable) return Promise.reject(new Error(gettext("This session is finished; measure the point again.")));
    fn(this.body, this.view);
    const write = () => this.context.store.change(this.draft.id, (row) => {
      if (row.state !== "open" && row.state !== "refused") throw new Error(gettext("This session is finished; measure the point again."));
      fn(row.body, row.view);
    });
    const done = this.writes.then(write, write);
    this.writes = done;
    done.catch(() => this.reread());
    return done;
  }

  /** After a write that failed: what is on the disk is shown, so that nothing seems kept that is not. */
  async reread() {
    const row = await this.context.store.session(this.draft.id);
    if (!row) return;
    this.draft = row;
    this.redraw();
  }

  /** Every change so far is on the disk. */
  settled() {
    return this.writes;
  }

  /** A zero check; its moment is that of its first digit. */
  putZero(body, view, which, figure, instrument) {
    const at = view.zero?.[which] ?? (this.stamps[which] ??= stamp(this.context.now()));
    body.zero_checks = body.zero_checks.filter((check) => check.at !== at);
    if (!figure) return;
    body.zero_checks.push({ at, ...figure, instrument });
    body.zero_checks.sort((a, b) => (a.at < b.at ? -1 : 1));
    view.zero = { ...view.zero, [which]: at };
  }

  async go(step) {
    if (!this.editable) return undefined;
    await this.place.querySelector(".keypad")?.idle();
    return this.change((_body, view) => Object.assign(view, { step, field: null, typed: "" })).then(() => {
      this.redraw();
      if (!this.place.querySelector(".keypad")) this.place.querySelector("h2").focus({ preventScroll: true });
      this.root.scrollIntoView?.({ block: "start" });
    });
  }

  /** The focus goes to the way on, which a keyboard or a tap then takes; a figure typed there is one more reading. */
  toNext() {
    this.progress();
    const next = this.place.querySelector(".step-next"), pad = this.place.querySelector(".keypad");
    next?.focus();
    if (!next || !pad || next.dataset.typed) return;
    next.dataset.typed = "on";
    next.addEventListener("keydown", (event) => {
      if (!/^[0-9.,-]$/.test(event.key) || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      pad.typed(event.key);
    });
  }

  link(step) {
    return h("button", { type: "button", class: "button plain quiet-link", onclick: () => this.go(step) }, say(gettext("Go to: %(step)s"), { step: stepWords()[step] }));
  }

  onDispose(fn) { this.ends.push(fn); }

  onEnd(fn) { (this.last ??= []).push(fn); }

  leaveStep() {
    for (const end of this.ends.splice(0)) end();
  }

  dispose() {
    this.leaveStep();
    for (const end of this.last ?? []) end();
  }

  redraw = () => {
    this.leaveStep();
    const step = this.step, words = stepWords(), index = this.steps.indexOf(step);
    const { main, pad = null } = STEPS[step](this);
    const next = this.steps[index + 1], before = this.steps[index - 1];
    replace(this.place,
      h("h2", { tabindex: "-1" }, words[step]),
      h("div", { class: `step-body ${pad ? "has-pad" : ""}` }, h("div", { class: "step-main" }, main,
        this.editable ? h("div", { class: "step-ways" },
          before ? h("button", { type: "button", class: "button plain", onclick: () => this.go(before) }, say(gettext("Back: %(step)s"), { step: words[before] })) : null,
          next ? h("button", { type: "button", class: "button big step-next", onclick: () => this.go(next) }, say(gettext("Next: %(step)s"), { step: words[next] })) : null) : null),
      pad ? h("div", { class: "step-pad" }, pad) : null));
    this.progress();
    if (pad) pad.focus();
  };

  /** The steps with what is still missing in each. */
  progress() {
    const words = stepWords(), lacks = new Set(this.editable ? missing(this.body, this.kind).map((one) => one.step) : []);
    const index = this.steps.indexOf(this.step);
    replace(this.nav, h("ol", {}, this.steps.map((step, n) => {
      const now = n === index, seen = n < index;
      const state = now ? gettext("now") : lacks.has(step) ? gettext("open") : seen ? gettext("done") : "";
      return h("li", { class: now ? "is-now" : lacks.has(step) ? "is-open" : seen ? "is-done" : "" },
        h("button", { type: "button", "aria-current": now ? "step" : null, disabled: !this.editable, onclick: () => this.go(step) },
          h("span", { class: "step-name" }, words[step]), h("span", { class: "step-state" }, state)));
    })));
  }

  /** Something in the store changed: perhaps the service answered for this session. */
  async heard() {
    const row = await this.context.store.session(this.draft.id);
    if (!row || (row.state === this.draft.state && row.server === this.draft.server)) return;
    const told = JSON.stringify([row.state, row.server, row.errors]);
    if (told === JSON.stringify([this.draft.state, this.draft.server, this.draft.errors])) return;
    Object.assign(this.draft, { state: row.state, server: row.server, errors: row.errors, outcome: row.outcome });
    if (!this.editable || row.state === "refused") this.redraw();
  }

  /** The layout as it was measured is written out, then the session goes to be sent. */
  async finish() {
    if (this.kind.plane && this.body.plane.rule) {
      const { lines, points } = layoutOf(this.body.plane), swept = this.kind.swept;
      await this.change((body) => Object.assign(body.plane, { lines, points: swept ? undefined : points }));
    }
    await this.settled();
    this.draft = await this.context.outbox.finish(this.draft.id);
    this.context.say(gettext("Finished. It goes to the service as soon as there is network."));
    this.redraw();
  }

  async measureAgain() {
    const more = { supersedes: { session: this.draft.id, reason: "" }, instruments: this.body.instruments, plane: this.body.plane, told: this.body.told };
    const made = await this.context.newSession(this.draft.job, this.draft.point, this.draft.method, structuredClone(more));
    this.context.go(`#/measure/${made.id}`);
  }
}

