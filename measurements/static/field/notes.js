/** A note in words: kept at once, sent like a photo. */

import { h } from "./dom.js";
import { stamp, uuid7 } from "./ids.js";

const LONGEST = 2000;

/** Keeps a note; it is on the disk when this resolves. Throws StorageFull. */
export async function keepNote(context, text, { job, point, session = null, subject = "plain" }) {
  const now = context.now();
  const note = await context.store.putPhoto({
    id: uuid7(now.getTime()), job, point, session, person: context.person.id, kind: "note", subject, text: text.trim(),
    blob: null, preview: null, type: "", size: 0, digest: "", taken_at: stamp(now), state: "ready", offset: 0, errors: [],
  });
  context.outbox.wake();
  return note;
}

/** The form for a note at a point. What was typed stays until it is kept. */
export function noteForm(context, of) {
  const text = h("textarea", { id: "note-text", rows: 3, maxlength: LONGEST });
  const trouble = h("p", { class: "photo-faults", role: "alert" });
  const keep = async (event) => {
    event.preventDefault();
    trouble.textContent = "";
    if (!text.value.trim()) {
      trouble.textContent = gettext("Write the note first.");
      text.focus();
      return;
    }
    await keepNote(context, text.value, of);
    text.value = "";
    context.say(gettext("The note is kept."));
  };
  return h("form", { class: "photo-note", onsubmit: keep },
    h("label", { for: "note-text" }, gettext("Note")), text, trouble,
    h("div", { class: "actions" }, h("button", { class: "button plain" }, gettext("Keep the note"))));
}
