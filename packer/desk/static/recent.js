// The trips that were on the desk lately, while this one has not begun.

import { get, post } from "./api.js";
import { make } from "./dom.js";
import { store } from "./store.js";

/** @type {any[]|null} */
let trips = null;

/** @returns {Node[]} */
export function recentPart() {
  if (store.state?.saved) return [];
  if (!trips) {
    trips = [];
    get("/api/recent").then((found) => {
      trips = found.trips;
      if (trips?.length) store.tell("state");
    }, () => undefined);
  }
  if (!trips.length) return [];
  const rows = trips.map(({ path, title, opened }) => {
    const button = make("button.link", { type: "button", text: title, onclick: () => open(path) });
    const day = new Date(opened * 1000).toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric" });
    return make("li", {}, button, make("span.hint", { text: ` ${day}, ${path}` }));
  });
  return [make("h3", { text: "Recent trips" }), make("ul.plain-list.cards", {}, ...rows)];
}

/** @param {string} path */
async function open(path) {
  try {
    await post("/api/open", { path });
    location.reload();
  } catch (fault) {
    await store.refused(fault);
  }
}
