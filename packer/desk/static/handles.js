// The corners and edges of the chosen area, to be dragged or moved by key. The shape follows at once; the brief when
// it is let go.

import { make } from "./dom.js";
import { lonLat } from "./draw.js";
import { store } from "./store.js";
import { stopWeighing, weigh } from "./weigh.js";
import { length, written } from "./units.js";

const L = window.L;
const GHOST = { color: "#c2410c", weight: 2, dashArray: "4 4", fill: false, interactive: false };
const STEP_PX = 8;
const MOST = 200; // corners with a handle; a longer drawing is edited as a file

export class Handles {
  /** @param {any} map */
  constructor(map) {
    this.map = map;
    this.group = L.layerGroup().addTo(map);
    this.ghost = L.layerGroup().addTo(map);
    this.drawn = "";
    for (const what of ["chosen", "state", "shapes"]) store.on(what, () => this.draw());
  }

  // States come while a corner is in hand, too: what is drawn stays until the area itself is another.
  draw() {
    const wanted = JSON.stringify([store.chosen, store.area()?.values, Boolean(store.shapes)]);
    if (wanted === this.drawn) return;
    this.drawn = wanted;
    this.group.clearLayers();
    this.ghost.clearLayers();
    const area = store.area();
    if (!area) return;
    const { values } = area;
    if (Array.isArray(values.point)) this.circle(values);
    else if (values.box) this.box(values);
    else if (Array.isArray(values.line)) this.corners(values.line, "line", 2);
    else if (Array.isArray(values.polygon)) this.corners(values.polygon, "polygon", 3);
    if (values.line) this.width(area);
  }

  /** @param {any} values */
  circle(values) {
    const middle = L.latLng(values.point[1], values.point[0]);
    const radius = store.area().reach_m ?? 1000;
    const rim = () => L.latLng(middle.lat, middle.lng + (radius / 111320 / Math.cos((middle.lat * Math.PI) / 180)));
    this.handle(middle, "Middle", (at) => [L.circle(at, { ...GHOST, radius })], (at) => ({ point: lonLat(at) }));
    this.handle(
      rim(), "Reach",
      (at) => [L.circle(middle, { ...GHOST, radius: middle.distanceTo(at) }), told(at, length(middle.distanceTo(at)))],
      (at) => ({ radius: written(Math.max(1, middle.distanceTo(at))) }),
    );
  }

  /** @param {any} values */
  box(values) {
    const [west, south, east, north] = values.box;
    for (const [lat, lng, otherLat, otherLng] of [[south, west, north, east], [south, east, north, west], [north, west, south, east], [north, east, south, west]]) {
      const other = L.latLng(otherLat, otherLng);
      this.handle(
        L.latLng(lat, lng), "Corner",
        (at) => [L.rectangle(L.latLngBounds([at, other]), GHOST)],
        (at) => {
          const box = L.latLngBounds([at, other]);
          return { box: [box.getWest(), box.getSouth(), box.getEast(), box.getNorth()].map((v) => Number(v.toFixed(6))) };
        },
      );
    }
  }

  /** @param {number[][]} places @param {"line"|"polygon"} key @param {number} least */
  corners(places, key, least) {
    if (places.length > MOST) return;
    const all = places.map(([lon, lat]) => L.latLng(lat, lon));
    const shape = (/** @type {any[]} */ corners) => (key === "line" ? L.polyline(corners, GHOST) : L.polygon(corners, GHOST));
    all.forEach((place, i) => {
      const moved = (/** @type {any} */ at) => all.map((one, n) => (n === i ? at : one));
      this.handle(
        place, `Corner ${i + 1}`,
        (at) => [shape(moved(at))],
        (at) => ({ [key]: moved(at).map(lonLat) }),
        places.length > least ? () => ({ [key]: all.filter((_, n) => n !== i).map(lonLat) }) : undefined,
      );
    });
    const pairs = key === "line" ? all.length - 1 : all.length;
    for (let i = 0; i < pairs; i += 1) {
      const next = all[(i + 1) % all.length];
      const middle = L.latLng((all[i].lat + next.lat) / 2, (all[i].lng + next.lng) / 2);
      const more = (/** @type {any} */ at) => [...all.slice(0, i + 1), at, ...all.slice(i + 1)];
      this.handle(middle, "New corner", (at) => [shape(more(at))], (at) => ({ [key]: more(at).map(lonLat) }), undefined, "between");
    }
  }

