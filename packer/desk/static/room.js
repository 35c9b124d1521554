// Room: tiles, bytes and time, by layer, area and crew against the cards.

import { action, make } from "./dom.js";
import { post } from "./api.js";
import { fitPart } from "./fit.js";
import { sparePart } from "./spare.js";
import { store } from "./store.js";
import { between, bytes, count, duration } from "./words.js";

/** @returns {Node[]} */
export function roomPanel() {
  const { figures } = store;
  const head = [make("h2", { text: "Does it fit?" })];
  if (store.trouble) return [...head, make("p.warning", { text: store.trouble })];
  if (!figures) return [...head, make("p", { text: store.state?.lacks ? `There is nothing to weigh yet. The brief needs ${store.state.lacks} first.` : "Working it out." })];
  const missing = figures.missing ? `${count(figures.missing, "tile")} still to fetch, ${between(figures.to_fetch)}.` : "Everything is stored.";
  return [
    ...head,
    make("p.large", { text: `${count(figures.tiles, "tile")}, ${between(figures.bytes)}` }),
    make("p", { text: missing }),
    ...disk(figures),
    ...(figures.missing ? time(figures.time) : []),
    ...figures.warnings.map((/** @type {string} */ text) => make("p.warning", { text })),
    ...fitPart(),
    make("h3", { text: "By area" }),
    table(["Area", "Depth", "Bytes"], Object.entries(figures.areas).map(([name, area]) => [
      name,
      Object.entries(area.layers).map(([layer, one]) => `${layer} ${one.deepest}`).join(", "),
      bytes(area.bytes),
    ])),
    make("p.hint", { text: "Tiles that areas share count in each of them, and once in the sum." }),
    make("h3", { text: "By layer" }),
    table(["Layer", "Tiles", "Bytes"], Object.entries(figures.layers).map(([name, one]) => [name, one.tiles.toLocaleString("en"), bytes(one.bytes.expected)])),
    ...crews(figures.crews),
    ...sparePart(),
  ];
}

/** @param {any} figures @returns {Node[]} */
function disk({ disk_bytes: needed, disk_free: free }) {
  if (free === null || !needed) return [];
  const words = `The packs may take ${bytes(needed)} more. ${bytes(free)} are free on their disk.`;
  return [make(needed > free ? "p.warning" : "p", { text: words })];
}

/** @param {any} told @returns {Node[]} */
function time(told) {
  const input = make("input", { type: "text", placeholder: "3 Mbit", "aria-label": "Speed of the link" });
  const set = async () => {
    try {
      store.take(await post("/api/speed", { speed: input.value.trim() || null }));
      await store.refresh();
    } catch (fault) {
      await store.refused(fault);
    }
  };
  const ask = make("div.row", {}, input, action("Use this speed", set, "quiet"));
  if (!told) return [make("p", { text: "Say how fast the link is to see the time." }), ask];
  const words = `${duration(told.expected)} (${duration(told.low)} to ${duration(told.high)}) at ${(told.bits_per_second / 1e6).toPrecision(3)} Mbit/s (${told.basis}), if the link holds.`;
  return [make("p", { text: words }), ask];
}

/** @param {any[]} crews @returns {Node[]} */
function crews(crews) {
  if (!crews.length) return [];
  const rows = crews.map((crew) => {
    const over = crew.budget !== null && crew.bytes.high > crew.budget;
    const room = crew.budget === null ? "no limit" : `of ${bytes(crew.budget)}`;
    return [crew.name, `up to ${bytes(crew.bytes.high)}`, over ? `! over, ${room}` : room];
  });
  return [make("h3", { text: "By crew" }), table(["Crew", "Bytes", "Card"], rows)];
}

/** @param {string[]} head @param {string[][]} rows */
export function table(head, rows) {
  return make(
    "table",
    {},
    make("thead", {}, make("tr", {}, ...head.map((text) => make("th", { scope: "col", text })))),
    make("tbody", {}, ...rows.map(([first, ...rest]) => make("tr", {}, make("th", { scope: "row", text: first }), ...rest.map((text) => make("td", { text }))))),
  );
}
