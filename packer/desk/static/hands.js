// Several machines for one fetch: who is to fetch, how others join, and how each of them does.

import { get } from "./api.js";
import { action, choice, field, make } from "./dom.js";
import { store } from "./store.js";
import { clock, count, duration } from "./words.js";

/** @typedef {{why: string, addresses: string[]}} Facts */

const OTHER = "another";
const chosen = { who: "alone", address: "", typed: "", count: "3" };
const kept = {
  facts: /** @type {Facts|null} */ (null),
  open: false,
  code: /** @type {{code: string, square: string[]}|null} */ (null),
  asking: false,
  joinOpen: /** @type {boolean|null} */ (null), // as the planner left it; until then by whether somebody has joined
};

/**
 * Who is to fetch, and the option of the fetch that follows from it.
 * @returns {{part: HTMLElement, options: () => {hands?: string}}}
 */
export function handsChoice() {
  const box = make("div.stack");
  const fill = () => box.replaceChildren(...choices(kept.facts, fill));
  const part = make("details", { open: kept.open }, make("summary", { text: "Several machines at once" }), box);
  part.addEventListener("toggle", async () => {
    kept.open = part.open;
    if (!part.open) return;
    kept.facts = await get("/api/hands").catch(() => kept.facts);
    fill();
  });
  fill();
  return { part, options: () => (chosen.who === "alone" ? {} : { hands: wanted() }) };
}

function wanted() {
  if (chosen.who === "here") return chosen.count.trim();
  return (chosen.address === OTHER ? chosen.typed.trim() : chosen.address) || "share";
}

/** @param {Facts|null} facts @param {() => void} fill @returns {Node[]} */
function choices(facts, fill) {
  if (!facts) return [make("p.hint", { text: "Looking at what this machine has." })];
  if (facts.why) {
    chosen.who = "alone";
    return [make("p.warning", { text: facts.why })];
  }
  const radio = (/** @type {string} */ who, /** @type {string} */ words) => {
    const button = make("input", { type: "radio", name: "hands", value: who, checked: chosen.who === who });
    button.addEventListener("change", () => {
      chosen.who = who;
      fill();
      /** @type {HTMLElement|null} */ (document.querySelector(`input[name="hands"][value="${who}"]`))?.focus();
    });
    return make("label.check", {}, button, ` ${words}`);
  };
  const many = make("input", { type: "number", min: 1, max: 64, value: chosen.count });
  many.addEventListener("input", () => { chosen.count = many.value; });
  return [
    make("p.hint", { text: "Each machine fetches by its own link, such as a phone's; this one keeps the packs. Three phones give three times the pace. What the brief allows at a server holds for all of them together." }),
    make("fieldset", {}, make("legend", { text: "Who fetches" }), radio("alone", "This machine alone"), radio("share", "Other machines as well, by a code"), radio("here", "Several processes here, to try it")),
    ...(chosen.who === "share" ? address(facts, fill) : []),
    ...(chosen.who === "here" ? [field("How many processes", many)] : []),
  ];
}

/** @param {Facts} facts @param {() => void} fill @returns {Node[]} */
function address(facts, fill) {
  const several = facts.addresses.length > 1;
  if (!facts.addresses.length) chosen.address = OTHER;
  else if (!several && chosen.address !== OTHER) chosen.address = facts.addresses[0];
  else if (several && chosen.address !== OTHER && !facts.addresses.includes(chosen.address)) chosen.address = "";
  /** @type {[string, string][]} */
  const options = [...(several ? [/** @type {[string, string]} */ (["", "Choose one"])] : []), ...facts.addresses.map((one) => /** @type {[string, string]} */ ([one, one])), [OTHER, "Another address"]];
  const select = choice(options, chosen.address, (value) => {
    chosen.address = value;
    fill();
  });
  const typed = make("input", { type: "text", value: chosen.typed, placeholder: "10.0.0.5:8786", spellcheck: "false", autocomplete: "off" });
  typed.addEventListener("input", () => { chosen.typed = typed.value; });
  const why = several ? "This machine is in several networks. Which of its addresses do the other machines reach?" : "All machines have to be in one network, such as the camp's Wi-Fi.";
  const lone = "This machine is on no local network. Join the camp's Wi-Fi, or make this machine its hotspot, and open this part again; or type the address at which others reach it.";
  return [
    ...(facts.addresses.length ? [field("Address of this machine", select, why)] : [make("p.warning", { text: lone })]),
    ...(chosen.address === OTHER ? [field("Its address or name, with a port or without", typed)] : []),
  ];
}

/**
 * What is shown of the machines that fetch for a job: parts of the panel; `form` changes where more than figures do.
 * @param {any} job
 * @returns {{nodes: Node[], show: (job: any) => void}}
 */
