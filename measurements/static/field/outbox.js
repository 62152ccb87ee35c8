/**
 * Brings what the tablet keeps to the service: each session until the service has answered for it, each photo
 * part by part. A repeat is harmless there, so nothing is taken off the list on a guess.
 */

import { stamp, uuid7 } from "./ids.js";

const SESSIONS = 20, FIGURES = 4000;
const RHYTHM = 15_000, LONGEST = 60_000;
const ASK_AGAIN = 5_000;

/** There is no network, or the service does not answer. */
export class Offline extends Error {}

/** The service does not know this person on this tablet any more. */
export class SignedOut extends Error {}

/** The service answered no; `problem` is its RFC 9457 problem. */
export class Refused extends Error {
  constructor(status, problem) {
    super(problem?.detail ?? `${status}`);
    this.status = status;
    this.problem = problem ?? {};
  }
}

/**
 * One request to the service. Throws Offline, SignedOut, Refused.
 * @param {string} token
 * @param {string} path below /api/v1/
 * @param {{method?: string, json?: any, body?: any, headers?: Object<string, string>, signal?: AbortSignal}} [options]
 */
export async function request(token, path, { method = "GET", json, body, headers = {}, signal } = {}) {
  const head = { Accept: "application/json", ...headers };
  if (token) head.Authorization = `Bearer ${token}`;
  if (json !== undefined) head["Content-Type"] = "application/json";
  if (method === "POST" && !head["Idempotency-Key"]) head["Idempotency-Key"] = uuid7();
  let answer;
  try {
    answer = await fetch(`/api/v1/${path}`, {
      method, headers: head, body: json === undefined ? body : JSON.stringify(json), signal,
      cache: "no-store", credentials: "omit", redirect: "error",
    });
  } catch (error) {
    throw new Offline(error.message);
  }
  if (answer.ok || answer.status === 304) return answer;
  if (answer.status === 401) throw new SignedOut();
  const problem = await answer.json().catch(() => null);
  const later = answer.headers.get("Retry-After"); // also with 409: somebody else holds the row just now
  if (later !== null || answer.status === 429 || answer.status >= 500) {
    throw Object.assign(new Offline(problem?.detail ?? String(answer.status)), { wait: Number(later) * 1000 || 0 });
  }
  throw new Refused(answer.status, problem);
}

