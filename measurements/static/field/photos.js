/** Photos and notes at a point: taken, made small, on the tablet's disk at once, sent when there is network. */

import { ask, h, replace } from "./dom.js";
import { clock, stamp, uuid7 } from "./ids.js";
import { NoPicture, digestOf, drawnAnew } from "./photo_file.js";
import { noteForm } from "./notes.js";
import { say } from "./words.js";

export { uploadPhoto } from "./photo_upload.js";

/** What a photo shows; the first is the usual one. */
export const SUBJECTS = {
  plain: () => gettext("As it is"),
  mark: () => gettext("Damper mark"),
  nameplate: () => gettext("Nameplate"),
  plane: () => gettext("Measuring plane"),
  deficiency: () => gettext("Deficiency"),
};
const STATES = {
  open: () => gettext("on this tablet, not sent yet"),
  ready: () => gettext("on this tablet, waits"),
  sent: () => gettext("being sent"),
  stored: () => gettext("sent"),
  refused: () => gettext("refused, look at it"),
  other: () => gettext("known with other content"),
};
const LONGEST = 2000;

export function title(context, jobId, pointId) {
  const point = context.find(jobId, pointId)?.point;
  return point ? say(gettext("%(tag)s, photos and notes"), { tag: point.tag }) : gettext("Photos and notes");
}

export function back(_context, jobId) {
  return `#/job/${jobId}`;
}

/**
 * Keeps a picture as a photo of a point; it is on the disk when this resolves. Throws NoPicture, StorageFull.
 * @param {Blob} file as taken or chosen; its metadata are not kept
 * @param {{job: string, point: string, session?: string, subject?: string, text?: string}} of
 */
export async function keepPhoto(context, file, { job, point, session = null, subject = "plain", text = "" }) {
  const { blob, preview, width, height } = await drawnAnew(file);
  const now = context.now();
  return context.store.putPhoto({
    id: uuid7(now.getTime()), job, point, session, person: context.person.id, kind: "photo", subject, text,
    blob, preview, width, height, type: "image/jpeg", size: blob.size, digest: await digestOf(blob),
    taken_at: stamp(now), state: "open", offset: 0, errors: [],
  });
}

/** Lets photos go that nobody describes any more: they are sent as they are. */
export async function release(context, which = () => true) {
  const open = (await context.store.photos()).filter((row) => row.state === "open" && which(row));
  for (const row of open) await context.store.changePhoto(row.id, (one) => { one.state = "ready"; });
  if (open.length) context.outbox.wake();
  return open.length;
}

export async function view(context, jobId, pointId) {
  const found = context.find(jobId, pointId);
  if (!found?.point) return h("p", { class: "notice notice-warn" }, gettext("This point is not on your work list. What you took there is kept and sent."));
  await release(context, (row) => row.point !== pointId);
  const session = await lastSession(context, jobId, pointId);
  const list = h("ul", { class: "photo-list" });
  const of = { job: jobId, point: pointId, session };
  const page = new Page(context, of, list);
  const element = h("div", { class: "stack-wide photo-page" },
    found.point.location ? h("p", { class: "lead" }, found.point.location) : null,
    takers(page),
    page.trouble,
    noteForm(context, of),
    h("section", { "aria-labelledby": "photo-kept" }, h("h2", { id: "photo-kept" }, gettext("Taken here")), list, page.empty, page.hint));
  await page.draw();
  element.dispose = () => page.dispose();
  return element;
}

/** The session of the point that a photo belongs to: the newest on this tablet. */
async function lastSession(context, jobId, pointId) {
  const mine = (await context.store.sessions(jobId)).filter((row) => row.point === pointId && row.state !== "other");
  mine.sort((a, b) => (a.created_at < b.created_at ? 1 : -1));
  return mine[0]?.id ?? null;
}

function takers(page) {
  const subject = h("fieldset", { class: "photo-subjects" }, h("legend", {}, gettext("What the next photo shows")),
    Object.entries(SUBJECTS).map(([value, words], place) => h("label", { class: "photo-subject" },
      h("input", { type: "radio", name: "subject", value, checked: place === 0, onchange: () => { page.subject = value; } }),
      h("span", {}, words()))));
  return h("section", { class: "photo-take" }, subject, h("div", { class: "actions" },
    taker(page, gettext("Take a photo"), "button", { capture: "environment" }),
    taker(page, gettext("Choose photos"), "button plain", { multiple: true })));
}

function taker(page, words, style, attributes) {
  const input = h("input", {
    type: "file", accept: "image/*", class: "photo-input", ...attributes,
    onchange: async () => {
      const files = [...input.files];
      input.value = "";
      await page.keep(files);
    },
  });
  return h("label", { class: style }, words, input);
}

class Page {
  constructor(context, of, list) {
    Object.assign(this, { context, of, list, subject: "plain" });
    this.trouble = h("div", { role: "alert" });
    this.empty = h("p", { class: "soft" }, gettext("Nothing yet."));
    this.hint = h("p", { class: "soft photo-hint", hidden: true }, gettext("Sent by mistake? A supervisor takes it out, with a reason; nothing that was sent is changed in silence."));
    this.rows = new Map();
    this.changed = () => this.draw();
    context.store.changed.addEventListener("change", this.changed);
  }

