// Proof: the three depths of checking, the verdict large, how deep the map is, and the gaps as a list.

import { action, make } from "./dom.js";
import { busy, needs } from "./job.js";
import { store } from "./store.js";
import { table } from "./room.js";
import { clock, count } from "./words.js";

const DEPTHS = /** @type {[string, string, string][]} */ ([
  ["quick", "Quick", "Is every planned tile recorded as stored? A moment. No proof."],
  ["usual", "Check", "Every stored tile is hashed again. Do this before you leave."],
  ["full", "Full", "Every picture is decoded as well. Longer."],
]);
const LOOKS = /** @type {{[verdict: string]: string}} */ ({ READY: "ready", "READY WITH WARNINGS": "care" });
const MOST = 40;

/** @returns {Node[]} */
export function proofPanel() {
  const job = store.job("verify");
  const head = [make("h2", { text: "Is nothing missing?" })];
  if (job && job.state === "running") return [...head, ...busy("verify", "Checking")];
  const buttons = DEPTHS.map(([depth, name, words]) => {
    const start = action(name, () => store.startJob("verify", { depth }), depth === "usual" ? "" : "quiet");
    start.disabled = Boolean(store.state?.lacks);
    return make("div.option", {}, start, make("span.hint", { text: words }));
  });
  if (job?.error) return [...head, make("p.warning", { text: job.error }), ...buttons];
  return [...head, ...needs(), ...(job?.result ? verdict(job) : []), ...buttons];
}

/** @param {any} job @returns {Node[]} */
function verdict(job) {
  const { result, ended } = job;
  const old = store.outdated(job);
  const look = old ? "old" : (LOOKS[result.verdict] ?? "not-ready");
  const quick = result.depth === "quick" && result.ready ? " A quick check is no proof." : "";
  const since = old ? " The brief or its files have changed since: check again." : "";
  return [
    make(`p.verdict.${look}`, { text: result.verdict, role: "status" }),
    make(old ? "p.warning" : "p.hint", { text: `Checked at ${clock(ended)}.${quick}${since}` }),
    ...result.reasons.map((/** @type {string} */ text) => make("p.warning", { text })),
    make("p", {}, make("a", { href: "/api/report", target: "_blank", rel: "noopener", text: "Open the report, to save or print" })),
    ...(result.problems.length ? [repair()] : []),
    ...result.warnings.map((/** @type {string} */ text) => make("p.next", { text })),
    ...deep(result.depths),
    make("h3", { text: "Tiles" }),
    table(["Layer", "Planned", "Stored", "Not on server", "Missing", "Corrupt"], withSources(result.layers).map(([name, one]) => [
      name,
      ...[one.planned, one.stored, one.absent, one.missing, one.corrupt].map((n) => n.toLocaleString("en")),
    ])),
    ...gaps(result),
    make("h3", { text: "Not checked" }),
    make("ul.plain-list", {}, ...result.not_checked.map((/** @type {string} */ text) => make("li.hint", { text }))),
  ];
}

/**
 * Each layer with its name, and behind it the source that its tiles are made of.
 * @param {Record<string, any>} layers
 * @returns {[string, any][]}
 */
function withSources(layers) {
  /** @type {[string, any][]} */
  const rows = [];
  for (const [name, one] of Object.entries(layers)) {
    rows.push([name, one]);
    if (one.source) rows.push([`${name} (source)`, one.source]);
  }
  return rows;
}

/**
 * How deep the map is on board, area by area, those below their floor first.
 * @param {any[]} depths
 * @returns {Node[]}
 */
function deep(depths) {
  if (!depths.length) return [];
  const sorted = [...depths].sort((a, b) => Number(a.reaches_floor) - Number(b.reaches_floor));
  const rows = sorted.map((one) =>
    make(
      one.reaches_floor ? "li" : "li.below",
      {},
      make("button.link", { type: "button", text: one.area, onclick: () => store.choose(one.area) }),
      make("span", { text: `${one.layer} ${one.text}.` }),
      one.reaches_floor ? null : make("strong", { text: `✖ below its floor, zoom ${one.floor}` }),
    ),
  );
  const all = make("details", {}, make("summary", { text: "How deep it is on board" }), make("ul.plain-list", {}, ...rows));
  all.open = depths.every((one) => one.reaches_floor); // else the reasons above say it, with the places
  return [all];
}

/** @param {any} result @returns {Node[]} */
function gaps(result) {
  const listed = result.problems.slice(0, MOST).map((/** @type {any} */ one) => {
    const go = () => store.tell("go-to", place(one.tile));
    return make("li", {}, make("button.link", { type: "button", text: `${one.layer} ${one.tile}`, onclick: go }), ` ${one.kind}`);
  });
  if (!listed.length) return [];
  const more = result.problems.length - listed.length + result.problems_not_listed;
  return [
    make(
      "details",
      {},
      make("summary", { text: `${count(listed.length + more, "gap")}, by zoom, column and row` }),
      make("ul.plain-list", {}, ...listed),
      more > 0 ? make("p.hint", { text: `and ${more.toLocaleString("en")} more.` }) : null,
    ),
  ];
}

function repair() {
  return action("Fetch what is missing", async () => {
    if (await store.startJob("fetch")) store.open("fetch");
  });
}

/**
 * The middle of a tile.
 * @param {string} tile z/x/y
 */
function place(tile) {
  const [z, x, y] = tile.split("/").map(Number);
  const n = 2 ** z;
  const lat = (Math.atan(Math.sinh(Math.PI * (1 - (2 * (y + 0.5)) / n))) * 180) / Math.PI;
  return { lon: ((x + 0.5) / n) * 360 - 180, lat, zoom: z };
}