/** Uploads in the background while the page is open, one tab at a time. Fires "change". */
export class Outbox extends EventTarget {
  /**
   * @param {{store: import("./store.js").Store, tokenOf: (person: string) => Promise<string|null>,
   *   uploadPhoto?: Function, onSignedOut: (person: string) => Promise<void>}} parts
   */
  constructor({ store, tokenOf, uploadPhoto, onSignedOut }) {
    super();
    Object.assign(this, { store, tokenOf, uploadPhoto, onSignedOut });
    this.seen = { online: navigator.onLine, waiting: 0, sending: false, last_error: "", last_contact: null, revoked: false };
    this.failures = 0;
    this.timer = null;
    this.running = null;
    this.again = false;
    addEventListener("online", () => { this.failures = 0; this.wake(); });
    addEventListener("offline", () => this.#tell({ online: false }));
    document.addEventListener("visibilitychange", () => { if (!document.hidden) this.wake(); });
  }

  state() {
    return { ...this.seen };
  }

  /** Marks a session as finished on site, and sends it as soon as that is possible. */
  async finish(id) {
    const draft = await this.store.change(id, (row) => {
      if (row.state !== "open" && row.state !== "refused") throw new Error(`session ${id} is ${row.state}`);
      row.state = "ready";
      row.errors = [];
      row.body.finished_at = stamp(new Date());
    });
    this.wake();
    return draft;
  }

  /**
   * Something may be waiting, or the network may be back. Resolves when this round is over. What comes in the
   * middle of a round, which may have passed it by, gets one more right after.
   */
  wake() {
    clearTimeout(this.timer);
    this.again = this.running !== null;
    this.running ??= this.#round().finally(() => {
      this.running = null;
      const wait = this.failures ? Math.min(LONGEST, ASK_AGAIN * 2 ** (this.failures - 1)) : RHYTHM;
      this.timer = setTimeout(() => this.wake(), Math.max(this.again ? 0 : wait, this.pause ?? 0));
      this.pause = 0;
    });
    return this.running;
  }

  #round() {
    // two tabs would only do the same work twice
    return navigator.locks.request("flowledger-outbox", { ifAvailable: true }, async (lock) => {
      await this.#count();
      if (!lock || !navigator.onLine) return;
      this.#tell({ sending: true });
      try {
        const contact = await this.#send();
        this.failures = 0;
        this.#tell({ online: true, last_error: "", ...(contact ? { last_contact: stamp(new Date()), revoked: false } : {}) });
      } catch (error) {
        this.failures += 1;
        this.pause = error.wait;
        if (!(error instanceof Offline)) console.error(error);
        this.#tell({ online: !(error instanceof Offline) && navigator.onLine, last_error: error.message });
      } finally {
        this.#tell({ sending: false });
        await this.#count();
      }
    });
  }

  async #send() {
    let contact = false;
    const people = new Set();
    for (const row of [...(await this.#waiting("sessions")), ...(await this.#waiting("photos"))]) people.add(row.person);
    for (const person of people) {
      const token = await this.tokenOf(person);
      if (!token) continue; // waits until they sign in here again
      try {
        contact = (await this.#sessionsOf(person, token)) || contact;
        contact = (await this.#photosOf(person, token)) || contact;
      } catch (error) {
        if (!(error instanceof SignedOut)) throw error;
        this.#tell({ revoked: true });
        await this.onSignedOut(person);
      }
    }
    return (await this.afterwards?.()) || contact;
  }

  async #waiting(place) {
    const rows = place === "sessions" ? await this.store.sessions() : await this.store.photos();
    return rows.filter((row) => row.state === "ready" || row.state === "sent");
  }

  async #sessionsOf(person, token) {
    const mine = (await this.#waiting("sessions")).filter((row) => row.person === person);
    mine.sort((a, b) => (a.body.started_at < b.body.started_at ? -1 : 1));
    let contact = false;
    for (const batch of batches(mine)) {
      await this.#post(batch, token);
      contact = true;
    }
    return contact;
  }

  async #post(batch, token) {
    const now = stamp(new Date());
    for (const row of batch) await this.store.change(row.id, (one) => { one.state = "sent"; one.sent_at = now; });
    let answer;
    try {
      answer = await request(token, "field/batches", {
        method: "POST", json: { sent_at: now, sessions: batch.map((row) => row.body) },
      });
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      if (batch.length > 1) { // one of them spoils the rest: ask for each alone
        for (const row of batch) await this.#post([row], token);
        return;
      }
      const errors = error.problem.errors ?? [{ pointer: "", detail: error.message }];
      await this.#outcome({ session: batch[0].id, outcome: "refused", errors });
      return;
    }
    for (const outcome of (await answer.json()).outcomes) await this.#outcome(outcome);
    await this.#count();
  }

  #outcome({ session, outcome, errors }) {
    const state = { stored: "stored", already_stored: "stored", known_with_other_content: "other", refused: "refused" }[outcome];
    if (!state) throw new Error(`the service answered ${outcome}`);
    return this.store.change(session, (row) => { row.state = state; row.outcome = outcome; row.errors = errors ?? []; });
  }

  async #photosOf(person, token) {
    const photos = (await this.#waiting("photos")).filter((row) => row.person === person);
    for (const photo of photos) {
      const api = (path, options) => request(token, path, options);
      try {
        await this.uploadPhoto({ store: this.store, api }, photo);
      } catch (error) {
        if (!(error instanceof Refused)) throw error;
        await this.store.changePhoto(photo.id, (row) => {
          row.state = "refused";
          row.errors = error.problem.errors ?? [{ pointer: "", detail: error.message }];
        });
      }
    }
    return photos.length > 0;
  }

  async #count() {
    const waiting = (await this.#waiting("sessions")).length + (await this.#waiting("photos")).length;
    this.#tell({ waiting });
  }

  #tell(news) {
    const differs = Object.entries(news).some(([name, value]) => this.seen[name] !== value);
    Object.assign(this.seen, news);
    if (differs) this.dispatchEvent(new Event("change"));
  }
}

/** Sessions in batches that the service takes: at most 20 sessions and about 4,000 figures each. */
export function* batches(rows) {
  let batch = [], figures = 0;
  for (const row of rows) {
    const size = row.body.readings.length + row.body.sweeps.reduce((sum, one) => sum + 1 + (one.samples?.length ?? 0) / 10, 0);
    if (batch.length && (batch.length === SESSIONS || figures + size > FIGURES)) {
      yield batch;
      [batch, figures] = [[], 0];
    }
    batch.push(row);
    figures += size;
  }
  if (batch.length) yield batch;
}
