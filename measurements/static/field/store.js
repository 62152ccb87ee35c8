/**
 * What the tablet keeps: sessions, photos, settings, in IndexedDB. A write is done when it is on the disk.
 * Nothing that the service has not confirmed is ever removed here.
 */

import { openDB } from "../scripts/idb.js";
import { stamp, uuid7 } from "./ids.js";

const NAME = "flowledger-field";
const KEEP_DAYS = 30;

/** The tablet has no room for a write; the words are for people. */
export class StorageFull extends Error {}

/** Sessions in these states are the service's already. */
export const DONE = new Set(["stored", "other"]);

/**
 * Opens the store.
 * @param {string} [name] for tests
 */
export async function openStore(name = NAME) {
  const base = await openDB(name, 1, {
    upgrade(database) {
      database.createObjectStore("sessions", { keyPath: "id" }).createIndex("job", "job");
      database.createObjectStore("photos", { keyPath: "id" }).createIndex("job", "job");
      database.createObjectStore("settings");
    },
    // another tab opened a newer version: let it, this one reloads when asked
    blocking: (_old, _new, event) => event.target.close(),
  });
  return new Store(base);
}

export class Store {
  constructor(base) {
    this.base = base;
    this.changed = new EventTarget();
    this.tabs = new BroadcastChannel(base.name); // only one tab sends, and all show what became of it
    this.tabs.addEventListener("message", ({ data }) => this.#tell(data));
  }

  #tell(place) {
    this.changed.dispatchEvent(new CustomEvent("change", { detail: place }));
  }

  sessions(job) {
    return job ? this.base.getAllFromIndex("sessions", "job", job) : this.base.getAll("sessions");
  }

  session(id) {
    return this.base.get("sessions", id);
  }

  putSession(draft) {
    return this.#write("sessions", (rows) => rows.put(draft)).then(() => draft);
  }

  /** Reads, changes and writes one session in one transaction. Throws when it is not there. */
  change(id, fn) {
    return this.#change("sessions", id, fn);
  }

  photos(job, point) {
    const found = job ? this.base.getAllFromIndex("photos", "job", job) : this.base.getAll("photos");
    return point ? found.then((rows) => rows.filter((row) => row.point === point)) : found;
  }

  photo(id) {
    return this.base.get("photos", id);
  }

  putPhoto(photo) {
    return this.#write("photos", (rows) => rows.put(photo)).then(() => photo);
  }

  changePhoto(id, fn) {
    return this.#change("photos", id, fn);
  }

  /** Removes a photo or note that was never sent; a sent one belongs to the service. */
  removePhoto(id) {
    return this.#write("photos", async (rows) => {
      const photo = await rows.get(id);
      if (photo && photo.state === "open") await rows.delete(id);
    });
  }

  setting(key) {
    return this.base.get("settings", key);
  }

  setSetting(key, value) {
    return this.#write("settings", (rows) => (value === undefined ? rows.delete(key) : rows.put(value, key)));
  }

  /**
   * Reads, changes and writes one setting in one transaction, so that nothing written meanwhile is lost.
   * @param {string} key @param {(kept: any) => any} fn gets undefined where nothing stands; what it returns is kept
   */
  changeSetting(key, fn) {
    return this.#write("settings", async (rows) => {
      const next = fn(await rows.get(key));
      await (next === undefined ? rows.delete(key) : rows.put(next, key));
      return next;
    });
  }

  /** A session that holds nothing yet but who, where, when and how; it is on the disk when this resolves. */
  newSession({ job, point, method, person, now = new Date(), more = {} }) {
    const id = uuid7(now.getTime());
    const at = stamp(now);
    const body = {
      id, job, test_point: point, method, started_at: at, finished_at: at,
      conditions: {}, instruments: {}, told: {}, zero_checks: [], readings: [], sweeps: [], note: "", ...more,
    };
    return this.putSession({
      id, job, point, method, person, state: "open", body, view: {}, created_at: at, changed_at: at,
      sent_at: null, outcome: null, errors: [], server: null,
    });
  }

  /** Takes away what the service confirmed long ago, so that there is room. Returns how many rows went. */
  async prune(now = new Date(), days = KEEP_DAYS) {
    const before = now.getTime() - days * 86_400_000;
    let gone = 0;
    await this.#once("sessions", async (rows) => {
      for (const draft of await rows.getAll()) {
        if (draft.state === "stored" && draft.server?.evaluated && Date.parse(draft.changed_at) < before) {
          await rows.delete(draft.id);
          gone += 1;
        }
      }
    });
    await this.#once("photos", async (rows) => {
      for (const photo of await rows.getAll()) {
        if (photo.state === "stored" && photo.blob) {
          await rows.put({ ...photo, blob: null });
          gone += 1;
        }
      }
    });
    return gone;
  }

  #change(place, id, fn) {
    return this.#write(place, async (rows) => {
      const row = await rows.get(id);
      if (!row) throw new Error(`${place}: ${id} is not on this tablet`);
      const next = { ...(fn(row) ?? row), changed_at: stamp(new Date()) };
      await rows.put(next);
      return next;
    });
  }

  /** Writes; when the disk is full makes room once and tries again. */
  async #write(place, act) {
    try {
      return await this.#once(place, act);
    } catch (error) {
      if (!isFull(error)) throw error;
    }
    try {
      await this.prune(new Date(), 0);
      return await this.#once(place, act);
    } catch (error) {
      if (!isFull(error)) throw error;
      throw new StorageFull(gettext("This tablet has no room left. What was entered before is safe. Free some space, or let it send what waits, then enter the last figure again."));
    }
  }

  async #once(place, act) {
    const transaction = this.base.transaction(place, "readwrite", { durability: "strict" });
    const done = transaction.done;
    done.catch(() => {}); // its error is thrown by the line that awaits it
    let result;
    try {
      result = await act(transaction.store);
    } catch (error) {
      try { transaction.abort(); } catch { /* it ended itself */ }
      throw error;
    }
    await done;
    this.#tell(place);
    this.tabs.postMessage(place);
    return result;
  }
}

function isFull(error) {
  return error?.name === "QuotaExceededError" || error?.inner?.name === "QuotaExceededError";
}
