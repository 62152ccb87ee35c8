/* Moves on the planning board: by drag, by arrow keys; what speaks against them is shown in place. Without this
   file the same is done by links and forms. */

const board = document.getElementById("board");
const panel = document.getElementById("panel");
const said = document.getElementById("said");
const PART = { "X-Flow-Part": "1" };
const EVERY = 20000;

/** @typedef {{bar: HTMLElement, row: number, first: string, last: string}} Move */

/** The move under way, by keys or by drag. @type {Move | null} */
let move = null;

/** @param {string} text */
const say = (text) => { if (said) said.textContent = text; };

/** A day so many days later; both as 2026-03-29. Counted in UTC, so no clock changes in between.
    @param {string} day @param {number} count */
export const later = (day, count) =>
  new Date(Date.parse(`${day}T00:00:00Z`) + count * 86400000).toISOString().slice(0, 10);

/** Days from one to another. @param {string} from @param {string} to */
export const between = (from, to) => Math.round((Date.parse(`${to}T00:00:00Z`) - Date.parse(`${from}T00:00:00Z`)) / 86400000);

const rows = () => (board ? [...board.tBodies[0].rows].filter((row) => !row.hidden) : []);

/** Marks the cells that the move would fill. */
const mark = () => {
  for (const cell of document.querySelectorAll(".target")) cell.classList.remove("target");
  if (!move) return;
  const row = rows()[move.row];
  for (const cell of row ? row.querySelectorAll("td") : []) {
    if (cell.dataset.day >= move.first && cell.dataset.day <= move.last) cell.classList.add("target");
  }
};

const leave = () => {
  if (move) move.bar.classList.remove("moving");
  move = null;
  mark();
};

/** Starts a move of a booking, or of a job that waits. @param {HTMLElement} bar */
const start = (bar) => {
  const row = bar.closest("tr");
  bar.classList.add("moving");
  move = { bar, row: row ? rows().indexOf(row) : -1, first: bar.dataset.first, last: bar.dataset.last };
};

/** What the move asks of the server. @param {Move} made */
const addressOf = (made) => {
  const row = rows()[made.row];
  const query = new URLSearchParams({ job: made.bar.dataset.job, by: board.dataset.by, who: row.dataset.who });
  if (made.bar.dataset.was) query.set("was", made.bar.dataset.was);
  query.set("starts_on", made.first);
  query.set("ends_on", made.last);
  query.set("back", here());
  return `${board.dataset.place}?${query}`;
};

const here = () => `${location.pathname}${location.search}`;

const LAST = "plan-last-job";

/** Keeps which job was planned, so that the page that comes has it in focus. */
const remember = () => {
  const job = panel.querySelector('input[name="job"]');
  try { if (job) sessionStorage.setItem(LAST, job.value); } catch { /* then the focus starts at the top */ }
};

const refocus = () => {
  try {
    const job = sessionStorage.getItem(LAST);
    sessionStorage.removeItem(LAST);
    const bar = job && document.querySelector(`.bar[data-job="${CSS.escape(job)}"]`);
    if (bar) bar.focus();
  } catch { /* no storage */ }
};

/** Shows the answer of the server in the panel, or goes where it says. @param {Response} answer */
const show = async (answer) => {
  const go = answer.headers.get("X-Flow-Go");
  if (go) { remember(); location.assign(go); return; }
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const part = page.querySelector(".place") || (answer.redirected ? null : page.querySelector("main"));
  if (!part) { location.assign(answer.url); return; }  // such as to sign in again
  panel.replaceChildren(document.importNode(part, true));
  if (!panel.open) panel.showModal();
  const notice = panel.querySelector(".notice");
  const button = panel.querySelector("form#place button.button");
  (button || panel).focus();
  if (notice) say(notice.innerText);
};

/** @param {string} address @param {RequestInit} [how] */
const ask = async (address, how) => {
  try {
    await show(await fetch(address, { headers: PART, ...how }));
  } catch {
    say(gettext("The service does not answer; nothing is changed."));
    const words = document.createElement("p");
    words.className = "notice notice-stop";
    words.textContent = gettext("The service does not answer; nothing is changed.");
    panel.replaceChildren(words);
    if (!panel.open) panel.showModal();
  }
};

/** Asks what speaks against the move that was made. */
const finish = () => {
  const made = move;
  leave();
  if (made && rows()[made.row]) ask(addressOf(made));
};

/** Steps of the arrow keys: rows, days. */
const STEPS = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] };

/** @param {number} down @param {number} right */
const step = (down, right) => {
  const count = rows().length;
  if (!move || !count) return;
  const entering = move.row < 0;
  move.row = entering ? 0 : Math.min(Math.max(move.row + down, 0), count - 1);
  if (!entering) { move.first = later(move.first, right); move.last = later(move.last, right); }
  mark();
  const target = document.querySelector(".target");
  if (target) target.scrollIntoView({ block: "nearest", inline: "nearest" });
  const place = { who: rows()[move.row].dataset.name, first: move.first, last: move.last };
  say(interpolate(gettext("%(who)s, %(first)s to %(last)s. Enter asks, Escape leaves it."), place, true));
};

