// Which layer the map shows, and a second map beside it: two layers that move together, a cross and the pointer in both.

import { byId, choice, make } from "./dom.js";
import { belowAndCredit, SourceTiles } from "./source-tiles.js";
import { store } from "./store.js";
import { BoardTiles } from "./tiles.js";

const L = window.L;
const OVER = { color: "#fff", weight: 2, opacity: 0.9, dashArray: "7 5", fill: false, interactive: false };

const names = () => /** @type {string[]} */ ((store.state?.layers ?? []).map((/** @type {any} */ layer) => layer.name));

/** The layer to show where one was chosen; the first of the brief, else the second for the map beside. */
export class SideBySide {
  /**
   * @param {any} map the first one, of Leaflet
   * @param {() => void} changed is called when the first map has to show another layer
   */
  constructor(map, changed) {
    this.map = map;
    this.changed = changed;
    this.source = false;
    this.chosen = ["", ""];
    /** @type {any} */
    this.beside = null;
    /** @type {any} */
    this.tiles = null;
    this.tilesOf = "";
    this.over = L.layerGroup();
    this.marks = [pointer(), pointer()];
    this.bar = make("div.leaflet-bar.layer-bar");
    const control = new L.Control({ position: "topleft" });
    control.onAdd = () => this.bar;
    control.addTo(map);
    L.DomEvent.disableClickPropagation(this.bar);
    store.on("state", () => this.draw());
    store.on("shapes", () => this.drawOver());
    map.on("move zoom", () => this.follow(map, this.beside));
    this.mirror(map, 1);
  }

  /**
   * The layer of the first map (0) or of the one beside it (1).
   * @param {0|1} side
   */
  layer(side) {
    const known = names();
    return known.includes(this.chosen[side]) ? this.chosen[side] : (known[side] ?? known[0] ?? "");
  }

  /**
   * Whether the map shows what the source has.
   * @param {boolean} source
   */
  show(source) {
    this.source = source;
    this.drawTiles();
  }

  draw() {
    const known = names();
    this.bar.hidden = known.length < 2 || Boolean(store.state?.lacks);
    if (this.bar.hidden) {
      this.close();
      return;
    }
    if (this.bar.dataset.of !== known.join("\n")) {
      this.bar.dataset.of = known.join("\n");
      const two = make("button", { type: "button", text: "Two layers", "aria-pressed": "false", onclick: () => (this.beside ? this.close() : this.open()) });
      this.bar.replaceChildren(this.pick(0, "Layer of the map"), two);
    }
    this.drawTiles();
  }

  /** @param {0|1} side @param {string} label */
  pick(side, label) {
    const select = choice(names(), this.layer(side), (value) => {
      this.chosen[side] = value;
      side ? this.drawTiles() : this.changed();
    });
    select.setAttribute("aria-label", label);
    return select;
  }

  open() {
    byId("ground").classList.add("two");
    this.bar.querySelector("button").setAttribute("aria-pressed", "true");
    const place = make("div", { id: "map-beside", tabindex: "0", role: "application", "aria-label": "The second map. It moves with the first." });
    byId("map").after(place, make("div", { id: "cross-beside", "aria-hidden": "true" }), make("p", { id: "credit-beside" }));
    this.beside = L.map(place, {
      attributionControl: false, zoomControl: false, fadeAnimation: false, zoomAnimation: false, inertia: false,
      maxZoom: 22, minZoom: 1, doubleClickZoom: false, renderer: L.canvas(),
    });
    this.map.invalidateSize({ animate: false });
    this.follow(this.map, this.beside);
    const bar = make("div.leaflet-bar.layer-bar", {}, this.pick(1, "Layer of the second map"));
    const control = new L.Control({ position: "topleft" });
    control.onAdd = () => bar;
    control.addTo(this.beside);
    L.DomEvent.disableClickPropagation(bar);
    this.beside.on("move zoom", () => this.follow(this.beside, this.map));
    this.mirror(this.beside, 0);
    this.over.addTo(this.beside);
    this.drawOver();
    this.drawTiles();
  }

  close() {
    if (!this.beside) return;
    for (const mark of this.marks) mark.remove();
    this.over.remove();
    this.beside.remove();
    this.beside = this.tiles = null;
    this.tilesOf = "";
    for (const id of ["map-beside", "cross-beside", "credit-beside"]) byId(id).remove();
    byId("ground").classList.remove("two");
    this.bar.querySelector("button")?.setAttribute("aria-pressed", "false");
    this.map.invalidateSize({ animate: false });
  }

  /**
   * One map takes the other's view; the one that takes it over moves nobody in turn.
   * @param {any} leader
   * @param {any} other
   */
  follow(leader, other) {
    if (!this.beside || this.following) return;
    this.following = true;
    other.setView(leader.getCenter(), leader.getZoom(), { animate: false });
    this.following = false;
  }

  /**
   * What the pointer is over on one map is marked on the other.
   * @param {any} map
   * @param {0|1} other
   */
  mirror(map, other) {
    const target = () => (other ? this.beside : this.map);
    map.on("mousemove", (/** @type {any} */ event) => {
      if (this.beside) this.marks[other].setLatLng(event.latlng).addTo(target());
    });
    map.on("mouseout", () => this.marks[other].remove());
  }

  drawTiles() {
    if (!this.beside) return;
    const name = this.layer(1);
    const of = `${this.source} ${name}`;
    if (of === this.tilesOf) return;
    this.tiles?.remove();
    this.tilesOf = of;
    const { below, credit } = belowAndCredit(name, this.source);
    this.tiles = new (this.source ? SourceTiles : BoardTiles)(name, { maxZoom: 22, below, patient: () => true }).addTo(this.beside);
    byId("credit-beside").textContent = credit;
  }

  // The same course and areas, only to look at: they are drawn and changed on the first map.
  drawOver() {
    this.over.clearLayers();
    if (!this.beside || !store.shapes) return;
    const shapes = store.shapes.features.filter((/** @type {any} */ one) => !["waypoint", "edge"].includes(one.properties.kind));
    const style = (/** @type {any} */ one) => (one.properties.kind === "route" ? { ...OVER, color: "#5a1f7a", dashArray: "", weight: 3 } : { ...OVER, color: "#0b5c8a" });
    this.over.addLayer(L.geoJSON({ type: "FeatureCollection", features: shapes }, { style, interactive: false }));
  }
}

function pointer() {
  const icon = L.divIcon({ className: "pointed", iconSize: [18, 18] });
  return L.marker([0, 0], { icon, interactive: false, keyboard: false });
}
