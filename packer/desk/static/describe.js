// Layers whose servers describe them: asked once by itself when one is new, and again by a button.

import { action, make } from "./dom.js";
import { store } from "./store.js";

let asked = ""; // the layers that were asked for by itself, so that a server which does not answer is not asked for ever

/** Ask for what is not known yet, as soon as it is there. */
export function askForDescriptions() {
  store.on("state", () => {
    const names = (store.state?.undescribed ?? []).join("\n");
    if (!names || names === asked || store.state?.lacks || busy()) return;
    asked = names;
    void store.startJob("describe");
  });
  store.on("job", ({ kind, ended }) => { if (kind === "describe" && ended) void store.refresh(); });
}

/** @returns {Node[]} */
export function describePart() {
  const names = store.state?.undescribed ?? [];
  if (!names.length) return [];
  const job = store.job("describe");
  if (job && ["running", "stopping"].includes(job.state)) return [make("p", { text: "Asking the server what it offers.", role: "status" })];
  const why = job?.error ? [make("p.warning", { text: job.error })] : [];
  const words = `The server of ${names.join(" and ")} has not said yet what it offers.`;
  return [make("p.warning", { text: words }), ...why, action("Ask the server", () => store.startJob("describe"), "quiet")];
}

/** Whether anything asks servers just now. */
function busy() {
  const jobs = Object.values(store.state?.jobs ?? {});
  return Boolean(store.state?.elsewhere) || jobs.some((job) => ["running", "stopping"].includes(job.state));
}
