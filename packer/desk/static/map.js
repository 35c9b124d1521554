// The map: what is on board or, where nothing is, an empty grid; the areas over it; the cross that things refer to.

import { kilometres, placeAt } from "./along.js";
import { get } from "./api.js";
import { byId, make } from "./dom.js";
import { Drawing } from "./draw.js";
import { drawGraticule } from "./graticule.js";
import { whileFetching } from "./growing.js";
import { Handles } from "./handles.js";
import { thinOut } from "./labels.js";
import { SideBySide } from "./side-by-side.js";
import { store } from "./store.js";
import { belowAndCredit, SourceTiles, sourceSwitch } from "./source-tiles.js";
import { drawWouldGo } from "./would-go.js";
import { BoardTiles } from "./tiles.js";
import { far, feet } from "./units.js";
import { coverage } from "./overlays.js";

const L = window.L;
const INK = {
  area: { color: "#0b5c8a", weight: 2, dashArray: "7 5", fill: false },
  route: { color: "#5a1f7a", weight: 3.5, opacity: 0.95 },
  edge: { color: "#5a1f7a", weight: 1.2, dashArray: "3 4", fillColor: "#5a1f7a", fillOpacity: 0.05 },
  casing: { color: "#fff", weight: 6, opacity: 0.7, fill: false, interactive: false },
  chosen: { color: "#c2410c", weight: 3.5 },
  over: { color: "#9a5b00", dashArray: "1 6", weight: 4 },
  tiles: { color: "#1d2322", weight: 1, opacity: 0.8, fill: false, interactive: false },
};
const calm = window.matchMedia("(prefers-reduced-motion: reduce)").matches;

/** @type {any} */
export let map;
/** @type {Drawing} */
export let drawing;
/** @type {SideBySide} */
let sides;

const shown = { shapes: /** @type {any} */ (null), tiles: /** @type {any} */ (null), tilesOf: "", layer: "", outline: /** @type {any} */ (null), cover: /** @type {any} */ (null), found: null };

export function drawMap() {
  map = L.map("map", {
    attributionControl: false, zoomControl: true, fadeAnimation: false, zoomAnimation: !calm, inertia: !calm,
    worldCopyJump: false, maxZoom: 22, minZoom: 1, doubleClickZoom: false, renderer: L.canvas({ tolerance: 8 }),
  });
  map.setView([20, 10], 2);
  drawGraticule(map);
  L.control.scale({ imperial: feet(), metric: !feet(), maxWidth: 140, position: "bottomleft" }).addTo(map);
  sourceSwitch((source) => {
    sides.show(source);
    drawTiles();
  }).addTo(map);
  sides = new SideBySide(map, () => {
    drawTiles();
    drawCover();
  });
  drawing = new Drawing(map);
  new Handles(map);
  let wanted = "";
  store.on("look-at", (name) => { wanted = name; });
  let arrived = false; // the map moves by itself once, on arriving, and never again
  store.on("shapes", () => {
    drawShapes();
    if (store.shapes && !arrived) fit(store.shapes.features);
    const asked = store.shapes?.features.filter((/** @type {any} */ one) => [one.properties.name, one.properties.area].includes(wanted)) ?? [];
    if (asked.length) fit(asked);
    if (asked.length) wanted = "";
    arrived = true;
  });
  store.on("chosen", () => {
    drawShapes();
    drawOutline();
  });
  store.on("state", drawTiles);
  store.on("figures", drawOutline);
  store.on("step", drawCover);
  store.on("step", () => store.job("survey")?.result && drawShapes());
  drawWouldGo(map);
  store.on("job", ({ kind, ended }) => {
    if (ended && ["merge", "take-in", "prune"].includes(kind)) {
      shown.tiles?.redraw(); // the same addresses have other tiles now
      drawCover();
    }
    if (kind !== "survey" || !ended) return;
    if (sides.source) shown.tiles?.redraw(); // it may be asked for tiles again
    drawShapes(); // with its verdicts
  });
  whileFetching(async (ended) => {
    if (ended && sides.source) shown.tiles?.redraw(); // it may be asked for tiles again
    else if (!sides.source) await shown.tiles?.grow();
    await drawCover();
  });
  store.on("go-to", ({ lat, lon, zoom }) => map.setView([lat, lon], zoom ?? map.getZoom(), { animate: false }));
  store.on("go-to-km", goToKm);
  map.on("moveend zoomend", tellWhere);
  map.on("zoomend", () => shown.shapes && thinOut(map, shown.shapes));
  byId("find").addEventListener("submit", find);
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(byId("map"));
}

