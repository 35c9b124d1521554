// What a job needs before it can start, and a job under way: a bar, what it does in words, and a button that stops it.

import { action, make } from "./dom.js";
import { store } from "./store.js";

/**
 * Why nothing can be started yet, if so.
 * @returns {Node[]}
 */
export function needs() {
  return store.state?.lacks ? [make("p.next", { text: `The brief needs ${store.state.lacks} first.` })] : [];
}

/**
 * @param {string} kind @param {string} words
 * @returns {Node[]}
 */
export function busy(kind, words) {
  const job = store.job(kind);
  const told = job.progress ?? {};
  const [done, all] = [told.done ?? 0, told.all ?? told.planned ?? 0];
  const bar = make("progress", { max: all || 1, value: done, "aria-label": words });
  if (!all) bar.removeAttribute("value");
  const doing = told.doing ?? told.layer;
  const says = `${words}${doing ? `: ${doing}` : ""}${all ? `, ${done.toLocaleString("en")} of ${all.toLocaleString("en")}` : ""}`;
  const stopping = job.state === "stopping";
  const stop = action(stopping ? "Stopping" : "Stop", () => store.stopJob(kind), "quiet");
  stop.disabled = stopping;
  return [make("p", { text: says, role: "status" }), bar, ...(kind === "verify" ? [] : [stop])];
}
