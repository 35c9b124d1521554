// What a proposed change would leave out, crossed out on the map while one points at the proposal.

import { post } from "./api.js";
import { store } from "./store.js";

const L = window.L;
const INK = { color: "#8c2f1b", weight: 2.5, dashArray: "2 5", fillColor: "#8c2f1b", fillOpacity: 0.25, interactive: false };

/** @param {any} map */
export function drawWouldGo(map) {
  /** @type {any} */
  let shown = null;
  let turn = 0;
  store.on("would-go", async (edits) => {
    const mine = (turn += 1);
    shown?.remove();
    shown = null;
    if (!edits) return;
    const found = await post("/api/would-go", { edits }).catch(() => null);
    if (found && mine === turn) shown = L.geoJSON(found, { style: INK }).addTo(map);
  });
}

/**
 * Listeners for whatever stands for a proposal.
 * @param {object[]} edits
 */
export function pointing(edits) {
  const on = () => store.tell("would-go", edits);
  const off = () => store.tell("would-go", null);
  return { onpointerenter: on, onfocusin: on, onpointerleave: off, onfocusout: off };
}
