// Cards: sealed files for the crews' devices, and a look at a card that was written.

import { action, choice, field, make } from "./dom.js";
import { busy, needs } from "./job.js";
import { store } from "./store.js";
import { bytes } from "./words.js";

const KINDS = /** @type {[string, string][]} */ ([
  ["mbtiles", "MBTiles, one file a layer"],
  ["gpkg", "GeoPackage, one file a layer"],
  ["folder", "loose tiles in folders"],
]);
const chosen = { to: "", as: "mbtiles", gaps: false };

/** @returns {Node[]} */
export function cardsPanel() {
  const [handover, inspect] = [store.job("handover"), store.job("inspect")];
  const head = [make("h2", { text: "Hand over" })];
  if (handover && ["running", "stopping"].includes(handover.state)) return [...head, ...busy("handover", "Writing")];
  if (inspect && ["running", "stopping"].includes(inspect.state)) return [...head, ...busy("inspect", "Reading")];
  const to = make("input", { type: "text", value: chosen.to, placeholder: "/media/card or E:\\", spellcheck: "false" });
  to.addEventListener("input", () => { chosen.to = to.value; });
  const kind = choice(KINDS, chosen.as, (value) => { chosen.as = value; });
  const gaps = make("input", { type: "checkbox", checked: chosen.gaps });
  gaps.addEventListener("change", () => { chosen.gaps = gaps.checked; });
  const crews = (store.state?.crews ?? []).map((/** @type {any} */ crew) => crew.name).join(", ");
  const write = action("Write the files", () => store.startJob("handover", { to: chosen.to, as: chosen.as, allow_gaps: chosen.gaps }));
  write.disabled = Boolean(store.state?.lacks);
  return [
    ...head,
    field("Folder or card", to),
    field("Kind of files", kind),
    make("label.check", {}, gaps, " Write them even if tiles are missing or the map is less deep than its floor, and say so on the card"),
    make("p.hint", { text: crews ? `Each crew gets a folder of its own: ${crews}.` : "Everybody gets everything. Crews are made under Ground." }),
    ...needs(),
    make("div.row", {}, write, action("Inspect this card", () => store.startJob("inspect", { to: chosen.to }), "quiet")),
    ...(handover?.error ? [make("p.warning", { text: handover.error })] : []),
    ...(handover?.result ? written(handover) : []),
    ...(inspect?.error ? [make("p.warning", { text: inspect.error })] : []),
    ...(inspect?.result ? inspected(inspect.result) : []),
  ];
}

/** @param {any} job @returns {Node[]} */
function written(job) {
  const { result } = job;
  const old = store.outdated(job) ? [make("p.warning", { text: "Out of date: the brief or its files have changed since. Fetch, check and write again." })] : [];
  const items = result.copies.map((/** @type {any} */ copy) =>
    make("li", { text: `${copy.crew ?? "For everyone"}: ${bytes(copy.size_bytes)} in ${copy.folder}` }),
  );
  const words = result.complete ? "Written and sealed." : "Written with gaps. The card says what is missing or not deep enough.";
  return [make("h3", { text: words }), ...old, make("ul.plain-list", {}, ...items)];
}

/** @param {any} result @returns {Node[]} */
function inspected(result) {
  const good = result.intact && result.copies.every((/** @type {any} */ copy) => copy.complete);
  const folders = result.folders.map((/** @type {any} */ one) => `${one.folder}: ${one.state}${one.detail ? `, ${one.detail}` : ""}`);
  const files = result.copies.flatMap((/** @type {any} */ copy) =>
    copy.files
      .filter((/** @type {any} */ file) => file.state !== "intact")
      .map((/** @type {any} */ file) => `${copy.crew ?? "For everyone"}, ${file.name}: ${file.state}${file.detail ? `, ${file.detail}` : ""}`),
  );
  return [
    make(good ? "p.verdict.ready" : "p.verdict.not-ready", { text: result.verdict, role: "status" }),
    make("ul.plain-list", {}, ...[...folders, ...files].map((text) => make("li", { text }))),
  ];
}
