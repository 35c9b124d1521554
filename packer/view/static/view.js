// The page: a map of what is on board, and the few controls round it.

import { areas, coverage, found, json, routes } from "./overlays.js";
import { Gauge } from "./gauge.js";
import { thinOut } from "./labels.js";
import { BoardTiles } from "./tiles.js";

const L = window.L;
const $ = (/** @type {string} */ id) => /** @type {any} */ (document.getElementById(id));
const state = {
  board: /** @type {any} */ (null),
  tiles: /** @type {any} */ (null),
  cover: /** @type {{[kind: string]: {[zoom: string]: any}}} */ ({ edges: {}, gaps: {}, afar: {} }),
  shown: /** @type {{[name: string]: any}} */ ({}),
  found: /** @type {any} */ (null),
};

const calm = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
const map = L.map("map", {
  attributionControl: false,
  zoomControl: false,
  fadeAnimation: false,
  zoomAnimation: !calm,
  inertia: !calm,
  worldCopyJump: false,
  maxZoom: 24,
  minZoom: 0,
});
map.createPane("afar"); // over routes and waypoints, below which a dot would lie hidden
L.control.scale({ imperial: false, maxWidth: 140, position: "bottomleft" }).addTo(map);
const layerName = () => $("layer").value;
const gauge = new Gauge(map, layerName);

function layerFacts() {
  return state.board.layers.find((/** @type {any} */ layer) => layer.name === layerName());
}

async function start() {
  state.board = await json("/board.json");
  document.title = `${state.board.title} · maps on board`;
  $("title").textContent = state.board.title;
  $("layer").replaceChildren(...state.board.layers.map((/** @type {any} */ { name }) => new Option(name, name)));
  const deepest = Math.max(...state.board.layers.flatMap((/** @type {any} */ layer) => layer.planned_zooms));
  map.setMaxZoom(Math.min(24, deepest + 2));
  const [west, south, east, north] = state.board.bounds;
  map.fitBounds([[south, west], [north, east]], { animate: false });
  await choose();
  state.shown.areas = await areas();
  state.shown.route = await routes();
  show("areas");
  show("route");
}

async function choose() {
  const facts = layerFacts();
  const zooms = [...facts.planned_zooms, ...facts.held_zooms];
  gauge.draw(Math.min(...zooms), Math.min(24, Math.max(...zooms) + 2));
  gauge.soon(map.getCenter(), "middle");
  $("attribution").replaceChildren(...harmless(facts.attribution));
  sayDepths(facts);
  state.tiles?.remove();
  state.tiles = new BoardTiles(facts.name, { maxZoom: 24, below: facts.over }).addTo(map).on("load", tell);
  await outline(facts);
}

/** @param {any} facts of a layer */
function sayDepths(facts) {
  const below = facts.depths.filter((/** @type {any} */ depth) => !depth.reaches_floor).length;
  const lines = facts.depths.map((/** @type {any} */ depth) => {
    const line = document.createElement("li");
    const floor = depth.reaches_floor ? "" : ` BELOW ITS FLOOR, zoom ${depth.floor}.`;
    line.textContent = `${depth.area}: ${depth.text}.${floor}`;
    return line;
  });
  $("depths").replaceChildren(...lines);
  const warned = below ? `: ${below} BELOW ${below === 1 ? "ITS FLOOR" : "THEIR FLOORS"}` : "";
  $("deep-said").textContent = `How deep each area is on board, as recorded${warned}`;
  $("deep").open = below > 0 && !window.matchMedia("(max-width: 640px)").matches;
  $("changed").hidden = !state.board.changed_since_fetch.length;
  $("changed").textContent = state.board.changed_since_fetch.join(" ");
}

/** @param {any} facts of a layer */
async function outline(facts) {
  clearOutlines();
  const before = $("edge").value;
  const options = [new Option("none", ""), ...facts.held_zooms.map((/** @type {number} */ zoom) => new Option(String(zoom), String(zoom)))];
  $("edge").replaceChildren(...options);
  const deepest = facts.held_zooms.at(-1) ?? "";
  $("edge").value = facts.held_zooms.includes(Number(before)) && before !== "" ? before : deepest;
  const cover = await coverage(facts.name);
  if (facts.name !== layerName()) return; // another layer was chosen meanwhile
  clearOutlines();
  state.cover = cover;
  drawOutlines();
}

function clearOutlines() {
  for (const shapes of Object.values(state.cover)) for (const shape of Object.values(shapes)) shape.remove();
}