  // The edge of a corridor, beside the middle of its line as it is seen.
  /** @param {any} area */
  width(area) {
    const route = store.shapes?.features.find((/** @type {any} */ one) => one.properties.kind === "route" && one.properties.name === area.name);
    if (!route) return;
    const line = route.geometry.type === "LineString" ? route.geometry.coordinates : route.geometry.coordinates[0];
    const at = Math.max(1, Math.floor(line.length / 2));
    const [from, to] = [line[at - 1], line[at]].map(([lon, lat]) => L.latLng(lat, lon));
    const middle = L.latLng((from.lat + to.lat) / 2, (from.lng + to.lng) / 2);
    const reach = area.reach_m ?? 250;
    const squash = Math.cos((middle.lat * Math.PI) / 180);
    const [dx, dy] = [(to.lng - from.lng) * squash, to.lat - from.lat];
    const long = Math.hypot(dx, dy) || 1;
    const edge = L.latLng(middle.lat + (reach / 111320) * (dx / long), middle.lng - (reach / 111320 / squash) * (dy / long));
    this.handle(
      edge, "Half-width",
      (place) => [L.circle(middle, { ...GHOST, radius: middle.distanceTo(place) }), told(place, length(middle.distanceTo(place)))],
      (place) => ({ "half-width": written(Math.max(1, middle.distanceTo(place))) }),
      undefined, "edge",
    );
  }

  /**
   * @param {any} at
   * @param {string} title
   * @param {(at: any) => any[]} show what follows the pointer
   * @param {(at: any) => object} change of the area once it is let go
   * @param {() => object} [remove] change when it is taken away
   * @param {string} look
   */
  handle(at, title, show, change, remove, look = "corner") {
    const icon = L.divIcon({ className: `handle ${look}`, iconSize: [18, 18] });
    const marker = L.marker(at, { icon, draggable: true, keyboard: true, alt: title, title, autoPan: false });
    const name = store.chosen;
    const send = async (/** @type {object} */ values) => {
      stopWeighing();
      if (await store.change({ do: "set-area", name, values })) return;
      this.drawn = ""; // refused: back to where it was
      this.draw();
    };
    marker.on("drag", () => {
      this.ghost.clearLayers();
      for (const layer of show(marker.getLatLng())) this.ghost.addLayer(layer);
      weigh(name, change(marker.getLatLng()));
    });
    marker.on("dragend", () => send(change(marker.getLatLng())));
    marker.on("add", () => {
      const element = marker.getElement();
      element.setAttribute("aria-label", `${title} of ${name}. Enter takes it in hand.`);
      element.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => this.key(event, marker, at, show, change, remove, send));
    });
    if (remove) marker.on("contextmenu", () => send(remove()));
    this.group.addLayer(marker);
  }

  /** @param {KeyboardEvent} event @param {any} marker @param {any} home @param {any} show @param {any} change @param {any} remove @param {any} send */
  key(event, marker, home, show, change, remove, send) {
    const element = marker.getElement();
    const held = element.classList.contains("held");
    const step = { ArrowUp: [0, -STEP_PX], ArrowDown: [0, STEP_PX], ArrowLeft: [-STEP_PX, 0], ArrowRight: [STEP_PX, 0] }[event.key];
    if (event.key === "Enter") {
      element.classList.toggle("held");
      if (held) send(change(marker.getLatLng()));
    } else if (held && step) {
      const point = this.map.latLngToContainerPoint(marker.getLatLng()).add(step);
      marker.setLatLng(this.map.containerPointToLatLng(point));
      this.ghost.clearLayers();
      for (const layer of show(marker.getLatLng())) this.ghost.addLayer(layer);
      weigh(store.chosen, change(marker.getLatLng()));
    } else if (held && event.key === "Escape") {
      stopWeighing();
      element.classList.remove("held");
      marker.setLatLng(home);
      this.ghost.clearLayers();
    } else if (event.key === "Delete" && remove) {
      send(remove());
    } else {
      return;
    }
    event.preventDefault();
    event.stopPropagation();
  }
}

/** @param {any} at @param {string} text */
function told(at, text) {
  const icon = L.divIcon({ className: "measure", html: make("span", { text }), iconSize: null });
  return L.marker(at, { icon, interactive: false, keyboard: false });
}
