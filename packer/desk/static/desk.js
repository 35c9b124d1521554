// The desk: brings the parts of the page together.

import { drawAreas } from "./areas.js";
import { byId, ask, choice, make, action } from "./dom.js";
import { askForDescriptions } from "./describe.js";
import { drawMap } from "./map.js";
import { drawSteps, STEPS } from "./steps.js";
import { drawPanel } from "./panel.js";
import { drawProfile } from "./profile.js";
import { store } from "./store.js";
import { get } from "./api.js";
import { showKeys } from "./keys.js";
import { drawFiles } from "./files.js";
import { followLog } from "./log.js";
import { hearNotices } from "./notices.js";
import { feet, keepUnits } from "./units.js";
import { clock } from "./words.js";

drawSteps();
drawMap();
drawAreas();
drawPanel();
drawProfile();
drawFiles();
askForDescriptions();
hearNotices();
followLog();

let savedAs = 0; // the revision that "saved" speaks of
store.on("state", () => {
  const { state } = store;
  if (!state) return;
  document.title = `${state.title} · the desk`;
  byId("title").textContent = state.title || "Untitled";
  byId("undo").disabled = !state.can_undo;
  byId("redo").disabled = !state.can_redo;
  if (state.revision === savedAs) return;
  const since = savedAs ? ` ${clock(Date.now() / 1000)}` : ""; // when it was saved before this page, is not known
  byId("saved").textContent = state.saved ? `saved${since}` : "nothing to save yet";
  savedAs = state.revision;
});
store.on("notice", (text) => {
  byId("notice").textContent = text;
  byId("notice").classList.toggle("wrong", Boolean(text));
});
store.on("lost", (lost) => {
  document.body.classList.toggle("lost", lost);
  if (lost) byId("notice").textContent = "The desk does not answer. Is it still running? What was fetched is stored.";
  else if (byId("notice").textContent.startsWith("The desk does not")) byId("notice").textContent = "";
});
store.on("elsewhere", async ({ theirs, ours }) => {
  const sides = make(
    "div.sides",
    {},
    make("section", {}, make("h3", { text: "The file as it is now" }), lines(theirs, ours)),
    make("section", {}, make("h3", { text: "This page's state" }), lines(ours, theirs)),
  );
  const why = make("p", { text: "Another program has changed the brief. Nothing was written. Lines that the other one does not have are marked. Choose which to go on with." });
  const close = (/** @type {string} */ path) => async () => {
    /** @type {any} */ (document.querySelector("dialog[open]"))?.close();
    await store.send(path);
  };
  const row = make(
    "div.row",
    {},
    action("Go on with the file", close("/api/take-theirs")),
    action("Write this page's state", close("/api/keep-ours")),
  );
  await ask("The brief was changed elsewhere", [why, sides, row]);
});

/**
 * A text whose lines that the other one does not have are marked.
 * @param {string} text
 * @param {string} other
 */
function lines(text, other) {
  const known = new Set(other.split("\n"));
  const rows = text.split("\n").map((row) => make(known.has(row) ? "span" : "mark", { text: `${row}\n` }));
  return make("pre", { tabindex: "0" }, ...rows);
}

byId("undo").addEventListener("click", () => store.send("/api/undo"));
byId("redo").addEventListener("click", () => store.send("/api/redo"));
byId("help").addEventListener("click", showKeys);
byId("title").addEventListener("click", async () => {
  const title = make("input", { type: "text", value: store.state?.title, required: true, maxlength: 200 });
  const contact = make("input", { type: "text", value: store.state?.contact ?? "", maxlength: 200 });
  const before = feet() ? "feet" : "metres";
  const units = choice([["metres", "in metres and kilometres"], ["feet", "in feet and miles"]], before, () => undefined);
  const content = [
    make("label", {}, "Title of the trip", title),
    make("label", {}, "Contact", contact),
    make("p.hint", { text: "Some servers want to know whom to reach. The contact is sent with each request." }),
    make("label", {}, "Lengths on this page", units),
    make("p.hint", { text: "A length that is typed has its unit with it and may always be in any of these four." }),
  ];
  if (await ask("This trip", content, "Save")) {
    await store.change({ do: "set-brief", values: { title: title.value, contact: contact.value.trim() || null } });
    keepUnits(units.value);
    if (units.value !== before) location.reload();
  }
});
byId("versions").addEventListener("click", async () => {
  const { versions } = await get("/api/versions");
  const text = make("pre", { tabindex: "0", text: "Choose a version to look at it." });
  const since = make("p.hint", { role: "status" });
  const list = make("ul.versions");
  let chosen = "";
  for (const name of versions) {
    const [, y, m, d, hour, minute] = /^(\d{4})(\d\d)(\d\d)-(\d\d)(\d\d)/.exec(name) ?? [];
    const show = action(`${y}-${m}-${d} ${hour}:${minute}`, async () => {
      chosen = name;
      text.textContent = (await get(`/api/versions/${encodeURIComponent(name)}`)).text;
      since.textContent = await changedSince(name);
    }, "quiet");
    list.append(make("li", {}, show));
  }
  const words = versions.length ? "The last twenty versions of this brief." : "There is no earlier version yet.";
  const sent = await ask("Versions", [make("p", { text: words }), ...(versions.length ? [list, since, text] : [])], versions.length ? "Take this one" : "");
  if (sent && chosen) await store.send("/api/restore", { version: chosen });
});

/**
 * What is asked for now and was not then, and the other way round.
 * @param {string} version
 */
async function changedSince(version) {
  try {
    const { more, fewer, areas } = await get(`/api/versions/${encodeURIComponent(version)}/changes`);
    if (!more && !fewer) return "The same tiles are planned now.";
    return [`Since then: ${more.toLocaleString("en")} tiles more, ${fewer.toLocaleString("en")} fewer.`, ...areas].join(" ");
  } catch {
    return "What has changed since then cannot be told.";
  }
}

document.addEventListener("keydown", (event) => {
  const typing = event.target instanceof HTMLElement && event.target.closest("input, textarea, select, dialog");
  if ((event.ctrlKey || event.metaKey) && !event.altKey && !typing) {
    const key = event.key.toLowerCase();
    if (key === "z" && !event.shiftKey) store.send("/api/undo");
    else if (key === "y" || (key === "z" && event.shiftKey)) store.send("/api/redo");
    else return;
    event.preventDefault();
  } else if (!typing && !event.ctrlKey && !event.metaKey && !event.altKey) {
    const step = STEPS[Number(event.key) - 1];
    if (step) store.open(step.name);
    else if (event.key === "?") showKeys();
  }
});

store.start().catch(() => {
  byId("notice").textContent = "The desk does not answer. Start it again: lastbar desk";
});