/** @param {any[]} features shapes of areas; the overview round them is coarse, and left out */
function fit(features) {
  const bounds = L.geoJSON({ type: "FeatureCollection", features }).getBounds();
  if (bounds.isValid()) map.fitBounds(bounds, { animate: false, padding: [40, 40] });
}

function drawTiles() {
  const name = store.state?.lacks ? "" : sides.layer(0);
  const { below, credit } = belowAndCredit(name, sides.source);
  const of = name && `${sides.source} ${name} ${below ?? ""}`;
  if (of === shown.tilesOf) return;
  shown.tiles?.remove();
  [shown.tilesOf, shown.layer] = [of, name];
  shown.tiles = name ? new (sides.source ? SourceTiles : BoardTiles)(name, { maxZoom: 22, below, patient: () => Boolean(sides.beside) }).addTo(map) : null;
  byId("credit").textContent = credit;
}

function drawShapes() {
  shown.shapes?.remove();
  shown.shapes = null;
  const group = L.layerGroup();
  if (!store.shapes) {
    for (const area of store.state?.areas ?? []) drawn(area.values, group);
    shown.shapes = group.addTo(map);
    return;
  }
  for (const feature of store.shapes.features) {
    const { kind, name, area } = feature.properties;
    if (kind === "waypoint") {
      const icon = L.divIcon({ className: "waypoint", iconSize: [14, 14] });
      const mark = L.marker([feature.geometry.coordinates[1], feature.geometry.coordinates[0]], { icon, keyboard: false, interactive: false });
      if (name) mark.bindTooltip(make("span", { text: name }), { permanent: true, direction: "right", offset: [8, 0], className: "tip place" });
      group.addLayer(mark);
      continue;
    }
    const mine = store.chosen === (area ?? name);
    const found = store.step === "worth" ? surveyed(name) : "";
    const style = { ...INK[kind === "route" ? "route" : kind === "edge" ? "edge" : "area"], ...(found ? INK.over : {}), ...(mine ? INK.chosen : {}) };
    if (kind !== "edge") group.addLayer(L.geoJSON(feature, { style: INK.casing }));
    const shape = L.geoJSON(feature, { style });
    shape.on("click", (/** @type {any} */ event) => {
      if (drawing.busy) return;
      L.DomEvent.stop(event);
      store.choose(name);
    });
    const words = make("span", { text: found ? `${name}: ${found}` : name });
    shape.bindTooltip(words, found && kind !== "edge" ? { permanent: true, direction: "bottom", offset: [0, 8], className: "tip over" } : { sticky: true, className: "tip" });
    if (kind === "route") {
      const km = kilometres(feature);
      shape.on("mousemove", (/** @type {any} */ event) => { words.textContent = `${name}, at ${far(km(event.latlng))}`; });
    }
    group.addLayer(shape);
  }
  shown.shapes = group.addTo(map);
  thinOut(map, group);
}

/**
 * What the survey says of an area that is deeper than it is worth; "" for any other.
 * @param {string} name
 */
function surveyed(name) {
  const layers = Object.entries(store.job("survey")?.result?.layers ?? {});
  const over = layers.filter(([, layer]) => layer.areas[name] && layer.areas[name].worth_to < layer.areas[name].deepest);
  return over.map(([layer, { areas }]) => `${layer} worth zoom ${areas[name].worth_to}, not ${areas[name].deepest}`).join("; ");
}

