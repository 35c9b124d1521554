// Proof: the three depths of checking, the verdict large, and the gaps as a list.

import { action, make } from "./dom.js";
import { busy } from "./job.js";
import { store } from "./store.js";
import { table } from "./room.js";
import { clock } from "./words.js";

const DEPTHS = /** @type {[string, string, string][]} */ ([
  ["quick", "Quick", "Is every planned tile recorded as stored? A moment."],
  ["usual", "Check", "Every stored body is hashed again. Do this before you leave."],
  ["full", "Full", "Every picture is decoded as well. Longer."],
]);
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
  return [...head, ...(job?.result ? verdict(job) : []), ...buttons];
}

/** @param {any} job @returns {Node[]} */
function verdict({ result, ended }) {
  const look = result.ready ? "p.verdict.ready" : "p.verdict.not-ready";
  const gaps = result.problems.slice(0, MOST).map((/** @type {any} */ one) => {
    const go = () => store.tell("go-to", place(one.tile));
    return make("li", {}, make("button.link", { type: "button", text: `${one.layer} ${one.tile}`, onclick: go }), ` ${one.kind}`);
  });
  const more = result.problems.length - gaps.length + result.problems_not_listed;
  return [
    make(look, { text: result.verdict, role: "status" }),
    make("p.hint", { text: `Checked at ${clock(ended)}.` }),
    ...result.reasons.map((/** @type {string} */ text) => make("p.warning", { text })),
    ...(result.warnings).map((/** @type {string} */ text) => make("p", { text })),
    table(["Layer", "Planned", "Stored", "Missing"], Object.entries(result.layers).map(([name, one]) => [name, ...[one.planned, one.stored, one.missing + one.corrupt].map((n) => n.toLocaleString("en"))])),
    ...(gaps.length ? [make("h3", { text: "Gaps" }), make("ul.plain-list", {}, ...gaps), ...(more > 0 ? [make("p.hint", { text: `and ${more.toLocaleString("en")} more.` })] : []), repair()] : []),
    ...result.not_checked.map((/** @type {string} */ text) => make("p.hint", { text })),
  ];
}

function repair() {
  return action("Fetch what is missing", async () => {
    if (await store.startJob("fetch")) store.open("fetch");
  });
}

/** The middle of a tile. @param {string} tile z/x/y */
function place(tile) {
  const [z, x, y] = tile.split("/").map(Number);
  const n = 2 ** z;
  const lat = (Math.atan(Math.sinh(Math.PI * (1 - (2 * (y + 0.5)) / n))) * 180) / Math.PI;
  return { lon: ((x + 0.5) / n) * 360 - 180, lat, zoom: z };
}
