// Fetch: start, watch, stop; what will be there by departure, and what is being waited for.

import { atMostPart } from "./at-most.js";
import { changedPart } from "./changed.js";
import { action, make } from "./dom.js";
import { needs } from "./job.js";
import { askKey } from "./key-field.js";
import { logPart } from "./log.js";
import { noticePart } from "./notices.js";
import { fetchChoices } from "./fetch-choices.js";
import { handsChoice, joining } from "./hands.js";
import { otherHands } from "./other-hands.js";
import { programsPart } from "./programs.js";
import { forgetPace, standing } from "./standing.js";
import { store } from "./store.js";
import { bytes, clock, count, duration } from "./words.js";

const WAITS = {
  link: "waiting for the network. Nothing gets through.",
  "sign-in": "a sign-in page answers in place of the server.",
  server: "waiting for the server, which is in trouble. No action needed.",
  "asked to wait": "waiting because the server asked for it. No action needed.",
};
let depart = "";
// Why nothing was started outlives a panel that is drawn anew meanwhile.
const refused = { text: "", shown: /** @type {HTMLElement|null} */ (null) };

/** @returns {Node[]} */
export function fetchPanel() {
  const job = store.job("fetch");
  const running = job && ["running", "stopping"].includes(job.state);
  const elsewhere = running ? null : store.state?.elsewhere;
  const state = running ? under(job) : elsewhere ? beside(elsewhere) : idle(job);
  return [make("h2", { text: "Fetch" }), ...state, ...(elsewhere ? [] : atMostPart()), ...noticePart(), logPart(), ...(running || elsewhere ? [] : otherHands())];
}

/**
 * A fetch that a terminal runs: all of it is shown, and only the terminal can stop it.
 * @param {any} job
 * @returns {Node[]}
 */
function beside(job) {
  const start = action("Start", () => undefined);
  start.disabled = true;
  const since = `In a terminal since ${clock(job.started)} (process ${job.process}).`;
  return [
    make("p.next", { text: `${since} It is shown here as it goes. To stop it, press Ctrl-C there. Start is possible again then.` }),
    ...power(),
    ...standing(job, waits(job.progress.layers)),
    start,
  ];
}

/**
 * A battery that is running down.
 * @returns {Node[]}
 */
function power() {
  const percent = store.state?.battery;
  if (percent === null || percent === undefined) return [];
  return [make("p.warning", { text: `This machine runs on its battery, which was ${percent} % full. Plug it in if you can.` })];
}

/** @param {any} job @returns {Node[]} */
function idle(job) {
  forgetPace();
  const when = make("input", { type: "time", value: depart, "aria-label": "Departure" });
  when.addEventListener("change", () => { depart = when.value; });
  const whole = Boolean(job?.result?.complete) && store.state?.steps.fetch.mood === "done";
  const more = fetchChoices();
  const hands = handsChoice();
  const refusal = make("p.warning", { role: "alert", hidden: !refused.text, text: refused.text });
  refused.shown = refusal;
  const begin = async () => {
    const begun = await store.startJob("fetch", { ...(depart ? { depart } : {}), ...more.options(), ...hands.options() });
    refused.text = begun ? "" : store.refusal;
    if (!refused.shown) return;
    refused.shown.textContent = refused.text;
    refused.shown.hidden = begun;
  };
  const start = action(whole ? "Fetch again" : job ? "Go on" : "Start", begin, whole ? "quiet" : "");
  start.disabled = Boolean(store.state?.lacks);
  const leave = make("label.field", {}, make("span", { text: "Be done by (departure)" }), when);
  const lines = [...needs(), ...programsPart(), ...power(), leave, more.part, hands.part, make("p.hint", { text: "Closing this page stops nothing. The terminal that runs the desk has to stay open." }), refusal, start];
  lines.unshift(...changedPart());
  if (job?.error) lines.unshift(make("p.warning", { text: job.error }));
  if (job?.result) lines.unshift(...outcome(job.result), ...(whole ? [action("Now check it", () => store.open("proof"))] : []));
  return lines;
}

