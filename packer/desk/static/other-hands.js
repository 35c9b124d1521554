// What comes into the packs by other ways than this fetch: files that the planner has, and parts that others fetch.

import { action, choice, field, make } from "./dom.js";
import { busy } from "./job.js";
import { store } from "./store.js";
import { count } from "./words.js";

const chosen = { layer: "", path: "", over: false, parts: "2", to: "", from: "" };
const open = { own: false, share: false };

/** @returns {Node[]} */
export function otherHands() {
  if (store.state?.lacks) return [];
  return [
    folded("own", "Files and pictures that you have", ownFiles()),
    folded("share", "Share the fetch with others", sharing()),
  ];
}

/** @param {"own"|"share"} key @param {string} title @param {Node[]} content */
function folded(key, title, content) {
  const part = make("details", { open: open[key] }, make("summary", { text: title }), make("div.stack", {}, ...content));
  part.addEventListener("toggle", () => { open[key] = /** @type {any} */ (part).open; });
  return part;
}

/** @returns {Node[]} */
function ownFiles() {
  const job = store.job("take-in");
  if (running(job)) return busy("take-in", "Taking in");
  const names = (store.state?.layers ?? []).map((/** @type {any} */ layer) => layer.name);
  if (!names.includes(chosen.layer)) chosen.layer = names[0];
  const layer = choice(names, chosen.layer, (value) => { chosen.layer = value; });
  const over = make("input", { type: "checkbox", checked: chosen.over });
  over.addEventListener("change", () => { chosen.over = over.checked; });
  const start = (/** @type {boolean} */ yes) => store.startJob("take-in", { layer: chosen.layer, path: chosen.path, over: chosen.over, ...(yes ? { yes } : {}) });
  const asks = job?.result?.asks && job.options.path === chosen.path && job.options.layer === chosen.layer;
  return [
    make("p.hint", { text: "A picture with its position (GeoTIFF) is described first, and cut into tiles when you say so. MBTiles, GeoPackage and folders of tiles are taken in at once. Each tile is checked; what is stored stays." }),
    ...outcome(job, (result) => (result.text ? [make("pre", { tabindex: "0", text: result.text })] : tookIn(result))),
    field("Into the layer", layer),
    field("File or folder on this computer", typed("path", "/home/me/flight.tif")),
    make("label.check", {}, over, " Lay a picture over stored tiles as well"),
    make("div.row", {}, action(asks ? "Look again" : "Look at it", () => start(false), asks ? "quiet" : ""), asks ? action("Cut it into tiles", () => start(true)) : null),
  ];
}

/** @param {any} result @returns {Node[]} */
function tookIn(result) {
  const cut = (result.pictures ?? []).reduce((/** @type {number} */ sum, /** @type {any} */ one) => sum + one.cut + one.laid, result.taken ?? 0);
  const waiting = (result.pictures ?? []).reduce((/** @type {number} */ sum, /** @type {any} */ one) => sum + one.waiting, 0);
  const part = waiting ? ` ${count(waiting, "tile")} at its edge are shown in part, and left to the layer's server. To have the picture there as well, fetch first, then lay it over.` : "";
  return [make("p.next", { text: `Done: ${count(cut, "tile")} taken in.${part}` })];
}

/** @returns {Node[]} */
function sharing() {
  const [split, merge] = [store.job("split"), store.job("merge")];
  if (running(split)) return busy("split", "Writing the parts");
  if (running(merge)) return busy("merge", "Taking in");
  const parts = make("input", { type: "number", min: 2, max: 50, value: chosen.parts });
  parts.addEventListener("input", () => { chosen.parts = parts.value; });
  return [
    make("p.hint", { text: "What is missing is shared out: each part is a folder with a brief of its own, for a colleague with another link. Afterwards you take their packs in." }),
    ...outcome(split, (result) => [
      make("p.next", { text: result.missing ? `Written: ${result.parts.map((/** @type {any} */ one) => `${one.brief} (${count(one.tiles, "tile")})`).join(", ")}.` : "Nothing is missing, so there is nothing to share out." }),
    ]),
    field("How many parts", parts),
    field("Folder for the parts", typed("to", "/media/stick/parts")),
    make("div.row", {}, action("Write the parts", () => store.startJob("split", { parts: Number(chosen.parts), to: chosen.to }), "quiet")),
    ...outcome(merge, (result) => [
      make("p.next", { text: `${count(result.taken, "tile")} taken in, ${result.kept.toLocaleString("en")} were there already.` }),
      ...result.refused.map((/** @type {string} */ text) => make("p.warning", { text: `Refused: ${text}` })),
    ]),
    field("Folder with their packs", typed("from", "/media/stick/part 2")),
    make("div.row", {}, action("Take their packs in", () => store.startJob("merge", { from: chosen.from }), "quiet")),
  ];
}

/** @param {"path"|"to"|"from"} key @param {string} example */
function typed(key, example) {
  const input = make("input", { type: "text", value: chosen[key], placeholder: example, spellcheck: "false" });
  input.addEventListener("input", () => { chosen[key] = input.value; });
  return input;
}

/** @param {any} job */
export const running = (job) => Boolean(job) && ["running", "stopping"].includes(job.state);

/**
 * What a job came to, or why it failed.
 * @param {any} job @param {(result: any) => Node[]} tell
 * @returns {Node[]}
 */
export function outcome(job, tell) {
  if (job?.error) return [make("p.warning", { text: job.error, role: "status" })];
  return job?.result ? tell(job.result) : [];
}
