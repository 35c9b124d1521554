// What the log beside the packs tells of its newest fetch, here or in a terminal; asked for only while it is open.

import { get } from "./api.js";
import { make } from "./dom.js";
import { whileFetching } from "./growing.js";
import { clock } from "./words.js";

const OLD_MS = 5000;
// The panel is drawn anew at any moment; whether the log is open, and what it said, outlive that.
const kept = { list: /** @type {HTMLElement|null} */ (null), open: false, asked: 0, events: /** @type {{at: number, text: string}[]} */ ([]) };

/** @returns {HTMLElement} */
export function logPart() {
  const list = make("ul.plain-list.log");
  const details = make("details", { open: kept.open }, make("summary", { text: "Log of the last fetch" }), list);
  details.addEventListener("toggle", () => {
    kept.open = details.open;
    if (details.open) ask(list);
  });
  kept.list = list;
  show(list);
  if (kept.open) ask(list);
  return details;
}

/** The log grows with its fetch. */
export function followLog() {
  whileFetching(async () => {
    if (kept.open && kept.list?.isConnected) await ask(kept.list);
  });
}

/** @param {HTMLElement} list */
async function ask(list) {
  if (Date.now() - kept.asked < OLD_MS) return;
  kept.asked = Date.now();
  const found = await get("/api/log").catch(() => null);
  if (found) kept.events = found.events;
  show(list);
}

/** @param {HTMLElement} list */
function show(list) {
  const rows = kept.events.map(({ at, text }) => make("li", {}, make("span.hint", { text: clock(at) }), make("span", { text })));
  list.replaceChildren(...(rows.length ? rows.reverse() : [make("li.hint", { text: "Nothing yet." })]));
}
