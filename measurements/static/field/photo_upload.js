/**
 * Brings a photo or note to the service, part by part. It goes on where the service says that it stands, so that
 * no more than one part is ever sent twice. Names of headers: IETF draft "Resumable Uploads for HTTP".
 */

import { Offline, Refused } from "./outbox.js";

export const PART = 256 * 1024;
const TURNS = 6;
const ON_THE_WAY = new Set(["open", "ready", "sent", "refused"]);

/**
 * Sends what waits; resolves when the service has it whole, or when it must wait for its session.
 * Throws what `api` throws: Offline, SignedOut, Refused.
 * @param {{store: import("./store.js").Store, api: (path: string, options?: object) => Promise<Response>}} context
 * @param {object} photo a row of the store in state "ready" or "sent"
 * @param {AbortSignal} [signal]
 * @returns {Promise<"stored"|"other"|"waits">}
 */
export async function uploadPhoto({ store, api }, photo, signal) {
  const path = `field/photos/${photo.id}`;
  for (let turn = 0; turn < TURNS;) {
    // one that was announced before goes on where the service says that it stands
    const known = (await store.photo(photo.id)).state === "sent" ? await standing(api, path, signal) : null;
    const stands = known ?? await announce(store, api, photo, signal);
    if (typeof stands === "string") return stands === "again" ? uploadPhoto({ store, api }, await store.photo(photo.id), signal) : stands;
    if (stands.complete) return whole(store, photo.id);
    try {
      await parts(store, api, path, photo, stands.offset, signal);
      return await whole(store, photo.id);
    } catch (error) {
      const moved = (await store.photo(photo.id)).offset > stands.offset;
      // another offset than thought: ask where it stands, and go on there; so after a break that came after parts
      const goesOn = error instanceof Refused ? error.status === 409 : error instanceof Offline && moved && !error.wait;
      if (!goesOn) throw error;
      turn += moved ? 0 : 1;
    }
  }
  throw new Refused(409, { detail: gettext("The photo does not arrive whole. Take it again, or tell a supervisor.") });
}

/** How far it is; null when the service does not know it. */
async function standing(api, path, signal) {
  try {
    const answer = await api(path, { method: "HEAD", signal });
    return { offset: Number(answer.headers.get("Upload-Offset")), complete: answer.headers.get("Upload-Complete") === "?1" };
  } catch (error) {
    if (error instanceof Refused && error.status === 404) return null;
    throw error;
  }
}

async function announce(store, api, photo, signal) {
  await store.changePhoto(photo.id, (row) => { row.state = "sent"; });
  try {
    const answer = await (await api("field/photos", { method: "POST", json: described(photo), signal })).json();
    return { offset: answer.offset, complete: answer.complete };
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (error.problem.type?.endsWith("/known-with-other-content")) return settled(store, photo.id, "other", error);
    if (error.status === 409) throw new Offline(error.message); // somebody else holds it at this moment
    if (!photo.session || !error.problem.errors?.some((one) => one.pointer === "/session")) throw error;
    return withoutSession(store, photo);
  }
}

/** Its session is not there yet: wait for it while it is on its way, else go without it. */
async function withoutSession(store, photo) {
  const draft = await store.session(photo.session);
  const waits = Boolean(draft && ON_THE_WAY.has(draft.state));
  await store.changePhoto(photo.id, (row) => {
    row.state = "ready";
    if (!waits) row.session = null;
  });
  return waits ? "waits" : "again";
}

/** What the service is told of a photo before its content, or of a note. */
export function described(photo) {
  const common = {
    id: photo.id, job: photo.job, test_point: photo.point ?? null, session: photo.session ?? null,
    kind: photo.kind, subject: photo.subject ?? "plain", text: photo.text ?? "", taken_at: photo.taken_at,
  };
  return photo.kind === "note" ? common : { ...common, type: photo.type, size: photo.size, digest: photo.digest };
}

async function parts(store, api, path, photo, from, signal) {
  await store.changePhoto(photo.id, (row) => { row.offset = from; });
  for (let offset = from; ;) {
    const piece = photo.blob.slice(offset, offset + PART);
    const end = offset + piece.size;
    const answer = await api(path, {
      method: "PATCH",
      body: piece,
      headers: {
        "Content-Type": "application/partial-upload",
        "Upload-Offset": String(offset),
        "Upload-Complete": end === photo.size ? "?1" : "?0",
      },
      signal,
    });
    offset = Number(answer.headers.get("Upload-Offset"));
    await store.changePhoto(photo.id, (row) => { row.offset = offset; });
    if (answer.headers.get("Upload-Complete") === "?1") return;
  }
}

function whole(store, id) {
  return settled(store, id, "stored");
}

async function settled(store, id, state, error) {
  await store.changePhoto(id, (row) => {
    row.state = state;
    row.offset = row.size ?? 0;
    row.errors = error ? error.problem.errors ?? [{ pointer: "", detail: error.message }] : [];
  });
  return state;
}