// While the brief lacks something there is no plan, and what was drawn comes from the brief itself.
/** @param {any} values @param {any} group */
function drawn(values, group) {
  const at = (/** @type {number[]} */ [lon, lat]) => [lat, lon];
  const style = { ...INK.area, interactive: false };
  if (Array.isArray(values.line)) group.addLayer(L.polyline(values.line.map(at), { ...INK.route, interactive: false }));
  else if (Array.isArray(values.polygon)) group.addLayer(L.polygon(values.polygon.map(at), style));
  else if (values.box) group.addLayer(L.rectangle([at(values.box), at(values.box.slice(2))], style));
  else if (Array.isArray(values.point)) group.addLayer(L.circleMarker(at(values.point), { ...style, radius: 12 }));
}

// The tile-exact edge of the deepest zoom of the chosen area: what will be on board, to the tile.
async function drawOutline() {
  shown.outline?.remove();
  shown.outline = null;
  const [name, figures] = [store.chosen, store.figuresTrue ? store.figures?.areas[store.chosen ?? ""] : null];
  const [layer, one] = /** @type {[string, any]} */ (Object.entries(figures?.layers ?? {}).find(([one]) => one === shown.layer) ?? ["", null]);
  if (!name || !one) return;
  const path = [name, layer, one.deepest].map((part) => encodeURIComponent(part)).join("/");
  const found = await get(`/api/outline/${path}`).catch(() => null);
  if (found && name === store.chosen) shown.outline = L.geoJSON(found, { style: INK.tiles }).addTo(map);
}

// What is on board and what is missing, while fetching or proving is what the planner looks at.
async function drawCover() {
  shown.cover?.remove();
  shown.cover = null;
  if (!["fetch", "proof"].includes(store.step) || !shown.layer) return;
  const found = await coverage(shown.layer).catch(() => null);
  if (!found || !["fetch", "proof"].includes(store.step)) return;
  const deepest = Math.max(...Object.keys(found.edges).map(Number), 0);
  // Gaps of one zoom lie over those of another: together they may not hide the ground.
  const gaps = /** @type {any[]} */ (Object.values(found.gaps));
  for (const gap of gaps) gap.invoke("setStyle", { fillOpacity: Math.min(0.22, 0.4 / gaps.length), opacity: 0.6 });
  shown.cover = L.layerGroup([...gaps, ...(found.edges[deepest] ? [found.edges[deepest]] : [])]).addTo(map);
  drawShapes(); // over the gaps
}

/** @param {{area: string, km: number}} place */
function goToKm({ area, km }) {
  const feature = store.shapes?.features.find((/** @type {any} */ one) => one.properties.kind === "route" && one.properties.name === area);
  if (!feature) return;
  const place = placeAt(feature, km);
  if (place) map.panTo(place, { animate: false });
}

let asked = 0;
async function tellWhere() {
  const turn = (asked += 1);
  const { lat, lng } = map.getCenter();
  const text = `${lat.toFixed(5)}, ${((((lng + 180) % 360) + 360) % 360 - 180).toFixed(5)}`;
  const found = await get(`/position?${new URLSearchParams({ text })}`).catch(() => null);
  if (turn !== asked) return;
  byId("where").textContent = found?.found ? `Under the cross: ${found.text} · ${found.mgrs} · zoom ${map.getZoom()}` : "";
  store.tell("moved");
}

/** @param {Event} event */
async function find(event) {
  event.preventDefault();
  const found = await get(`/position?${new URLSearchParams({ text: byId("find-text").value })}`).catch(() => null);
  byId("find-text").setAttribute("aria-invalid", String(!found?.found));
  if (!found?.found) {
    store.tell("notice", found?.reason ?? "The desk does not answer.");
    return;
  }
  store.tell("notice", "");
  store.tell("go-to", { lat: found.lat, lon: found.lon, zoom: Math.max(map.getZoom(), 13) });
}
