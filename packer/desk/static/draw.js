// Drawing a new area: by pointer, or by keyboard with the cross in the middle of the map.

import { get } from "./api.js";
import { ask, byId, choice, field, make } from "./dom.js";
import { free } from "./files.js";
import { store } from "./store.js";
import { length, lengthHint, shown, written } from "./units.js";

const L = window.L;
const STYLE = { color: "#c2410c", weight: 3, fill: false, interactive: false };
const HOW = {
  line: "Set the corners of the line one after another. Enter sets one under the cross. Finish with a double click or F.",
  circle: "Set the middle, then how far it reaches. Enter sets either under the cross.",
  box: "Set two opposite corners. Enter sets one under the cross.",
  polygon: "Set the corners of the outline. Enter sets one under the cross. Finish with a double click or F.",
};
const ENOUGH = { line: 2, circle: 2, box: 2, polygon: 3 };

/** @typedef {"line"|"circle"|"box"|"polygon"} Form */

export class Drawing {
  /** @param {any} map */
  constructor(map) {
    this.map = map;
    /** @type {Form|null} */
    this.form = null;
    /** @type {any[]} */
    this.places = [];
    this.preview = L.layerGroup().addTo(map);
    map.on("click", (/** @type {any} */ event) => this.form && this.add(event.latlng));
    map.on("dblclick", () => this.form && this.finish());
    map.on("mousemove", (/** @type {any} */ event) => this.form && this.show(event.latlng));
    map.on("move", () => this.form && this.show(map.getCenter()));
    map.getContainer().addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => this.key(event));
    document.addEventListener("keydown", (event) => event.key === "Escape" && this.busy && this.leave());
    const menu = byId("draw-menu");
    byId("draw").addEventListener("click", () => this.menu(menu.hidden));
    menu.addEventListener("click", (/** @type {any} */ event) => {
      const form = event.target.dataset.form;
      if (!form) return;
      this.menu(false);
      if (form === "type") typePosition(map);
      else this.begin(form);
    });
  }

  get busy() {
    return this.form !== null;
  }

  /** @param {boolean} open */
  menu(open) {
    byId("draw-menu").hidden = !open;
    byId("draw").setAttribute("aria-expanded", String(open));
    if (open) byId("draw-menu").querySelector("button").focus();
  }

  /** @param {Form} form */
  begin(form) {
    this.form = form;
    this.places = [];
    store.choose(null);
    const said = byId("drawing");
    said.replaceChildren(
      make("span", { text: HOW[form] }),
      make("button", { type: "button", text: "Finish", onclick: () => this.finish() }),
      make("button.quiet", { type: "button", text: "Leave", onclick: () => this.leave() }),
    );
    said.hidden = false;
    document.body.classList.add("drawing");
    this.map.getContainer().focus();
  }

  leave() {
    this.form = null;
    this.preview.clearLayers();
    byId("drawing").hidden = true;
    document.body.classList.remove("drawing");
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    if (!this.form) return;
    if (event.key === "Enter") this.add(this.map.getCenter());
    else if (event.key === "f" || event.key === "F") this.finish();
    else if (event.key === "Backspace") this.places.pop();
    else return;
    event.preventDefault();
    this.show(this.map.getCenter());
  }

  /** @param {any} place */
  add(place) {
    const last = this.places.at(-1);
    if (last && this.map.latLngToContainerPoint(last).distanceTo(this.map.latLngToContainerPoint(place)) < 3) return;
    this.places.push(place.wrap());
    if ((this.form === "circle" || this.form === "box") && this.places.length === 2) this.finish();
    else this.show(place);
  }

  /** @param {any} pointer */
  show(pointer) {
    this.preview.clearLayers();
    const places = [...this.places, pointer];
    if (this.form === "circle" && this.places.length) {
      const radius = this.places[0].distanceTo(pointer);
      this.preview.addLayer(L.circle(this.places[0], { ...STYLE, radius }));
      this.preview.addLayer(told(pointer, length(radius)));
    } else if (this.form === "box" && this.places.length) {
      this.preview.addLayer(L.rectangle(L.latLngBounds(places), STYLE));
    } else if (this.form === "polygon") {
      this.preview.addLayer(L.polygon(places, STYLE));
    } else if (this.form === "line" && this.places.length) {
      this.preview.addLayer(L.polyline(places, STYLE));
      const long = places.slice(1).reduce((sum, place, i) => sum + places[i].distanceTo(place), 0);
      this.preview.addLayer(told(pointer, length(long)));
    }
    for (const place of this.places) this.preview.addLayer(L.circleMarker(place, { ...STYLE, radius: 4, fill: true, fillColor: "#fff", fillOpacity: 1 }));
  }

  async finish() {
    const { form, places } = this;
    if (!form) return;
    if (places.length < ENOUGH[form]) {
      store.tell("notice", `A ${form} needs at least ${ENOUGH[form]} corners. Set more, or leave with Escape.`);
      return;
    }
    this.leave();
    const name = free({ line: "course", circle: "circle", box: "box", polygon: "outline" }[form]);
    const values = { name, ...geometry(form, places), deepest: form === "box" ? 14 : 16 };
    if (await store.change({ do: "add-area", values })) {
      store.choose(name);
      store.open("ground");
    }
  }
}

/** @param {any} at @param {string} text */
function told(at, text) {
  const icon = L.divIcon({ className: "measure", html: make("span", { text }), iconSize: null });
  return L.marker(at, { icon, interactive: false, keyboard: false });
}

/** @param {number} degrees */
const round = (degrees) => Number(degrees.toFixed(6));

/** @param {any} place */
export const lonLat = (place) => [round(place.wrap().lng), round(place.lat)];

/** @param {Form} form @param {any[]} places */
function geometry(form, places) {
  if (form === "circle") {
    const radius = Math.max(1, places[0].distanceTo(places[1]));
    return { point: lonLat(places[0]), radius: written(radius) };
  }
  if (form === "box") {
    const box = L.latLngBounds(places);
    return { box: [box.getWest(), box.getSouth(), box.getEast(), box.getNorth()].map(round) };
  }
  return form === "line" ? { line: places.map(lonLat), "half-width": shown("250 m") } : { polygon: places.map(lonLat) };
}

/** @param {any} map */
async function typePosition(map) {
  const where = make("input", { type: "text", required: true, placeholder: "47.1023, 12.5012 or MGRS", spellcheck: "false" });
  const name = make("input", { type: "text", required: true, value: free("place") });
  const radius = make("input", { type: "text", required: true, value: shown("1 km") });
  let depth = "16";
  const depths = choice(["18", "17", "16", "15", "14"], depth, (value) => { depth = value; });
  const content = [
    field("Position", where, "Degrees, degrees and minutes, or MGRS."),
    field("Name", name),
    field("Reach", radius, lengthHint()),
    field("Deepest zoom", depths),
  ];
  if (!(await ask("A circle round a position", content, "Add"))) return;
  const found = await get(`/position?${new URLSearchParams({ text: where.value })}`);
  if (!found.found) {
    store.tell("notice", found.reason);
    return;
  }
  const values = { name: name.value, point: [found.lon, found.lat], radius: radius.value, deepest: Number(depth) };
  if (await store.change({ do: "add-area", values })) {
    store.choose(name.value);
    map.setView([found.lat, found.lon], Math.max(map.getZoom(), 12), { animate: false });
  }
}
