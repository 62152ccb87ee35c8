/** The words for how far a session or point is, the same wherever they stand. */

import { h } from "./dom.js";

const SESSION = {
  open: () => gettext("being measured"),
  ready: () => gettext("on this tablet, waits"),
  sent: () => gettext("sent, not confirmed yet"),
  stored: () => gettext("sent"),
  refused: () => gettext("refused, look at it"),
  other: () => gettext("known with other content"),
};

/** @returns {"open"|"ready"|"sent"|"stored"|"evaluated"|"flagged"|"refused"|"other"} */
export function stateOf(draft) {
  if (draft.state !== "stored") return draft.state;
  if (!draft.server?.evaluated) return "stored";
  return draft.server.flags?.length ? "flagged" : "evaluated";
}

export function stateWords(draft) {
  const state = stateOf(draft);
  if (state === "evaluated") return gettext("evaluated");
  if (state === "flagged") return gettext("evaluated, flagged");
  return SESSION[state]();
}

/** Shape and word: an open ring until it is the service's, full then, a bar through what needs a look. */
export function stateMark(draft) {
  return h("span", { class: `mark mark-${stateOf(draft)}` }, stateWords(draft));
}
