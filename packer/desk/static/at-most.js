// How much of the link a fetch may take, so that others on the same Wi-Fi have room; also while it runs.

import { post } from "./api.js";
import { make } from "./dom.js";
import { store } from "./store.js";
import { clock } from "./words.js";

let open = false;

/** @returns {Node[]} */
export function atMostPart() {
  const now = store.state?.at_most;
  const mbit = now ? String(now.bits_per_second / 1e6) : "";
  const speed = make("input", { type: "text", inputmode: "decimal", size: "6", "aria-label": "At most, Mbit a second", placeholder: "Mbit/s", value: mbit });
  const until = make("input", { type: "time", "aria-label": "Until", value: now?.until ? clock(now.until) : "" });
  const set = () => {
    const asked = speed.value.trim().replace(",", ".");
    if (asked || now) void ask({ speed: asked ? `${asked} Mbit` : "", until: until.value });
  };
  // No button: the panel follows the fetch as soon as a field is left, and would take it away before it is pressed.
  for (const input of [speed, until]) input.addEventListener("change", set);
  const said = now
    ? `The fetch takes at most ${mbit} Mbit/s${now.until ? ` until ${clock(now.until)}` : ""}. An empty field lifts the limit.`
    : "How much of the link may the fetch take? It holds as soon as you leave the field.";
  const part = make(
    "details",
    {},
    make("summary", { text: "Leave room for others" }),
    make("p.hint", { text: said }),
    make("div.row", {}, speed, make("span", { text: "until" }), until),
  );
  part.open = open || Boolean(now);
  part.addEventListener("toggle", () => { open = part.open; });
  return [part];
}

/** @param {{speed: string, until?: string}} asked */
async function ask(asked) {
  try {
    store.take(await post("/api/at-most", asked));
  } catch (fault) {
    await store.refused(fault);
  }
}
