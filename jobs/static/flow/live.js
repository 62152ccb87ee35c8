/* A part of a page that follows the work: it asks again while it is looked at, keeps what is opened in it, and
   says so when the connection is lost. The part names its address itself (hx-get, trigger "refresh"); the
   answer takes its place, or is empty (204) when nothing changed. Without this file the page stands still. */
"use strict";

(() => {
  const SLOWEST = 60;
  const stale = document.getElementById("stale");
  const since = document.getElementById("stale-since");
  const signedOut = document.getElementById("signed-out");
  let timer = 0;
  let failures = 0;
  let asking = false;
  let ended = false;
  let lastContact = new Date();

  /** @returns {HTMLElement | null} the part, as long as it wants to follow */
  const part = () => document.querySelector("[data-live]");

  /** @returns {number} seconds until the next question, more after each failure */
  const pause = () => Math.min(Number(part()?.dataset.every || 5) * 2 ** failures, SLOWEST);

  const plan = (seconds) => {
    clearTimeout(timer);
    if (!ended && part() && document.visibilityState === "visible") timer = setTimeout(ask, seconds * 1000);
  };

  const ask = () => {
    const found = part();
    if (!found || asking || ended || document.visibilityState !== "visible") return;
    asking = true;
    window.htmx.trigger(found, "refresh");
  };

  const two = (number) => String(number).padStart(2, "0");

  const showStale = (lost) => {
    if (!stale || stale.hidden !== lost) return; // already as it should be
    if (lost) since.textContent = [lastContact.getHours(), lastContact.getMinutes(), lastContact.getSeconds()].map(two).join(":");
    stale.hidden = !lost;
  };

  const answered = (good) => {
    asking = false;
    if (good) lastContact = new Date();
    failures = good ? 0 : failures + 1;
    showStale(!good);
    plan(pause());
  };

  const endFor = (notice) => {
    ended = true;
    clearTimeout(timer);
    if (notice) notice.hidden = false;
  };

  // What is opened, focused and how far each point was, so that it survives the exchange
  let kept = null;
  const keep = (old) => {
    const states = [...old.querySelectorAll("[data-state]")].map((row) => [row.id, row.dataset.state]);
    kept = {
      open: [...old.querySelectorAll("details[open]")].map((one) => one.id),
      states: new Map(states),
      focus: focusOf(old),
    };
  };

  /** @returns {{id: string, place: number} | null} what holds the focus: its nearest id, and where below it */
  const focusOf = (old) => {
    const active = document.activeElement;
    const near = active && old.contains(active) ? active.closest("[id]") : null;
    if (!near) return null;
    return { id: near.id, place: [...near.querySelectorAll("a, summary, button")].indexOf(active) };
  };

  const restore = () => {
    if (!kept) return;
    for (const id of kept.open) document.getElementById(id)?.setAttribute("open", "");
    for (const row of document.querySelectorAll("[data-live] [data-state]")) {
      const before = kept.states.get(row.id);
      row.classList.toggle("fresh", before !== undefined && before !== row.dataset.state);
    }
    const near = kept.focus && document.getElementById(kept.focus.id);
    const below = near && near.querySelectorAll("a, summary, button")[kept.focus.place];
    (below || (near && kept.focus.place < 0 ? near : null))?.focus({ preventScroll: true });
    kept = null;
  };

  /** Whether the answer came from where it was asked, not from the page to sign in on. */
  const isOurs = (detail) => {
    const asked = new URL(detail.pathInfo.requestPath, location.href).pathname;
    return new URL(detail.xhr.responseURL || location.href, location.href).pathname === asked;
  };

  document.addEventListener("htmx:beforeSwap", (event) => {
    if (!event.detail.target?.matches?.("[data-live]")) return;
    if (!isOurs(event.detail)) {
      event.detail.shouldSwap = false;
      endFor(signedOut);
    } else if (event.detail.shouldSwap) {
      keep(event.detail.target);
    }
  });
  document.addEventListener("htmx:afterSettle", restore);
  document.addEventListener("htmx:afterRequest", (event) => {
    // the part itself may be gone by now: who asked stands in the request
    if (!event.detail.requestConfig?.elt?.matches?.("[data-live]")) return;
    const status = event.detail.xhr?.status || 0;
    if (status === 401 || status === 403 || status === 404) endFor(signedOut);
    answered(status >= 200 && status < 300);
  });
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") ask();
    else clearTimeout(timer);
  });
  window.addEventListener("online", () => { failures = 0; ask(); });
  window.addEventListener("offline", () => showStale(true));

  /** Opens what the address names, e.g. a point that is named among what is missing. */
  const openNamed = () => {
    const named = document.getElementById(location.hash.slice(1));
    if (named instanceof HTMLDetailsElement) named.open = true;
  };
  window.addEventListener("hashchange", openNamed);
  openNamed();
  plan(pause());
})();