document.addEventListener("keydown", (event) => {
  const bar = event.target instanceof Element ? event.target.closest(".bar[data-job]") : null;
  if (!board || !bar || event.ctrlKey || event.metaKey || event.altKey) return;
  if (STEPS[event.key]) {
    event.preventDefault();
    if (!move || move.bar !== bar) { leave(); start(bar); }
    step(...STEPS[event.key]);
  } else if (event.key === "Enter" && move && move.bar === bar) {
    event.preventDefault();
    finish();
  } else if (event.key === "Escape" && move) {
    leave();
    say(gettext("Left as it is."));
  }
});
document.addEventListener("focusout", (event) => { if (move && event.target === move.bar && !dragged) leave(); });

/** The piece that is dragged: the day it was taken at. @type {{bar: HTMLElement, day: string | null} | null} */
let dragged = null;

document.addEventListener("dragstart", (event) => {
  const piece = event.target instanceof Element ? event.target.closest(".bar[draggable]") : null;
  const bar = piece && (piece.dataset.of ? document.getElementById(piece.dataset.of) : piece);
  if (!board || !bar) return;
  const cell = piece.closest("td");
  dragged = { bar, day: cell ? cell.dataset.day : null };
  event.dataTransfer.effectAllowed = "move";
  event.dataTransfer.setData("text/plain", bar.dataset.number);
});

/** Where the dragged piece would be. @param {Element} cell */
const over = (cell) => {
  const bar = dragged.bar;
  leave();
  start(bar);
  move.row = rows().indexOf(cell.closest("tr"));
  if (dragged.day) {
    const count = between(dragged.day, cell.dataset.day);
    move.first = later(bar.dataset.first, count);
    move.last = later(bar.dataset.last, count);
  } else if (cell.dataset.day > move.first) {
    move.first = cell.dataset.day;  // a job that waits: from this day to its end
    if (move.last < move.first) move.last = move.first;
  }
  mark();
};

for (const name of ["dragenter", "dragover"]) {
  document.addEventListener(name, (event) => {
    const cell = event.target instanceof Element ? event.target.closest("#board td") : null;
    if (!dragged || !cell) return;
    event.preventDefault();
    over(cell);
  });
}
document.addEventListener("drop", (event) => {
  const cell = event.target instanceof Element ? event.target.closest("#board td") : null;
  if (!dragged || !cell) return;
  event.preventDefault();
  over(cell);
  dragged = null;
  finish();
});
document.addEventListener("dragend", () => { dragged = null; leave(); });

document.addEventListener("click", (event) => {
  const bar = event.target instanceof Element ? event.target.closest("a.bar[data-job]") : null;
  if (!board || !bar || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  ask(bar.getAttribute("href"));
});

if (panel) {
  panel.addEventListener("submit", (event) => {
    const form = event.target, button = event.submitter;
    event.preventDefault();
    const data = new FormData(form);
    if (button && button.formMethod === "get") {
      data.delete("csrfmiddlewaretoken");
      ask(`${form.getAttribute("action")}?${new URLSearchParams(data)}`);
    } else {
      ask(form.getAttribute("action"), { method: "POST", body: data });
    }
  });
  panel.addEventListener("click", (event) => {
    const link = event.target instanceof Element ? event.target.closest("a") : null;
    if (!link) return;
    if (link.hasAttribute("data-leave")) { event.preventDefault(); panel.close(); }
    else if (board && link.pathname === board.dataset.place) { event.preventDefault(); ask(link.href); }
  });
}

const filter = document.getElementById("q");
if (filter && board) {
  filter.addEventListener("input", () => {
    const words = filter.value.toLocaleLowerCase().split(/\s+/).filter(Boolean);
    for (const row of board.tBodies[0].rows) {
      row.hidden = !words.every((word) => row.dataset.name.toLocaleLowerCase().includes(word));
    }
    const address = new URL(location.href);
    if (filter.value.trim()) address.searchParams.set("q", filter.value.trim());
    else address.searchParams.delete("q");
    history.replaceState(null, "", address);
  });
}

/** Looks whether somebody changed what is shown. */
const look = async () => {
  if (document.hidden) return;
  try {
    const answer = await fetch(`${board.dataset.state}${location.search}`, { redirect: "error" });
    if (answer.ok && (await answer.text()).trim() !== board.dataset.digest) {
      document.getElementById("changed").hidden = false;
    }
  } catch { /* away; the next look tells */ }
};
if (board) { refocus(); setInterval(look, EVERY); }
