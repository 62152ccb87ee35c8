/* Keys of the review page, and the filter of the queue. Without this file both pages work the same by links
   and forms. Words come from /words.js. */
"use strict";

(() => {
  const flags = [...document.querySelectorAll("[data-flag]")];
  const keys = document.getElementById("keys");
  const OFF = "review-keys-off";

  const isOff = () => {
    try { return localStorage.getItem(OFF) === "1"; } catch { return false; }
  };
  const setOff = (off) => {
    try { localStorage.setItem(OFF, off ? "1" : "0"); } catch { /* only for this page then */ }
  };

  const current = () => flags.findIndex((flag) => flag.contains(document.activeElement));

  const go = (step) => {
    if (!flags.length) return;
    const at = current();
    const next = at < 0 ? (step > 0 ? 0 : flags.length - 1) : Math.min(Math.max(at + step, 0), flags.length - 1);
    flags[next].focus();
    flags[next].scrollIntoView({ block: "start" });
  };

  const write = (way) => {
    const flag = flags[current()] || flags[0];
    if (!flag) return;
    const form = flag.querySelector("form");
    form.dataset.way = way;
    form.querySelector("textarea").focus();
  };

  const evidence = () => {
    const flag = flags[current()] || flags[0];
    const link = flag && flag.querySelector("[data-evidence]");
    if (link) link.click();
  };

  const help = () => {
    if (!keys) return;
    keys.open = !keys.open;
    keys.querySelector("summary").focus();
  };

  const approval = () => {
    const button = document.querySelector("#approval ~ form button, #approval");
    if (!button) return;
    button.scrollIntoView({ block: "center" });
    if (button.tagName === "BUTTON") button.focus();
  };

  const acts = {
    j: () => go(1), k: () => go(-1), a: () => write("accept"), r: () => write("remeasure"),
    e: evidence, g: approval, "?": help,
  };

  const inText = (target) => target.closest("input, textarea, select, [contenteditable]") !== null;

  document.addEventListener("keydown", (event) => {
    const target = event.target;
    if (inText(target)) {
      inForm(event, target);
      return;
    }
    if (!keys || event.ctrlKey || event.metaKey || event.altKey || isOff()) return;
    const onFlag = flags.includes(document.activeElement);
    if (onFlag && event.key === "ArrowDown") { go(1); event.preventDefault(); return; }
    if (onFlag && event.key === "ArrowUp") { go(-1); event.preventDefault(); return; }
    const act = acts[event.key];
    if (act) { event.preventDefault(); act(); }
  });

  const inForm = (event, target) => {
    const flag = target.closest("[data-flag]");
    if (!flag || target.tagName !== "TEXTAREA") return;
    if (event.key === "Escape") flag.focus();
    if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) {
      const form = target.form;
      const way = form.dataset.way;
      if (way) form.requestSubmit(form.querySelector(`button[value="${way}"]`));
      event.preventDefault();
    }
  };

  if (keys) {
    const place = keys.querySelector("[data-switch]");
    const button = place.querySelector("button");
    const label = () => { button.textContent = isOff() ? gettext("Turn the keys on") : gettext("Turn the keys off"); };
    place.hidden = false;
    label();
    button.addEventListener("click", () => { setOff(!isOff()); label(); });
  }

  const refused = document.getElementById("refused");
  const named = location.hash.startsWith("#flag-") ? document.getElementById(location.hash.slice(1)) : null;
  const first = refused && (refused.closest("[data-flag]") || refused);
  if (first) {
    first.tabIndex = -1;
    first.focus();
  } else if (named) {
    named.focus();
  }

  const filter = document.querySelector("[data-filter]");
  const rows = filter && document.getElementById(filter.dataset.filter);
  if (rows) {
    const field = filter.querySelector("input");
    const count = document.querySelector("[data-count]");
    const narrow = () => {
      const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
      let shown = 0;
      for (const row of rows.rows) {
        const line = row.textContent.toLowerCase();
        row.hidden = !words.every((word) => line.includes(word));
        shown += row.hidden ? 0 : 1;
      }
      if (count) count.textContent = interpolate(ngettext("%s job", "%s jobs", shown), [shown]);
      const address = new URL(location.href);
      if (field.value) address.searchParams.set("q", field.value); else address.searchParams.delete("q");
      history.replaceState(null, "", address);
    };
    field.addEventListener("input", narrow);
  }
})();
