// What a fetch can be told beyond its departure. Kept while the page is open, and left out where nothing was chosen.

import { field, make } from "./dom.js";

const chosen = /** @type {{[option: string]: string|boolean}} */ ({});
let open = false;

/** @returns {{part: HTMLElement, options: () => {[option: string]: string|boolean}}} */
export function fetchChoices() {
  const text = (/** @type {string} */ option, /** @type {string} */ example) => {
    const input = make("input", { type: "text", value: chosen[option] ?? "", placeholder: example });
    input.addEventListener("input", () => { chosen[option] = input.value.trim(); });
    return input;
  };
  const absent = make("input", { type: "checkbox", checked: Boolean(chosen.ask_absent_again) });
  absent.addEventListener("change", () => { chosen.ask_absent_again = absent.checked; });
  const part = make(
    "details", { open },
    make("summary", { text: "More choices" }),
    make(
      "div.stack", {},
      field("Refresh tiles older than", text("refresh_older_than", "30d"), "Asks whether they have changed, and gets those that have. Empty: stored tiles stay as they are."),
      field("Stop after so much", text("max_bytes", "2 GB"), "For a link that is paid by its size."),
      field("Give up after waiting", text("give_up_after", "2h"), "Empty: waits for the network as long as it takes."),
      make("label.check", {}, absent, " Ask again for tiles that the server said it does not have"),
    ),
  );
  part.addEventListener("toggle", () => { open = /** @type {any} */ (part).open; });
  return { part, options: () => Object.fromEntries(Object.entries(chosen).filter(([, value]) => value)) };
}
