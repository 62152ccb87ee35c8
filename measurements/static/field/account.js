/** Whose tablet this is and who is signed in on it. Tokens stay on the tablet and go nowhere else. */

import { Offline, Refused, SignedOut, request } from "./outbox.js";

const RENEW_BEFORE = 7 * 86_400_000;

export class Account {
  constructor(store) {
    this.store = store;
    this.device = null;
    this.people = {};
    this.current = null;
  }

  async load() {
    [this.device, this.people, this.current] = [
      (await this.store.setting("device")) ?? null,
      (await this.store.setting("people")) ?? {},
      (await this.store.setting("person")) ?? null,
    ];
  }

  /** The person signed in, or null: also when their sign-in has run out. */
  person(now = Date.now()) {
    const one = this.people[this.current];
    return one && one.token && Date.parse(one.expires_at) > now ? one : null;
  }

  /** A person's token; null after they signed out, ran out or were refused. */
  tokenOf(id) {
    return this.people[id]?.token ?? null;
  }

  /** Enrols this tablet by the code that the office shows. Throws Offline, Refused. */
  async pair(company, code) {
    const answer = await request("", "devices/pair", { method: "POST", json: { company: company.trim(), code } });
    const { device, name, token } = await answer.json();
    this.device = { id: device, name, token, company: company.trim() };
    await this.store.setSetting("device", this.device);
  }

  /** Forgets the enrolment, so that another code can be typed. Who had signed in has to again. */
  async unpair() {
    this.device = null;
    await this.store.setSetting("device", undefined);
  }

  /**
   * Throws Offline, Refused; SignedOut when the password is wrong or the tablet was removed. A Refused of the
   * type second-factor-needed asks for the same again with a code.
   */
  async signIn(email, password, code = "") {
    const json = code ? { email, password, code } : { email, password };
    const answer = await request(this.device.token, "devices/sign-in", { method: "POST", json });
    const { member, token, expires_at } = await answer.json();
    await this.#keep(member.id, { id: member.id, name: member.name, token, expires_at });
    this.current = member.id;
    await this.store.setSetting("person", member.id);
  }

  /** Ends the sign-in here and, with network, at the service. What waits to be sent stays. */
  async signOut() {
    const token = this.tokenOf(this.current);
    if (token) await request(token, "devices/sign-out", { method: "POST" }).catch(() => null);
    await this.forget(this.current);
  }

  /** The service refused this person's token: their work list leaves the tablet, their readings stay. */
  async forget(id) {
    if (!id) return;
    await this.#keep(id, { ...this.people[id], token: null });
    await this.store.setSetting(`worklist:${id}`, undefined);
    if (this.current === id) {
      this.current = null;
      await this.store.setSetting("person", undefined);
    }
  }

  /** Lengthens the sign-in while there is network, so that it always lasts an offline week. */
  async renew(now = Date.now()) {
    const one = this.person(now);
    if (!one || Date.parse(one.expires_at) - now > RENEW_BEFORE) return;
    try {
      const { expires_at } = await (await request(one.token, "devices/renew", { method: "POST" })).json();
      await this.#keep(one.id, { ...one, expires_at });
    } catch (error) {
      if (error instanceof SignedOut) throw error;
      if (!(error instanceof Offline) && !(error instanceof Refused)) throw error;
    }
  }

  async #keep(id, person) {
    this.people = { ...this.people, [id]: person };
    await this.store.setSetting("people", this.people);
  }
}
