/** Enrolling the tablet, and signing in on it. */

import { h, replace } from "./dom.js";
import { Offline, SignedOut } from "./outbox.js";
import { say } from "./words.js";

/** @returns {HTMLElement} the form that is due: pairing, else signing in */
export function view(context) {
  return context.account.device ? signIn(context) : pairing(context);
}

export function title(context) {
  return context.account.device ? gettext("Sign in") : gettext("Pair this tablet");
}

function form({ fields, button, note, send }) {
  const problem = h("div", { role: "alert" });
  const press = h("button", { class: "button big", type: "submit" }, button);
  return h("form", {
    class: "form", novalidate: true,
    onsubmit: async (event) => {
      event.preventDefault();
      const values = Object.fromEntries(new FormData(event.target));
      press.disabled = true;
      replace(problem);
      try {
        await send(values);
      } catch (error) {
        replace(problem, h("p", { class: "notice notice-error" }, error.message));
      } finally {
        press.disabled = false;
      }
    },
  }, note, problem, fields, press);
}

function field(name, label, attributes = {}, hint = "") {
  const id = `f-${name}`;
  return h("div", { class: "field" },
    h("label", { for: id }, label),
    hint ? h("p", { class: "soft", id: `${id}-hint` }, hint) : null,
    h("input", { id, name, required: true, "aria-describedby": hint ? `${id}-hint` : null, ...attributes }));
}

function pairing(context) {
  return form({
    note: h("p", { class: "lead" }, gettext("The office gets a code under Company, Tablets. It is good for ten minutes.")),
    fields: [
      field("company", gettext("Company"), { autocomplete: "off", autocapitalize: "off", spellcheck: "false" }, gettext("As shown beside the code.")),
      field("code", gettext("Code"), { autocomplete: "off", autocapitalize: "characters", spellcheck: "false" }),
    ],
    button: gettext("Pair this tablet"),
    send: async ({ company, code }) => {
      try {
        await context.account.pair(company, code);
      } catch (error) {
        throw words(error);
      }
      await context.refresh();
    },
  });
}

function signIn(context) {
  const { device } = context.account;
  return h("div", { class: "stack-wide" }, signInForm(context, device), h("section", { class: "account" },
    h("p", { class: "soft" }, gettext("Was this tablet removed from the company? The office gives a new code; what waits to be sent stays.")),
    h("button", { class: "button plain", type: "button", onclick: () => context.account.unpair().then(() => context.refresh()) }, gettext("Pair it again"))));
}

function signInForm(context, device) {
  const code = field("code", gettext("Code"), { autocomplete: "one-time-code", autocapitalize: "off", spellcheck: "false", required: false },
    gettext("The six digits that your telephone shows, or a recovery code."));
  code.hidden = true;
  return form({
    note: h("p", { class: "lead" }, say(gettext("This is the tablet “%(name)s”. A sign-in lasts eight days without network and renews itself with it."), device)),
    fields: [
      field("email", gettext("E-mail"), { type: "email", autocomplete: "username" }),
      field("password", gettext("Password"), { type: "password", autocomplete: "current-password" }),
      code,
    ],
    button: gettext("Sign in"),
    send: async (typed) => {
      try {
        await context.account.signIn(typed.email, typed.password, code.hidden ? "" : typed.code);
      } catch (error) {
        if (asksForCode(error) && code.hidden) {
          code.hidden = false;
          code.querySelector("input").focus();
          return;
        }
        throw words(error, gettext("E-mail or password is wrong, or this tablet was removed from the company."));
      }
      await context.refresh();
      context.outbox.wake();
    },
  });
}

function asksForCode(error) {
  const at = error.problem?.errors ?? [];
  return error.problem?.type === "/problems/second-factor-needed" && at.some((one) => one.pointer === "/code");
}

function words(error, signedOut) {
  if (error instanceof Offline) return new Error(gettext("There is no network, or the service does not answer. This step needs it once."));
  if (error instanceof SignedOut) return new Error(signedOut ?? gettext("The service did not accept this."));
  return new Error(error.problem?.errors?.map((one) => one.detail).join(" ") || error.message);
}
