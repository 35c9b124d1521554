// How far a fetch is: the figures that move each second. They are changed in place, since a panel that is made anew has to
// be laid out and painted as a whole.

import { make } from "./dom.js";
import { handsForm, handsPart } from "./hands.js";
import { bytes, clock, count } from "./words.js";

/** @type {{at: number, bytes: number, done: number}[]} */
const marks = [];
/** @type {{form: string, show: (job: any) => void}|null} */
let shown = null;

/** What the speed is taken from begins anew. */
export function forgetPace() {
  marks.length = 0;
  shown = null;
}

/**
 * How far a fetch is, what it waits for, and a bar for each area.
 * @param {any} job @param {Node[]} waits
 * @returns {Node[]}
 */
export function standing(job, waits) {
  mark(job.progress);
  const share = make("p.large", { role: "status" });
  const all = make("progress", { "aria-label": "All tiles" });
  const figures = make("p");
  const hands = handsPart(job);
  const bars = areas(job.progress.layers).map(({ area }) => {
    const bar = make("progress", { max: 1 });
    const depths = make("span.depths");
    return { bar, depths, line: make("li", {}, make("span.name", { text: area }), bar, depths) };
  });
  const show = (/** @type {any} */ now) => {
    const told = now.progress;
    hands.show(now);
    const percent = `${Math.floor((100 * told.done) / Math.max(told.planned, 1))} %`;
    set(share, told.counted === false ? "Waiting" : percent); // before the packs are read nobody knows
    all.max = told.planned || 1;
    all.value = told.done;
    set(figures, figuresOf(told));
    areas(told.layers).forEach(({ area, mean, depths }, i) => {
      bars[i].bar.value = mean;
      bars[i].bar.setAttribute("aria-label", `${area}: ${Math.floor(mean * 100)} %`);
      set(bars[i].depths, depths);
    });
  };
  show(job);
  shown = { form: form(job), show };
  return [share, all, figures, ...waits, ...hands.nodes, make("h3", { text: "By area" }), make("ul.bars", {}, ...bars.map(({ line }) => line))];
}

/**
 * Bring the figures that are shown up to date; gives whether that was all there was to do.
 * @param {any} job
 */
export function moved(job) {
  if (!shown || !job.progress?.layers || shown.form !== form(job)) return false;
  mark(job.progress);
  shown.show(job);
  return true;
}

/**
 * All of a job that stands in the panel and is no figure that moves.
 * @param {any} job
 */
function form(job) {
  const { state, started, progress } = job;
  const layers = Object.entries(progress.layers).map(([name, one]) => [name, one.pause, one.departure, Object.keys(one.areas)]);
  return JSON.stringify([state, started, layers, handsForm(job)]);
}

/** @param {HTMLElement} element @param {string} text */
function set(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** @param {any} told */
function figuresOf(told) {
  if (told.counted === false) return `${count(told.planned, "tile")} planned. What is stored is kept, and counted once the fetch starts.`;
  const pace = speed();
  const left = told.planned - told.done - told.failed;
  const parts = [`${told.done.toLocaleString("en")} of ${count(told.planned, "tile")}`];
  if (told.bytes !== null) parts.push(bytes(told.bytes));
  if (pace.bytes > 0) parts.push(`${((8 * pace.bytes) / 1e6).toPrecision(2)} Mbit/s`);
  if (pace.tiles > 0 && left > 0) parts.push(`done about ${clock(told.at + left / pace.tiles)}`);
  return parts.join(", ");
}

/**
 * Each area's share, and the depth that is on board of the one asked for, layer by layer.
 * @param {any} layers
 * @returns {{area: string, mean: number, depths: string}[]}
 */
function areas(layers) {
  const found = new Map();
  for (const [name, layer] of Object.entries(layers)) {
    for (const [area, zooms] of Object.entries(layer.areas)) {
      const entries = Object.entries(zooms).map(([zoom, share]) => [Number(zoom), Number(share)]);
      // Each zoom has about four times the tiles of the one before: a bar is to tell of tiles.
      const weight = entries.reduce((sum, [zoom]) => sum + 4 ** zoom, 0);
      const mean = entries.reduce((sum, [zoom, share]) => sum + share * 4 ** zoom, 0) / Math.max(weight, 1);
      const one = found.get(area) ?? { shares: [], depths: [] };
      one.shares.push(mean);
      const { held, asked } = layer.depths[area];
      one.depths.push(held === null ? `${name}: nothing whole yet of zoom ${asked}` : `${name}: zoom ${held} of ${asked}`);
      found.set(area, one);
    }
  }
  return [...found].map(([area, { shares, depths }]) => {
    const mean = shares.reduce((/** @type {number} */ a, /** @type {number} */ b) => a + b, 0) / shares.length;
    return { area, mean, depths: depths.join(" · ") };
  });
}

/** @param {any} told */
function mark(told) {
  const at = told.at - told.waited; // a wait for the network is no part of the pace
  while (marks.length && /** @type {any} */ (marks.at(-1)).at >= at) marks.pop();
  marks.push({ at, bytes: told.bytes, done: told.done });
  while (marks.length > 2 && at - marks[1].at > 20) marks.shift();
}

function speed() {
  const [first, last] = [marks[0], marks.at(-1)];
  const span = (last?.at ?? 0) - (first?.at ?? 0);
  if (!first || !last || span < 2) return { tiles: 0, bytes: 0 };
  return { tiles: (last.done - first.done) / span, bytes: (last.bytes - first.bytes) / span };
}
