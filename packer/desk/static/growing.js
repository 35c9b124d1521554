// What a page draws anew while a fetch runs.

import { store } from "./store.js";

const SOONEST_MS = 2_500;

/**
 * Draw whenever a fetch has come further, and once it has ended: so seldom that it costs the fetch a twentieth at most.
 * @param {(ended: boolean) => Promise<void>} draw
 */
export function whileFetching(draw) {
  let due = 0;
  store.on("job", async ({ kind, ended }) => {
    if (kind !== "fetch" || (!ended && Date.now() < due)) return;
    const began = Date.now();
    due = Infinity; // one at a time
    await draw(Boolean(ended));
    due = Date.now() + Math.max(SOONEST_MS, 20 * (Date.now() - began));
  });
}