  dispose() {
    this.context.store.changed.removeEventListener("change", this.changed);
    for (const row of this.rows.values()) URL.revokeObjectURL(row.url);
    release(this.context, (row) => row.point === this.of.point).catch((error) => console.error(error));
  }

  async keep(files) {
    replace(this.trouble);
    for (const file of files) {
      try {
        await keepPhoto(this.context, file, { ...this.of, subject: this.subject });
      } catch (error) {
        if (!(error instanceof NoPicture)) throw error;
        this.trouble.append(h("p", { class: "notice notice-error" }, error.message));
      }
    }
  }

  /** Newest first. A row that is being described stays as it is, so that no letter is lost. */
  async draw() {
    const found = await this.context.store.photos(this.of.job, this.of.point);
    found.sort((a, b) => (a.id < b.id ? 1 : -1));
    this.empty.hidden = found.length > 0;
    this.hint.hidden = !found.some((one) => one.state === "stored");
    const ids = new Set(found.map((one) => one.id));
    for (const [id, row] of this.rows) if (!ids.has(id)) this.#drop(id, row);
    for (const photo of found) {
      const row = this.rows.get(photo.id);
      if (row?.state === photo.state && photo.state === "open") continue;
      this.#place(photo, row);
    }
    const elements = found.map((photo) => this.rows.get(photo.id).element);
    elements.forEach((element, place) => {
      if (this.list.children[place] !== element) this.list.insertBefore(element, this.list.children[place] ?? null);
    });
  }

  #drop(id, row) {
    URL.revokeObjectURL(row.url);
    row.element.remove();
    this.rows.delete(id);
  }

  #place(photo, row) {
    const url = row?.url ?? (photo.preview ? URL.createObjectURL(photo.preview) : "");
    const element = row?.element ?? h("li", { class: "photo-row" });
    replace(element, content(this.context, photo, url));
    this.rows.set(photo.id, { element, url, state: photo.state });
  }
}

function content(context, photo, url) {
  const words = photo.kind === "note" ? gettext("Note") : SUBJECTS[photo.subject]?.() ?? "";
  const at = clock(photo.taken_at, context.now());
  const picture = url
    ? h("img", { src: url, alt: say(gettext("Photo: %(what)s, %(at)s"), { what: words.toLowerCase(), at }), width: 120 })
    : h("span", { class: "photo-note-mark", "aria-hidden": "true" }, "¶");
  const head = h("p", {}, h("span", { class: "row-name" }, words), " ", h("span", { class: "soft" }, at), " ", mark(photo));
  return [picture, h("div", { class: "photo-words" }, head, photo.state === "open" ? described(context, photo) : said(context, photo))];
}

function mark(photo) {
  const share = photo.state === "sent" && photo.size ? ` ${Math.floor((100 * photo.offset) / photo.size)} %` : "";
  return h("span", { class: `mark mark-${photo.state}` }, STATES[photo.state](), share);
}

/** Caption and subject of a photo that was not sent yet. Each change is written at once. */
function described(context, photo) {
  const write = (change) => context.store.changePhoto(photo.id, (row) => { if (row.state === "open") change(row); });
  const id = `caption-${photo.id}`;
  return h("div", { class: "photo-edit" },
    h("label", { for: id }, photo.kind === "note" ? gettext("Note") : gettext("Caption")),
    h("textarea", { id, rows: 2, maxlength: LONGEST, value: photo.text, oninput: (event) => write((row) => { row.text = event.target.value; }) }),
    h("div", { class: "actions" },
      h("button", { class: "button", type: "button", onclick: () => send(context, photo) }, gettext("Keep and send")),
      h("button", { class: "button plain", type: "button", onclick: () => discard(context, photo) }, gettext("Delete"))));
}

async function send(context, photo) {
  await context.store.changePhoto(photo.id, (row) => { row.state = "ready"; });
  context.outbox.wake();
}

async function discard(context, photo) {
  const sure = await ask({
    title: gettext("Delete this photo?"),
    text: gettext("It was not sent. It is gone for good."),
    actions: [{ label: gettext("Delete it"), value: true, kind: "stop" }, { label: gettext("Keep it"), value: false, kind: "plain" }],
  });
  if (sure) await context.store.removePhoto(photo.id);
}

function said(context, photo) {
  const faults = photo.errors ?? [];
  return [
    photo.text ? h("p", { class: "photo-text" }, photo.text) : null,
    faults.length ? h("ul", { class: "photo-faults" }, faults.map((one) => h("li", {}, one.detail))) : null,
    photo.state === "refused" ? h("div", { class: "actions" },
      h("button", { class: "button plain", type: "button", onclick: () => context.store.changePhoto(photo.id, (row) => { row.state = "open"; row.errors = []; }) }, gettext("Describe it anew or delete it"))) : null,
  ];
}
