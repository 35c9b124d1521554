// The depth gauge: one rung a zoom, filled where there is a tile on board under the pointer or the aim.

import { json } from "./overlays.js";

const L = window.L;
const PAUSE_MS = 120;

export class Gauge {
  /** @param {any} map @param {() => string} layerName */
  constructor(map, layerName) {
    this.map = map;
    this.layerName = layerName;
    this.rungs = /** @type {HTMLElement} */ (document.getElementById("rungs"));
    this.said = /** @type {HTMLElement} */ (document.getElementById("pointer"));
    this.asked = 0;
    this.timer = 0;
    // A finger has no place until it touches, so the middle of the map is what counts there.
    this.pointing = window.matchMedia("(hover: hover)").matches;
    document.body.classList.toggle("aiming", !this.pointing);
    map.on("mousemove", (/** @type {any} */ event) => this.pointing && this.soon(event.latlng, "pointer"));
    map.on("moveend zoomend", () => this.soon(map.getCenter(), "middle"));
    map.on("mouseout", () => this.soon(map.getCenter(), "middle"));
    this.rungs.addEventListener("click", ({ target }) => {
      const rung = target instanceof Element ? target.closest("li") : null;
      if (rung) map.setZoom(Number(rung.dataset.zoom));
    });
  }

  /** @param {number} first @param {number} last zoom */
  draw(first, last) {
    this.rungs.replaceChildren();
    for (let zoom = last; zoom >= first; zoom -= 1) {
      const rung = document.createElement("li");
      rung.dataset.zoom = String(zoom);
      rung.textContent = String(zoom);
      this.rungs.append(rung);
    }
  }

  /** @param {{lat: number, lng: number}} at @param {string} whose */
  soon(at, whose) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.read(at, whose), PAUSE_MS);
  }

  /** @param {{lat: number, lng: number}} at @param {string} whose */
  async read(at, whose) {
    const turn = (this.asked += 1);
    const { lat, lng } = at;
    if (Math.abs(lat) > 85.0511) return;
    const query = new URLSearchParams({ lon: lng.toFixed(6), lat: lat.toFixed(6), layer: this.layerName() });
    let depth;
    try {
      depth = await json(`/depth?${query}`);
    } catch {
      this.said.textContent = "The map page has lost its server. Start it again: lastbar view";
      return;
    }
    if (turn !== this.asked) return; // a later question has been put meanwhile
    this.mark(depth);
    const where = whose === "pointer" ? " under the pointer: " : " in the middle: ";
    const spot = `${depth.text} · ${depth.mgrs}`;
    this.said.replaceChildren(made("strong", words(depth)), made("span", where), made("span", spot));
  }

  /** @param {{zooms: number[], planned: number[]}} depth */
  mark({ zooms, planned }) {
    for (const rung of this.rungs.querySelectorAll("li")) {
      const zoom = Number(rung.dataset.zoom);
      rung.className = zooms.includes(zoom) ? "held" : planned.includes(zoom) ? "lacking" : "";
      rung.classList.toggle("now", zoom === this.map.getZoom());
    }
  }
}

/** @param {{deepest: number|null, ground_m_a_pixel: number, planned: number[]}} depth */
function words({ deepest, ground_m_a_pixel: metres, planned }) {
  if (deepest === null) return planned.length ? "Nothing on board, but planned," : "Nothing on board";
  const ground = metres >= 10 ? `${Math.round(metres)} m` : `${metres.toFixed(metres >= 1 ? 1 : 2)} m`;
  const lacking = planned.filter((zoom) => zoom > deepest);
  const short = lacking.length ? `, planned to ${Math.max(...lacking)}` : "";
  return `Zoom ${deepest} on board (${ground} a pixel)${short}`;
}

/** @param {string} tag @param {string} text */
function made(tag, text) {
  const found = document.createElement(tag);
  found.textContent = text;
  return found;
}
