/** Elements without a framework: text is always text, never markup. */

const SVG = "http://www.w3.org/2000/svg";

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "value" && "value" in element) element.value = value;
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...flat(children));
  return element;
}

function flat(children) {
  return children.flat(Infinity).filter((one) => one !== null && one !== undefined && one !== false);
}

/**
 * An HTML element. Attributes that are null, undefined or false are left out, "on…" are listeners.
 * @param {string} tag
 * @param {Object<string, any>} [attributes]
 * @param {...any} children strings, numbers, nodes, lists of them
 * @returns {HTMLElement}
 */
export function h(tag, attributes, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

/** An SVG element; otherwise as h. */
export function svg(tag, attributes, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

/** Puts children in the place of all that the node holds. */
export function replace(node, ...children) {
  node.replaceChildren(...flat(children));
  return node;
}

/**
 * Asks once, above everything.
 * @param {{title: string, text?: any, actions: {label: string, value: any, kind?: "plain"|"stop"}[]}} question
 * @returns {Promise<any>} the value of the pressed action; null when it was closed
 */
export function ask({ title, text, actions }) {
  return new Promise((resolve) => {
    let answer = null;
    const dialog = h(
      "dialog",
      { class: "ask", "aria-labelledby": "ask-title", onclose: () => { dialog.remove(); resolve(answer); } },
      h("h2", { id: "ask-title" }, title),
      text ? h("div", { class: "stack" }, typeof text === "string" ? h("p", {}, text) : text) : null,
      h("div", { class: "actions" }, actions.map((one) =>
        h("button", {
          type: "button",
          class: `button ${one.kind ?? ""}`,
          onclick: () => { answer = one.value; dialog.close(); },
        }, one.label))),
    );
    document.body.append(dialog);
    dialog.showModal();
  });
}
