/**
 * The field page: one shell that works without network. Views are modules with view() and title(); the address
 * after # says which.
 */

import "./words.js";
import { Account } from "./account.js";
import { ask, h, replace } from "./dom.js";
import { clock, stamp } from "./ids.js";
import { Offline, Outbox, SignedOut, request } from "./outbox.js";
import { StorageFull, openStore } from "./store.js";
import { keepTaps } from "./taps.js";
import { say } from "./words.js";

const ROUTES = {
  "": () => import("./day.js"),
  job: () => import("./job.js"),
  measure: () => import("./measure.js"),
  marks: () => import("./marks.js"),
  round: () => import("./round.js"),
  fan: () => import("./fan.js"),
  photos: () => import("./photos.js"),
  handover: () => import("./handover.js"),
};
const WORKLIST_EVERY = 120_000;
const CLOCK_WRONG = 120_000;

class Context {
  constructor(store) {
    this.store = store;
    this.account = new Account(store);
    this.worklist = null;
    this.skew = 0;
    this.fetched = 0;
    this.outbox = new Outbox({
      store,
      tokenOf: async (person) => this.account.tokenOf(person),
      uploadPhoto: async (...parts) => (await import("./photos.js")).uploadPhoto(...parts),
      onSignedOut: (person) => this.#ended(person),
    });
    this.outbox.afterwards = () => this.#fetchNews();
  }

  get person() {
    const one = this.account.person();
    return one && { id: one.id, name: one.name, units: this.worklist?.person?.units ?? (this.worklist?.company?.unit_system === "ip" ? "ip" : "si") };
  }

  now() {
    return new Date();
  }

  /** The job, its system and its point; null for what is not on the work list. */
  find(jobId, pointId) {
    const job = this.worklist?.jobs.find((one) => one.id === jobId);
    if (!job) return null;
    if (!pointId) return { job, system: null, point: null };
    for (const system of job.systems) {
      const point = system.points.find((one) => one.id === pointId);
      if (point) return { job, system, point };
    }
    return null;
  }

  method(name) {
    return this.worklist?.methods.find((one) => one.method === name) ?? null;
  }

  /** A request with the person's token. Throws Offline, SignedOut, Refused (outbox.js). */
  async api(path, options) {
    const person = this.account.person();
    if (!person) throw new SignedOut();
    try {
      return await request(person.token, path, options);
    } catch (error) {
      if (error instanceof SignedOut) await this.#ended(person.id);
      throw error;
    }
  }

  /** A session of the person, on the disk when this resolves. */
  newSession(job, point, method, more) {
    return this.store.newSession({ job, point, method, person: this.person.id, now: this.now(), more });
  }

  go(hash) {
    if (location.hash === hash) show();
    else location.hash = hash;
  }

  say(text) {
    const place = document.getElementById("said");
    replace(place, h("p", { class: "said" }, text));
    clearTimeout(this.saying);
    this.saying = setTimeout(() => replace(place), 6000);
  }

  refresh() {
    return show();
  }

  async open() {
    await this.account.load();
    await this.#stored();
  }

  async #stored() {
    const person = this.account.person();
    const kept = person ? await this.store.setting(`worklist:${person.id}`) : null;
    this.worklist = kept?.content ?? null;
    this.etag = kept?.etag ?? null;
    this.at = kept?.at ?? null;
  }

  async #ended(person) {
    await this.account.forget(person);
    await this.#stored();
    await show();
  }

  /** After each upload: a longer sign-in, the work list, and what the service made of the sessions. */
  async #fetchNews() {
    const person = this.account.person();
    if (!person) return false;
    try {
      await this.account.renew();
      const due = !this.worklist || Date.now() - this.fetched > WORKLIST_EVERY;
      if (due) await this.fetchWorklist();
      const asked = await this.#fetchStates(person);
      const handed = await (await import("./handover.js")).continueHandovers(this);
      return due || asked || handed;
    } catch (error) {
      if (!(error instanceof SignedOut)) throw error;
      await this.#ended(person.id);
      return false;
    }
  }

  /** Brings the work list up to date. Throws Offline, SignedOut, Refused. */
  async fetchWorklist() {
    const person = this.account.person();
    const answer = await request(person.token, "field/worklist", { headers: this.etag ? { "If-None-Match": this.etag } : {} });
    const served = Date.parse(answer.headers.get("Date"));
    if (served) this.skew = Date.now() - served;
    this.fetched = Date.now();
    this.at = stamp(new Date());
    if (answer.status === 304) {
      await this.store.setSetting(`worklist:${person.id}`, { content: this.worklist, etag: this.etag, at: this.at });
      return;
    }
    this.worklist = await answer.json();
    this.etag = answer.headers.get("ETag");
    await this.store.setSetting(`worklist:${person.id}`, { content: this.worklist, etag: this.etag, at: this.at });
    this.outbox.dispatchEvent(new Event("worklist"));
  }

  /** What the service made of the sessions that it has but had not evaluated when last asked. */
  async #fetchStates(person) {
    const open = (await this.store.sessions()).filter((row) => row.person === person.id && row.state === "stored" && !row.server?.evaluated);
    const jobs = new Set(open.map((row) => row.job));
    for (const job of jobs) {
      const found = await (await request(person.token, `field/jobs/${job}/state`)).json();
      const known = new Map(found.sessions.map((one) => [one.id, one]));
      for (const row of open.filter((one) => one.job === job && known.has(one.id))) {
        await this.store.change(row.id, (one) => { one.server = known.get(row.id); });
      }
    }
    return jobs.size > 0;
  }
}

let context = null;
let shown = null;
let turn = 0;
let changes = 0;
let redraw;

