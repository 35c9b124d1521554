// Cards: sealed files for the crews' devices, and a look at a card that was written.

import { get } from "./api.js";
import { action, choice, field, make } from "./dom.js";
import { busy, needs } from "./job.js";
import { store } from "./store.js";
import { bytes, clock } from "./words.js";

const KINDS = /** @type {[string, string][]} */ ([
  ["mbtiles", "MBTiles, one file a layer"],
  ["gpkg", "GeoPackage, one file a layer"],
  ["folder", "loose tiles in folders"],
]);
const MOST_REASONS = 6;
const DRIVES_MS = 5_000;
const chosen = { to: "", as: "mbtiles", gaps: false, blend: false, most: "", without: /** @type {Set<string>} */ (new Set()) };
/** @type {any[]|null} */
let plugged = null;
let askedAt = 0;

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
  const blend = make("input", { type: "checkbox", checked: chosen.blend });
  blend.addEventListener("change", () => { chosen.blend = blend.checked; });
  const most = make("input", { type: "text", value: chosen.most, placeholder: "as large as the card takes" });
  most.addEventListener("input", () => { chosen.most = most.value; });
  const lies = (store.state?.layers ?? []).some((/** @type {any} */ layer) => layer.over);
  const all = (store.state?.crews ?? []).map((/** @type {any} */ crew) => crew.name);
  // What is ticked when the button is pressed counts: the panel is not drawn anew while a box has the focus.
  const named = () => all.filter((/** @type {string} */ name) => !chosen.without.has(name));
  const crews = () => (named().length === all.length ? {} : { crews: named() });
  const write = action("Write the files", () => store.startJob("handover", { to: chosen.to, as: chosen.as, allow_gaps: chosen.gaps, blend: lies && chosen.blend, max_file: chosen.most.trim(), ...crews() }));
  write.disabled = Boolean(store.state?.lacks) || (all.length > 0 && !named().length);
  return [
    ...head,
    // What has just come out stands where the eye is.
    ...(inspect?.error ? [make("p.warning", { text: inspect.error })] : []),
    ...(inspect?.result ? inspected(inspect.result) : []),
    ...(handover?.error ? [make("p.warning", { text: handover.error })] : []),
    ...(handover?.result ? written(handover) : []),
    ...known(),
    field("Folder or card", to),
    drives(to),
    field("Kind of files", kind),
    make("label.check", {}, gaps, " Write them even if tiles are missing or the map is less deep than its floor, and say so on the card"),
    ...(lies ? [make("label.check", {}, blend, " Make one layer of those that lie over one another, for devices that show one at a time")] : []),
    make("details", { open: Boolean(chosen.most) }, make("summary", { text: "Size of files" }), field("Largest file", most, "Such as 4 GB. Larger ones are cut into several; none does not cut.")),
    all.length ? crewChoice(all) : make("p.hint", { text: "Everybody gets everything. Crews are made under Ground." }),
    ...needs(),
    make("div.row", {}, write, action("Inspect this card", () => store.startJob("inspect", { to: chosen.to }), "quiet")),
  ];
}

/**
 * The cards that this desk has written or inspected, those that are out of date first, each with why.
 * @returns {Node[]}
 */
function known() {
  const cards = [...(store.state?.cards ?? [])].sort((a, b) => b.differences.length - a.differences.length);
  if (!cards.length) return [];
  const rows = cards.map((card) => {
    const old = card.differences.length > 0;
    const why = card.differences.slice(0, MOST_REASONS).map((/** @type {string} */ text) => make("li", { text }));
    const more = card.differences.length - why.length;
    if (more > 0) why.push(make("li", { text: `and ${more.toLocaleString("en")} more.` }));
    return make(
      old ? "li.below" : "li", {},
      make("strong", { text: card.crew ?? "For everyone" }),
      make("span", { text: ` ${old ? "✖ out of date" : card.complete ? "✓ up to date" : "up to date, with gaps"}, ${clock(card.seen)}, ${card.folder}` }),
      old ? make("ul.plain-list", {}, ...why) : null,
    );
  });
  const old = cards.some((card) => card.differences.length);
  return [
    make("h3", { text: "Cards written or inspected here" }),
    ...(old ? [make("p.warning", { text: "Cards are out of date. Fetch, check and write them again." })] : []),
    make("ul.plain-list.cards", {}, ...rows),
  ];
}

/**
 * The drives that are plugged in, one button each.
 * @param {any} to the field that takes the folder
 */
function drives(to) {
  const row = make("div.row.drives", { role: "group", "aria-label": "Drives" });
  const draw = () => row.replaceChildren(...(plugged ?? []).map((drive) =>
    action(`${drive.path} (${bytes(drive.free)} free)`, () => { to.value = chosen.to = drive.path; }, "quiet")));
  draw();
  if (Date.now() - askedAt > DRIVES_MS) {
    askedAt = Date.now();
    get("/api/drives").then((found) => { plugged = found.drives; draw(); }, () => undefined);
  }
  return row;
}

/** @param {string[]} names */
function crewChoice(names) {
  const boxes = names.map((name) => {
    const box = make("input", { type: "checkbox", checked: !chosen.without.has(name) });
    box.addEventListener("change", () => {
      box.checked ? chosen.without.delete(name) : chosen.without.add(name);
      store.tell("state");
    });
    return make("label.check", {}, box, ` ${name}`);
  });
  return make("fieldset", {}, make("legend", { text: "Crews, each in a folder of its own" }), ...boxes);
}

/** @param {any} job @returns {Node[]} */
function written(job) {
  const { result } = job;
  const items = result.copies.map((/** @type {any} */ copy) =>
    make("li", { text: `${copy.crew ?? "For everyone"}: ${bytes(copy.size_bytes)} in ${copy.folder}` }),
  );
  const words = result.complete ? "Written and sealed." : "Written with gaps. The card says what is missing or not deep enough.";
  return [make("h3", { text: words }), make("ul.plain-list", {}, ...items)];
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
    ...result.copies.map((/** @type {any} */ copy) => cardText(copy.crew ?? "everyone", result.texts?.[copy.folder])).filter(Boolean),
  ];
}

/** @param {string} crew @param {string|undefined} text */
function cardText(crew, text) {
  if (!text) return null;
  return make("details", {}, make("summary", { text: `What the card tells ${crew}` }), make("pre.card-text", { tabindex: "0", text }));
}
