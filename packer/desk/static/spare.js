// Tiles on this disk that the plan no longer needs: looked for, and removed only when that is said once more.

import { action, ask, make } from "./dom.js";
import { busy } from "./job.js";
import { outcome, running } from "./other-hands.js";
import { store } from "./store.js";
import { bytes, count } from "./words.js";

/** @returns {Node[]} */
export function sparePart() {
  if (store.state?.lacks) return [];
  const job = store.job("prune");
  const head = make("h3", { text: "Stored, but no longer planned" });
  if (running(job)) return [head, ...busy("prune", "Looking through the packs")];
  const found = store.outdated(job) ? null : job?.result;
  const told = job?.error ? outcome(job, () => []) : found ? [say(found)] : [make("p.hint", { text: "Tiles of areas that were deleted or made smaller stay stored until you remove them." })];
  const remove = found && found.tiles && !found.removed ? action(`Remove ${bytes(found.bytes)}`, () => removed(found), "quiet") : null;
  return [head, ...told, make("div.row", {}, action(found ? "Look again" : "Look for them", () => store.startJob("prune"), "quiet"), remove)];
}

/** @param {any} found */
function say(found) {
  if (!found.tiles) return make("p", { text: "Every stored tile is planned." });
  const layers = Object.entries(found.layers).map(([name, one]) => `${name} ${count(one.tiles, "tile")}`).join(", ");
  return make("p", { text: `${found.removed ? "Removed" : "Not needed"}: ${layers}, ${bytes(found.bytes)}.` });
}

/** @param {any} found */
async function removed(found) {
  const why = make("p", { text: `${count(found.tiles, "tile")} are removed from the packs. Undo does not bring them back: they would have to be fetched again. If another brief uses these packs, leave them.` });
  if (await ask("Remove what is not planned?", [why], "Remove")) await store.startJob("prune", { remove: found.mark });
}