/** Something that views show has changed: the one that is open is drawn anew, if it follows. */
function changed() {
  changes += 1;
  if (shown?.live) drawSoon();
}

function drawSoon() {
  clearTimeout(redraw);
  redraw = setTimeout(() => { if (shown?.live) show(); }, 60); // whoever went on meanwhile keeps their page
}

/** Shows the view of the address; a later call wins over a slower earlier one. */
async function show() {
  turn += 1;
  const mine = turn, known = changes;
  const [name, ...params] = location.hash.replace(/^#\/?/, "").split("/").map(decodeURIComponent);
  const main = document.getElementById("main");
  let module, element;
  try {
    const signedIn = context.account.person();
    module = signedIn ? await (ROUTES[name] ?? ROUTES[""])() : await import("./entry.js");
    element = await module.view(context, ...params);
  } catch (error) {
    console.error(error);
    module = null;
    element = h("p", { class: "notice notice-error", role: "alert" }, error.message);
  }
  if (mine !== turn) {
    element.dispose?.();
    return;
  }
  shown?.dispose?.();
  const moved = shown?.address !== location.hash;
  shown = element;
  shown.address = location.hash;
  const heading = module?.title?.(context, ...params) ?? gettext("Field");
  document.title = `${heading} · Flowledger`;
  replace(document.getElementById("heading"), heading);
  replace(main, element);
  document.body.dataset.view = name || "day";
  document.getElementById("back").hidden = !name || !context.account.person();
  document.getElementById("back").href = module?.back?.(context, ...params) ?? "#/";
  if (moved) {
    scrollTo(0, 0);
    document.getElementById("heading").focus();
  }
  standing();
  if (shown.live && changes !== known) drawSoon(); // it was read before the change, and not open yet
}

/** The one line above all: network, what waits, clock. */
function standing() {
  const state = context.outbox.state();
  const parts = [
    state.online
      ? h("span", { class: "net" }, gettext("In contact"))
      : h("span", { class: "net off" }, gettext("No network")),
    state.waiting
      ? h("strong", {}, say(ngettext("%(count)s waits to be sent", "%(count)s wait to be sent", state.waiting), { count: state.waiting }))
      : h("span", {}, gettext("All is sent")),
  ];
  if (state.sending && state.waiting) parts.push(h("span", {}, gettext("sending…")));
  if (state.last_contact) parts.push(h("span", { class: "soft" }, say(gettext("last contact %(at)s"), { at: clock(state.last_contact) })));
  replace(document.getElementById("standing"), parts);
  const wrong = Math.abs(context.skew) > CLOCK_WRONG;
  replace(document.getElementById("clock"), wrong
    ? h("p", { class: "notice notice-warn" }, say(gettext("This tablet's clock is %(minutes)s min off. Set it before you measure: readings carry its time."), { minutes: Math.round(Math.abs(context.skew) / 60_000) }))
    : null);
}

function worker() {
  if (!("serviceWorker" in navigator)) return;
  let reloading = false;
  navigator.serviceWorker.addEventListener("controllerchange", () => {
    if (reloading || !navigator.serviceWorker.controller || !worker.had) { worker.had = true; return; }
    reloading = true;
    location.reload();
  });
  worker.had = Boolean(navigator.serviceWorker.controller);
  navigator.serviceWorker.ready.then(() => { document.documentElement.dataset.kept = "yes"; });
  navigator.serviceWorker.register("/field/worker.js", { scope: "/field/", updateViaCache: "none" }).then((registration) => {
    const offer = () => { if (registration.waiting && worker.had) news(registration); };
    offer();
    registration.addEventListener("updatefound", () => registration.installing?.addEventListener("statechange", offer));
    setInterval(() => registration.update().catch(() => null), 600_000);
  }).catch((error) => console.error(error));
}

/** A newer page waits: it is taken when the person says so; every entry is on the disk already. */
function news(registration) {
  replace(document.getElementById("update"), h("p", { class: "notice" },
    gettext("A newer version of this page is ready. "),
    h("button", { class: "button plain", type: "button", onclick: () => registration.waiting?.postMessage("take over") }, gettext("Use it now"))));
}

/** Errors that no view caught: a full disk above all. */
function unexpected(error) {
  if (error instanceof Offline || error instanceof SignedOut) return;
  if (error instanceof StorageFull) {
    ask({ title: gettext("No room on this tablet"), text: error.message, actions: [{ label: gettext("Understood"), value: true }] });
    return;
  }
  console.error(error);
  context?.say(error?.message ?? String(error));
}

async function start() {
  addEventListener("unhandledrejection", (event) => { event.preventDefault(); unexpected(event.reason); });
  keepTaps();
  context = new Context(await openStore());
  await context.open();
  navigator.storage?.persist?.();
  await leftOpen();
  context.outbox.addEventListener("change", standing);
  context.store.changed.addEventListener("change", changed);
  context.outbox.addEventListener("worklist", changed);
  addEventListener("hashchange", show);
  addEventListener("pageshow", (event) => { if (event.persisted) show(); });
  await show();
  worker();
  document.documentElement.dataset.ready = "yes";
  performance.mark("ready");
  context.outbox.wake();
}

/** Photos and notes whose page was ended by a kill, not by leaving it, go to be sent as if it had been left. */
async function leftOpen() {
  if (location.hash.startsWith("#/photos/")) return;
  for (const photo of await context.store.photos()) {
    if (photo.state === "open") await context.store.changePhoto(photo.id, (row) => { row.state = "ready"; });
  }
}

start().catch((error) => {
  replace(document.getElementById("main"), h("p", { class: "notice notice-error", role: "alert" },
    gettext("This page could not start: "), error.message));
  console.error(error);
});