/** @param {any} result @returns {Node[]} */
function outcome(result) {
  const missing = result.missing;
  const below = result.below_floor ?? [];
  const wrong = (result.wrong_ground ?? []).length > 0; // an empty list counts as true
  const words = wrong
    ? "Not ready: a layer does not show the ground that was planned. Check its address, and give the layer another name before the next fetch."
    : result.complete && below.length
    ? `Not ready: all that the server has is on board (${count(result.stored, "tile")} fetched, ${bytes(result.bytes)}), but places are less deep than their floor. Check the layer's address and how deep the server goes, or lower the floor.`
    : result.complete
    ? `Complete. ${count(result.stored, "tile")} fetched, ${bytes(result.bytes)}, in ${duration(result.seconds)}.`
    : `Stopped with ${count(missing, "tile")} missing. Go on to get the rest.`;
  const failures = Object.entries(result.layers).flatMap(([name, layer]) => [
    ...(layer.failure ? [make("p.warning", { text: layer.failure })] : []),
    ...Object.entries(layer.troubles).map(([reason, n]) => make("p.warning", { text: `${name}: ${count(Number(n), "tile")} could not be fetched: ${reason}` })),
  ]);
  const absent = result.absent ? [make("p", { text: `The server does not have ${count(result.absent, "tile")}.` })] : [];
  const short = below.map((/** @type {string} */ text) => make("p.warning", { text }));
  return [make("p", { text: words, role: "status" }), ...short, ...absent, ...failures, ...result.remarks.map((/** @type {string} */ text) => make("p.hint", { text }))];
}

/** @param {any} job @returns {Node[]} */
function under(job) {
  if (!job.progress.layers) return [make("p", { text: "Starting.", role: "status" }), ...joining(job), stopper(job)];
  return [...power(), ...standing(job, waits(job.progress.layers)), ...outlook(job.progress.layers, job), stopper(job)];
}

/** @param {any} job */
function stopper(job) {
  const stop = action(job.state === "stopping" ? "Stopping" : "Pause", () => store.stopJob("fetch"), "quiet");
  stop.disabled = job.state === "stopping";
  return stop;
}

/** @param {any} layers @returns {Node[]} */
function waits(layers) {
  const told = new Map();
  for (const [name, layer] of Object.entries(layers)) {
    if (layer.pause) told.set(layer.pause.kind === "key" ? `${name} (${layer.host})` : layer.host, layer.pause);
  }
  return [...told].map(([host, pause]) => {
    if (pause.kind === "key") return keyWait(host, pause);
    const why = pause.kind === "leases" ? `waiting: ${pause.reason}.` : /** @type {any} */ (WAITS)[pause.kind] ?? pause.reason;
    const words = `${host}: ${why}`;
    const todo = pause.kind === "sign-in" && !pause.where ? " Open any web page in this browser and sign in to the network." : "";
    // A network that redirects names a host alone: what else it writes may repeat the key of the layer.
    const address = pause.where && (/^https?:/.test(pause.where) ? pause.where : `http://${pause.where}/`);
    const link = pause.kind === "sign-in" && address
      ? make("a", { href: address, target: "_blank", rel: "noopener noreferrer", text: `Sign in at ${pause.where}` })
      : null;
    return make("p.warning", {}, make("span", { text: `${words}${todo} The fetch goes on by itself then. ` }), link);
  });
}

/**
 * A layer that waits for another key, and where to give it.
 * @param {string} where @param {any} pause
 */
function keyWait(where, pause) {
  const said = make("span.hint", { "aria-live": "polite" });
  const give = async () => {
    try {
      if (await askKey(pause.where?.split(", ")[0] ?? "")) said.textContent = " It is tried now.";
    } catch (fault) {
      said.textContent = ` ${/** @type {Error} */ (fault).message}`;
    }
  };
  const key = pause.where ? `the key ${pause.where}` : "its key";
  const words = `${where} waits, since ${key} is no longer accepted: ${pause.reason}. Other layers go on, and this one does with a key that works. `;
  return make("p.warning", {}, make("span", { text: words }), pause.where ? action("Give another key", give, "quiet") : null, said);
}

/** @param {any} layers @param {any} job @returns {Node[]} */
function outlook(layers, job) {
  if (!job.options.depart) return [];
  const told = Object.entries(layers).filter(([, layer]) => layer.departure);
  if (!told.length) return [make("p.hint", { text: "What will be stored at departure follows once the speed is known." })];
  return told.map(([name, { departure }]) => {
    if (departure.complete) return make("p", { text: `${name}: everything will be stored at ${job.options.depart}.` });
    const short = Object.entries(departure.areas).map(([area, zooms]) => {
      const whole = Object.entries(zooms).filter(([, share]) => Number(share) >= 1).map(([zoom]) => Number(zoom));
      return `${area} to ${whole.length ? Math.max(...whole) : "nothing"}`;
    });
    return make("p.warning", { text: `${name}: not everything will be stored at ${job.options.depart}. Whole by then: ${short.join(", ")}.` });
  });
}
