// What a shape would weigh while it is dragged: one question at a time, and of those that wait the newest alone.

import { post } from "./api.js";
import { byId } from "./dom.js";
import { store } from "./store.js";
import { bytes, count } from "./words.js";

/** @typedef {{name: string|null, values: object}} Question */

let asking = false;
/** @type {Question|null} */
let waiting = null;
let dragging = false;

/** @param {string|null} name of an area @param {object} values that it would have */
export function weigh(name, values) {
  dragging = true;
  waiting = { name, values };
  byId("weighed").classList.add("untrue");
  if (!asking) next();
}

/** The shape was let go: what it weighs now follows with the brief. */
export function stopWeighing() {
  dragging = false;
  waiting = null;
  byId("weighed").hidden = true;
}

async function next() {
  if (!waiting || store.state?.lacks) return;
  const { name, values } = waiting;
  waiting = null;
  asking = true;
  try {
    const found = await post("/api/weigh", { change: { do: "set-area", name, values } });
    if (dragging) show(name, found);
  } catch {
    // a shape that cannot be is told when it is let go
  }
  asking = false;
  next();
}

/** @param {string|null} name @param {any} found */
function show(name, found) {
  const tiles = Object.values(found.area.layers).reduce((/** @type {number} */ sum, one) => sum + one.tiles, 0);
  const over = found.crews.filter((/** @type {any} */ crew) => crew.budget !== null && crew.bytes.high > crew.budget);
  const much = over.length ? ` Too much for ${over[0].name}.` : "";
  const place = byId("weighed");
  place.textContent = `${name}: ${count(tiles, "tile")}, ${bytes(found.area.bytes)}. In all ${count(found.tiles, "tile")}, about ${bytes(found.bytes.expected)}.${much}`;
  place.hidden = false;
  place.classList.toggle("untrue", Boolean(waiting));
}