export function handsPart(job) {
  const told = job.progress?.hands;
  if (!told) return { nodes: [], show: () => undefined };
  const figures = told.here.map(() => make("span.depths"));
  const waits = told.here.map(() => make("span"));
  const rows = told.here.map((/** @type {any} */ hand, /** @type {number} */ i) =>
    make(trouble(hand) ? "li.care" : "li", {}, make("span.name", { text: hand.name }), waits[i], figures[i]));
  const left = told.left.map((/** @type {any} */ one) =>
    make("li.gone", {}, make("span.name", { text: one.name }), make("span", { text: `${one.lost ? "lost" : "left"} ${clock(one.at)}` }), make("span.depths", { text: `${count(one.tiles, "tile")} came from it` })));
  const show = (/** @type {any} */ { progress }) => progress.hands.here.forEach((/** @type {any} */ hand, /** @type {number} */ i) => {
    set(waits[i], trouble(hand) ? count(hand.tiles, "tile") : pace(hand));
    set(figures[i], trouble(hand) || `${count(hand.tiles, "tile")} so far · ${share(hand)}`);
  });
  show(job);
  const none = rows.length ? null : make("p.hint", { text: "No machine has joined yet." });
  return { nodes: [make("h3", { text: "Machines" }), ...[none].filter(Boolean), make("ul.bars.hands", {}, ...rows, ...left), ...joining(job)], show };
}

/**
 * All of the hands of a job that is no figure that moves.
 * @param {any} job
 */
export function handsForm({ joinable, progress }) {
  const told = progress?.hands;
  if (!told) return null;
  return [joinable, Boolean(kept.code), told.here.map((/** @type {any} */ hand) => [hand.name, kind(hand)]), told.left];
}

/** @param {any} hand */
const pace = (hand) => `${Math.round(hand.tiles_per_second).toLocaleString("en")} tiles/s, ${(hand.bits_per_second / 1e6).toFixed(1)} Mbit/s`;

/** @param {any} hand */
function share(hand) {
  const rate = hand.per_second ? `, ${count(hand.per_second, "request")}/s` : "";
  return `${count(hand.connections, "connection")}${rate}`;
}

/** @param {any} hand */
const kind = (hand) => (hand.silent_s ? `silent ${hand.given_up_in_s > 0}` : hand.failed || hand.waits);

/** @param {number} seconds */
const whole = (seconds) => (seconds < 59.5 ? `${Math.max(Math.round(seconds), 1)} s` : duration(seconds));

/**
 * Why a hand fetches nothing just now, "" if it does.
 * @param {any} hand
 */
function trouble(hand) {
  if (hand.silent_s) {
    const silent = `not heard for ${whole(hand.silent_s)}`;
    if (hand.given_up_in_s > 0) return `${silent}; others get its tiles in ${whole(hand.given_up_in_s)}`;
    return `${silent}; others have its tiles${hand.kept_s >= 1 ? `, and its connections in ${whole(hand.kept_s)}` : ""}`;
  }
  if (hand.failed) return `asks for nothing more: ${hand.failed}`;
  switch (hand.waits) {
    case "": return "";
    case "sign-in": return `waits: its network wants a sign-in. On that machine, open ${hand.where || "any web page"}`;
    case "link": return `waits: its link is down (${hand.reason})`;
    case "asked to wait": return `waits, as the server asked (${hand.reason})`;
    case "key": return `waits: the server takes no key (${hand.reason})`;
    default: return `waits: ${hand.reason}`;
  }
}

/**
 * The code by which other machines join. It is asked for by itself: no event has it.
 * @param {any} job
 * @returns {Node[]}
 */
export function joining(job) {
  if (!job.joinable) {
    kept.code = null;
    return [];
  }
  if (!kept.code) {
    void askCode();
    return [];
  }
  const { here, left } = job.progress?.hands ?? { here: [], left: [] };
  const joined = here.length + left.length > 1;
  const { code, square } = kept.code;
  const said = make("span.hint", { "aria-live": "polite" });
  const copy = action("Copy the code", async () => {
    await navigator.clipboard.writeText(code).then(() => { said.textContent = "Copied."; }, () => { said.textContent = "This browser does not copy. Mark the code and copy it."; });
  }, "quiet");
  const summary = make("summary", { text: "How another machine joins" });
  const part = make(
    "details.join", { open: kept.joinOpen ?? !joined },
    summary,
    make(
      "div.stack", {},
      make("p", {}, "On each, in a terminal: ", make("code", { text: "lastbar hand" }), ". It asks for this code:"),
      make("code.code", { text: code, tabindex: "0" }),
      make("div.row", {}, copy, said),
      qr(square),
      make("p.warning", { text: "Whoever has this code can send tiles into these packs, and sees the keys of their layers." }),
    ),
  );
  summary.addEventListener("click", () => { kept.joinOpen = !part.open; });
  return [part];
}

async function askCode() {
  if (kept.asking) return;
  kept.asking = true;
  kept.code = await get("/api/hands/code").catch(() => null);
  kept.asking = false;
  if (kept.code) store.tell("state");
}

/** @param {string[]} square rows in which 1 is dark */
function qr(square) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", `0 0 ${square.length} ${square.length}`);
  svg.setAttribute("class", "qr");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", "The code as a QR code");
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("d", square.flatMap((row, y) => [...row].map((one, x) => (one === "1" ? `M${x} ${y}h1v1h-1z` : ""))).join(""));
  svg.append(path);
  return svg;
}

/** @param {HTMLElement} element @param {string} text */
function set(element, text) {
  if (element.textContent !== text) element.textContent = text;
}
