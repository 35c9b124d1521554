// Making elements. Names come from anybody's files, so they only ever become text.

/**
 * @param {string} tag such as "p" or "button.quiet"
 * @param {{[key: string]: any}} [given] attributes; `on…` are listeners, `text` is the text
 * @param {...(Node|string|null|undefined|false)} children
 * @returns {any}
 */
export function make(tag, given = {}, ...children) {
  const [name, ...classes] = tag.split(".");
  const element = document.createElement(name);
  if (classes.length) element.className = classes.join(" ");
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (key === "text") element.textContent = value;
    else if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key in element && typeof value !== "string") /** @type {any} */ (element)[key] = value;
    else element.setAttribute(key, value === true ? "" : value);
  }
  for (const child of children) if (child !== null && child !== undefined && child !== false) element.append(child);
  return element;
}

/** @param {string} id @returns {any} */
export const byId = (id) => document.getElementById(id);

let fields = 0;

/**
 * A label with its control below it.
 * @param {string} label @param {HTMLElement} control @param {string} [hint]
 */
export function field(label, control, hint) {
  control.id ||= `field-${(fields += 1)}`;
  const said = hint ? make("p.hint", { text: hint, id: `${control.id}-hint` }) : null;
  if (said) control.setAttribute("aria-describedby", said.id);
  return make("div.field", {}, make("label", { for: control.id, text: label }), control, said);
}

/**
 * @param {(string|number)[]|[string|number, string][]} options values, or values with their words
 * @param {string|number|undefined} chosen
 * @param {(value: string) => void} onchange
 */
export function choice(options, chosen, onchange) {
  const select = make("select", { onchange: () => onchange(select.value) });
  for (const option of options) {
    const [value, words] = Array.isArray(option) ? option : [option, String(option)];
    select.append(new Option(words, String(value), false, String(value) === String(chosen)));
  }
  return select;
}

/**
 * A button that cannot be pressed twice while its work goes on.
 * @param {string} text @param {() => (Promise<any>|any)} work @param {string} [look] a class
 */
export function action(text, work, look = "") {
  const button = make(look ? `button.${look}` : "button", { type: "button", text });
  button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      await work();
    } finally {
      button.disabled = false;
    }
  });
  return button;
}

/**
 * A dialog that is open until its form is sent or left. Resolves with whether it was sent.
 * @param {string} title @param {Node[]} content @param {string} [send] what the button says; none if left out
 * @returns {Promise<boolean>}
 */
export function ask(title, content, send) {
  const form = make("form", { method: "dialog" }, make("h2", { text: title }), ...content);
  const buttons = make("div.row.end");
  buttons.append(make("button.quiet", { value: "", text: send ? "Cancel" : "Close", formnovalidate: true }));
  if (send) buttons.append(make("button", { value: "sent", text: send }));
  form.append(buttons);
  const dialog = make("dialog", { "aria-label": title }, form);
  byId("dialogs").append(dialog);
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => {
      dialog.remove();
      resolve(dialog.returnValue === "sent");
    });
  });
}
