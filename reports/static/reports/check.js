/* A file dropped anywhere on the page is checked at once. Without this file the form does the same. */
"use strict";

(() => {
  const form = document.querySelector("form[data-drop]");
  const input = form && form.querySelector("input[type=file]");
  if (!input) return;
  let depth = 0;
  const over = (inside) => {
    depth = Math.max(0, depth + inside);
    form.classList.toggle("over", depth > 0);
  };
  addEventListener("dragover", (event) => event.preventDefault());
  addEventListener("dragenter", () => over(1));
  addEventListener("dragleave", () => over(-1));
  addEventListener("drop", (event) => {
    event.preventDefault();
    depth = 0;
    over(0);
    if (event.dataTransfer.files.length !== 1) return;
    input.files = event.dataTransfer.files;
    form.requestSubmit();
  });
})();
