// Worth: what the survey found, area by area, with one button to take each depth over.

import { action, make } from "./dom.js";
import { busy, needs } from "./job.js";
import { store } from "./store.js";
import { stripPart } from "./strip.js";
import { bytes, count } from "./words.js";

/** @returns {Node[]} */
export function worthPanel() {
  const job = store.job("survey");
  const head = [
    make("h2", { text: "Is it worth having?" }),
    make("p", { text: "A survey fetches a small sample of each area and looks at it: is the imagery there, and how deep is it real? The samples are kept." }),
  ];
  if (job && ["running", "stopping"].includes(job.state)) return [...head, ...busy("survey", fetched(job) ? "All samples are here and are being looked at" : "Fetching samples"), ...stripPart()];
  const start = action(job?.result ? "Survey again" : "Survey", () => store.startJob("survey"));
  start.disabled = Boolean(store.state?.lacks);
  const failed = job?.error ? [make("p.warning", { text: job.error })] : [];
  return [...head, ...needs(), start, ...failed, ...(job?.result ? verdicts(job.result) : []), ...stripPart()];
}

/** @param {any} job */
function fetched({ progress }) {
  return progress.planned > 0 && progress.done + progress.failed >= progress.planned;
}

/** @param {any} result @returns {Node[]} */
function verdicts(result) {
  return Object.entries(result.layers).flatMap(([layer, found]) => [
    make("h3", { text: layer }),
    ...found.notices.map((/** @type {string} */ text) => make("p.warning", { text })),
    make("ul.plain-list", {}, ...Object.entries(found.areas).map(([name, area]) => verdict(layer, name, area))),
  ]);
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
