// What a page draws anew while a fetch runs, and what it leaves while nobody sees it.

import { store } from "./store.js";

const SOONEST_MS = 5_000;
const SHARE = 50;

/** @type {((ended: boolean) => Promise<void>)[]} */
const drawers = [];
let due = 0;

/**
 * Draw whenever a fetch has come further, and once it has ended: so seldom that all of them together, with what they ask
 * of the server, take a fiftieth of the time.
 * @param {(ended: boolean) => Promise<void>} draw
 */
export function whileFetching(draw) {
  drawers.push(draw);
  if (drawers.length > 1) return;
  let over = false; // an end that came while something was being drawn, or while nobody saw the page
  const all = async () => {
    if (due === Infinity || document.hidden || (!over && Date.now() < due)) return;
    due = Infinity; // one at a time
    const began = Date.now();
    const ended = over;
    over = false;
    for (const one of drawers) await one(ended);
    due = Date.now() + Math.max(SOONEST_MS, SHARE * (Date.now() - began));
    if (over) await all();
  };
  store.on("job", ({ kind, ended }) => {
    if (kind !== "fetch") return;
    over ||= Boolean(ended);
    all();
  });
  whenSeen(all);
}

/**
 * Do something each time that the page is seen again.
 * @param {() => void} what
 */
export function whenSeen(what) {
  document.addEventListener("visibilitychange", () => document.hidden || what());
}
