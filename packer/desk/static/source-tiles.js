// The map's tiles with the source behind them: on board first, then the layer's own server, then enlarged.

import { store } from "./store.js";
import { BoardTiles } from "./tiles.js";

const L = window.L;

export const SourceTiles = BoardTiles.extend({
  initialize(/** @type {string} */ layer, /** @type {object} */ options) {
    /** @type {any} */ (BoardTiles.prototype).initialize.call(this, layer, options);
    this._path = `/api/look/${encodeURIComponent(layer)}`;
  },

  async _fill(/** @type {any} */ tile, /** @type {{z: number, x: number, y: number}} */ coords) {
    const path = `${this._path}/${coords.z}/${coords.x}/${coords.y}${this.options.patient?.() ? "?patient=1" : ""}`;
    const answer = await fetch(path, { signal: tile.stop.signal });
    const source = answer.headers.get("X-From") ?? "none";
    sayWhy(decodeURIComponent(answer.headers.get("X-Why") ?? ""), source);
    tile.dataset.from = source;
    if (answer.status === 204) {
      tile.classList.add("empty");
      return;
    }
    if (!answer.ok) throw new Error(await answer.text());
    tile.classList.add(source === "source" ? "from-source" : source === "enlarged" ? "enlarged" : "exact");
    const [zoom] = (answer.headers.get("X-On-Board") ?? "0").split("/").map(Number);
    if ((answer.headers.get("Content-Type") ?? "").includes("vector")) {
      tile.classList.add("vector");
      return;
    }
    const picture = await createImageBitmap(await answer.blob());
    tile.prepend(part(picture, 2 ** (coords.z - zoom), coords.x, coords.y));
    tile.dataset.zoom = String(zoom);
  },
});

/**
 * The layer that one lies over, where that is to be seen below it, and whose pictures both are. What a source has is
 * looked at by itself.
 * @param {string} name @param {boolean} source
 * @returns {{below: string|undefined, credit: string}}
 */
export function belowAndCredit(name, source) {
  const named = (/** @type {string} */ one) => store.state?.layers.find((/** @type {any} */ layer) => layer.name === one);
  const below = source ? undefined : (named(name)?.over ?? undefined);
  const credits = [named(name)?.attribution, below && named(below)?.attribution];
  return { below, credit: [...new Set(credits.filter(Boolean))].join(" · ") };
}

let said = "";
/**
 * Say why the source gave none, and no longer once it gives some.
 * @param {string} why @param {string} from
 */
function sayWhy(why, from) {
  if (why === said || (!why && from !== "source")) return;
  said = why;
  store.tell("notice", why);
}

/**
 * The part of a tile, or of one `times` coarser, that covers a place; every pixel becomes a block.
 * @param {ImageBitmap} picture @param {number} times @param {number} x @param {number} y
 */
export function part(picture, times, x, y) {
  const canvas = document.createElement("canvas");
  canvas.width = times === 1 ? picture.width : 512;
  canvas.height = times === 1 ? picture.height : 512;
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  pen.imageSmoothingEnabled = false;
  const [w, h] = [picture.width / times, picture.height / times];
  pen.drawImage(picture, (x % times) * w, (y % times) * h, w, h, 0, 0, canvas.width, canvas.height);
  picture.close();
  return canvas;
}

/**
 * The switch on the map, "On board | Source"; `change` gets whether the source is to be shown.
 * @param {(source: boolean) => void} change
 */
export function sourceSwitch(change) {
  const control = new L.Control({ position: "topleft" });
  control.onAdd = () => {
    const group = document.createElement("div");
    group.className = "leaflet-bar source-switch";
    group.setAttribute("role", "group");
    group.setAttribute("aria-label", "What the map shows");
    for (const [words, source] of /** @type {[string, boolean][]} */ ([["On board", false], ["Source", true]])) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = words;
      button.setAttribute("aria-pressed", String(!source));
      button.addEventListener("click", () => {
        for (const one of group.querySelectorAll("button")) one.setAttribute("aria-pressed", String(one === button));
        change(source);
      });
      group.append(button);
    }
    L.DomEvent.disableClickPropagation(group);
    return group;
  };
  return control;
}
