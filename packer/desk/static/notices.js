// Notices of the browser at the end of a fetch and when a sign-in is needed: asked for by a button, never unasked.

import { action, make } from "./dom.js";
import { store } from "./store.js";

const KEY = "desk-notices";
let keyless = false; // whether a key that ended was told of
let waiting = false; // whether the sign-in that is there now was told of

/** Whether notices are wanted and allowed. */
const wanted = () => "Notification" in window && Notification.permission === "granted" && localStorage.getItem(KEY) === "yes";

/**
 * The button that asks for them, or how it stands; nothing in a browser that has none.
 * @returns {Node[]}
 */
export function noticePart() {
  if (!("Notification" in window)) return [];
  if (Notification.permission === "denied") {
    return [make("p.hint", { text: "This browser does not allow notices from this page." })];
  }
  if (wanted()) {
    return [make("div.row", {}, make("p.hint", { text: "A notice comes at the end, and when a sign-in is needed." }), action("No notices", () => keep("no"), "quiet"))];
  }
  return [make("div.row", {}, action("Tell me when it ends or needs me", ask, "quiet"))];
}

async function ask() {
  if ((await Notification.requestPermission()) === "granted") keep("yes");
  else store.tell("state");
}

/** @param {string} choice */
function keep(choice) {
  localStorage.setItem(KEY, choice);
  store.tell("state");
}

export function hearNotices() {
  store.on("job", ({ kind, job, ended }) => {
    if (kind !== "fetch") return;
    const layers = /** @type {any[]} */ (Object.values(job.progress?.layers ?? {}));
    const held = layers.filter((layer) => layer.pause?.kind === "sign-in");
    const needed = !ended && held.length > 0;
    if (layers.some((layer) => layer.pause?.kind === "key") && !ended) {
      if (!keyless) say("A key is needed", "A server no longer accepts the key of a layer. The fetch waits.");
      keyless = true;
    } else keyless = false;
    if (needed && !waiting) say("A sign-in is needed", `A sign-in page answers in place of ${held[0].host}. The fetch waits.`);
    waiting = needed;
    if (ended) say("The fetch has ended", ending(job));
  });
}

/** @param {any} job @returns {string} */
function ending(job) {
  if (job.error) return job.error;
  if (!job.result) return "It ran in a terminal. See there how it ended.";
  return job.result.complete ? "Everything planned is stored. Check it next." : `${job.result.missing.toLocaleString("en")} tiles are missing.`;
}

/** @param {string} title @param {string} body */
function say(title, body) {
  if (!wanted()) return;
  try {
    new Notification(title, { body, tag: "lastbar-fetch", icon: "/static/mark.svg" });
  } catch {
    // Some phones allow notices only from a service worker, which the desk has none of: the page itself tells.
  }
}
