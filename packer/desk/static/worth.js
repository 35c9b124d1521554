// Worth: what the survey found, area by area, with one button to take each depth over.

import { action, make } from "./dom.js";
import { busy, needs } from "./job.js";
import { store } from "./store.js";
import { stripPart } from "./strip.js";
import { bytes, clock, count } from "./words.js";

/** @returns {Node[]} */
export function worthPanel() {
  const job = store.job("survey");
  const head = [
    make("h2", { text: "Is it worth having?" }),
    make("p", { text: "A survey fetches a small sample of each area and looks at it: is the imagery there, and how deep is it real? The samples are kept." }),
  ];
  if (job && ["running", "stopping"].includes(job.state)) return [...head, ...busy("survey", fetched(job) ? "All samples are here and are being looked at" : "Fetching samples"), ...stripPart()];
  const beside = store.state?.survey_elsewhere;
  if (beside) return [...head, ...elsewhere(beside), ...stripPart()];
  const start = action(job?.result ? "Survey again" : "Survey", () => store.startJob("survey"));
  start.disabled = Boolean(store.state?.lacks);
  const failed = job?.error ? [make("p.warning", { text: job.error })] : [];
  return [...head, ...needs(), start, ...failed, ...(job?.result ? verdicts(job.result) : []), ...stripPart()];
}

/**
 * A survey that a terminal runs: it is shown, and only the terminal can stop it.
 * @param {any} job
 * @returns {Node[]}
 */
function elsewhere({ started, process, progress }) {
  const bar = make("progress", { max: progress.planned || 1, value: progress.done, "aria-label": "Samples" });
  if (!progress.planned) bar.removeAttribute("value");
  const start = action("Survey", () => undefined);
  start.disabled = true;
  return [
    make("p.next", { text: `A survey runs in a terminal since ${clock(started)} (process ${process}). To stop it, press Ctrl-C there. A survey here takes over what it has sampled.` }),
    make("p", { text: `${progress.done.toLocaleString("en")} of ${count(progress.planned, "sample")} so far`, role: "status" }),
    bar,
    start,
  ];
}

/** @param {any} job */
function fetched({ progress }) {
  return progress.planned > 0 && progress.done + progress.failed >= progress.planned;
}

/** @param {any} result @returns {Node[]} */
function verdicts(result) {
  return Object.entries(result.layers).flatMap(([layer, found]) => [
    make("h3", { text: layer }),
    ...sheet(layer, result.sheets ?? []),
    ...found.notices.map((/** @type {string} */ text) => make("p.warning", { text })),
    make("ul.plain-list", {}, ...Object.entries(found.areas).map(([name, area]) => verdict(layer, name, area))),
  ]);
}

/**
 * The samples themselves, to look through.
 * @param {string} layer @param {string[]} drawn
 * @returns {Node[]}
 */
function sheet(layer, drawn) {
  if (!drawn.includes(layer)) return [];
  const src = `/api/sheet/${encodeURIComponent(layer)}`;
  const picture = make("img.sheet-of-samples", { src, loading: "lazy", alt: `Samples of ${layer}, each with its verdict` });
  return [make("details", {}, make("summary", { text: "Look through the samples" }), make("a", { href: src, target: "_blank", rel: "noopener" }, picture))];
}

/** @param {string} layer @param {string} name @param {any} area */
function verdict(layer, name, area) {
  const over = area.worth_to < area.deepest;
  const saves = over ? ` Saves ${count(area.saves.tiles, "tile")}, ${bytes(area.saves.bytes)}.` : "";
  const words = over ? `worth having to zoom ${area.worth_to}, asked to ${area.deepest}.${saves}` : area.judged ? `worth having to zoom ${area.deepest}, as asked.` : `could not be judged. Zoom ${area.deepest} stands, as asked.`;
  const item = make(
    "li",
    { class: over ? "over" : "" },
    make("button.link", { type: "button", text: name, onclick: () => store.choose(name) }),
    make("span", { text: ` ${words} ` }),
    make("span.hint", { text: `${area.evidence}.` }),
  );
  if (over && name !== "overview") item.append(action(`Take zoom ${area.worth_to}`, () => take(layer, name, area.worth_to), "quiet"));
  return item;
}

/** @param {string} layer @param {string} name @param {number} zoom */
async function take(layer, name, zoom) {
  const values = store.area(name)?.values;
  if (!values) return;
  const names = values.layers ?? store.state?.layers.map((/** @type {any} */ one) => one.name) ?? [];
  const plain = typeof values.deepest === "number" ? values.deepest : store.state?.uses[values.use];
  const each = typeof values.deepest === "object" && values.deepest ? values.deepest : Object.fromEntries(names.map((/** @type {string} */ one) => [one, plain]));
  const deepest = names.length > 1 ? { ...each, [layer]: zoom } : zoom;
  await store.change({ do: "set-area", name, values: { deepest, use: null } });
}