// The edge of the chosen zoom, and the gaps of the zoom in view or, past the deepest planned, of that one; those of
// deeper zooms show at least where they are.
function drawOutlines() {
  clearOutlines();
  state.cover.edges[$("edge").value]?.addTo(map);
  if (!$("show-gaps").checked) return;
  const deepest = Math.max(...layerFacts().planned_zooms);
  const seen = Math.min(map.getZoom(), deepest);
  state.cover.gaps[seen]?.addTo(map);
  for (const [zoom, dots] of Object.entries(state.cover.afar)) if (Number(zoom) > seen) dots.addTo(map);
}

/** @param {string} name of what lies over the tiles */
function show(name) {
  const layer = state.shown[name];
  if (layer) $(`show-${name}`).checked ? layer.addTo(map) : layer.remove();
  namePlaces();
}

function namePlaces() {
  if (state.shown.route && map.hasLayer(state.shown.route)) thinOut(map, state.shown.route);
}

function tell() {
  const { exact, enlarged, empty, damaged, from } = state.tiles.tally();
  const facts = layerFacts();
  const parts = [];
  if (exact) parts.push(`${exact} on board`);
  if (enlarged) parts.push(`${enlarged} enlarged from zoom ${[...from].sort((a, b) => Number(a) - Number(b)).join(", ")}`);
  if (empty) parts.push(`${empty} empty`);
  if (damaged) parts.push(`${damaged} corrupt`);
  const lacking = facts.missing + facts.absent;
  const planned = facts.planned.toLocaleString("en");
  const whole = lacking
    ? `Of ${planned} planned tiles, ${lacking.toLocaleString("en")} not on board.`
    : `All ${planned} planned tiles on board.`;
  let plain = facts.format === "pbf" ? " Vector tiles are sketched without their style." : "";
  if (facts.over) plain += ` Where ${facts.name} has nothing as deep, ${facts.over} shows.`;
  $("tally").textContent = `In view at zoom ${map.getZoom()}: ${parts.join(", ") || "nothing"}. ${whole}${plain}`;
}

/**
 * The server has made the attribution harmless already; here only text and web links are taken over.
 * @param {string} html
 */
function harmless(html) {
  const parsed = new DOMParser().parseFromString(html, "text/html");
  return [...parsed.body.childNodes].map((node) => {
    const address = node instanceof HTMLAnchorElement ? (node.getAttribute("href") ?? "") : "";
    if (!/^https?:\/\//i.test(address)) return node.textContent ?? "";
    const link = document.createElement("a");
    link.href = address;
    link.rel = "noopener noreferrer";
    link.target = "_blank";
    link.textContent = node.textContent;
    return link;
  });
}

/** @param {Event} event */
async function find(event) {
  event.preventDefault();
  const said = $("find-said");
  const answer = await json(`/position?${new URLSearchParams({ text: $("find-text").value })}`);
  $("find-text").setAttribute("aria-invalid", String(!answer.found));
  said.textContent = answer.found ? `Read as ${answer.read_as}: ${answer.text} · ${answer.mgrs}` : answer.reason;
  map.invalidateSize({ animate: false }); // those words take some of the map's height
  state.found?.remove();
  if (!answer.found) return;
  state.found = found(answer).addTo(map);
  if (answer.square.length) {
    map.fitBounds(state.found.getBounds(), { animate: false });
  } else {
    map.setView([answer.lat, answer.lon], Math.max(map.getZoom(), 13), { animate: false });
  }
}

async function again() {
  state.board = await json("/board.json");
  state.tiles.redraw();
  gauge.soon(map.getCenter(), "middle");
  sayDepths(layerFacts());
  await outline(layerFacts());
}

/** @param {(...given: any[]) => any} work */
function guarded(work) {
  return (/** @type {any[]} */ ...given) =>
    Promise.resolve(work(...given)).catch(() => {
      $("tally").textContent = "The map page has lost its server. Start it again: lastbar view";
    });
}

$("in").addEventListener("click", () => map.zoomIn());
$("out").addEventListener("click", () => map.zoomOut());
$("layer").addEventListener("change", guarded(choose));
$("edge").addEventListener("change", drawOutlines);
$("show-gaps").addEventListener("change", drawOutlines);
$("show-route").addEventListener("change", () => show("route"));
$("show-areas").addEventListener("change", () => show("areas"));
$("again").addEventListener("click", guarded(again));
$("find").addEventListener("submit", guarded(find));
map.on("zoomend", () => state.board && drawOutlines());
map.on("zoomend", namePlaces);
map.on("moveend", () => state.tiles && !state.tiles.isLoading() && tell());
new ResizeObserver(() => map.invalidateSize({ animate: false })).observe($("map"));
if (window.matchMedia("(max-width: 640px)").matches) $("over").open = false;
guarded(start)();
