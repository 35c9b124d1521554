// The map's tiles, each shown as what it is: on board, enlarged from a coarser one, empty, or damaged.

import { sketch } from "./sketch.js";

/** @typedef {{z: number, x: number, y: number}} Coords */
/** @typedef {HTMLDivElement & {stop: AbortController}} Sheet */

const L = window.L;
const SIDE = 256;

export const BoardTiles = L.GridLayer.extend({
  initialize(/** @type {string} */ layer, /** @type {object} */ options) {
    L.setOptions(this, { tileSize: SIDE, noWrap: false, ...options });
    this._path = `/nearest/${encodeURIComponent(layer)}`;
    this._below = this.options.below ? `/nearest/${encodeURIComponent(this.options.below)}` : null;
    this.on("tileunload", (/** @type {{tile: Sheet}} */ { tile }) => tile.stop.abort());
  },

  createTile(/** @type {Coords} */ coords, /** @type {(fault: unknown, tile: Sheet) => void} */ done) {
    const tile = /** @type {Sheet} */ (document.createElement("div"));
    tile.className = "sheet";
    tile.dataset.tile = `${coords.z}/${coords.x}/${coords.y}`;
    tile.stop = new AbortController();
    this._fill(tile, coords).then(
      () => done(null, tile),
      (/** @type {Error} */ fault) => {
        if (fault.name === "AbortError") return; // scrolled away: nobody is looking
        call(tile, "damaged", "cannot be shown");
        done(fault, tile);
      },
    );
    return tile;
  },

  // Gives whether anything is shown that is deeper than `known`.
  async _fill(/** @type {Sheet} */ tile, /** @type {Coords} */ coords, known = -2) {
    const asked = [this._path, ...(this._below ? [this._below] : [])].map((path) => nearest(path, coords, tile.stop.signal));
    const [upper, lower] = await Promise.all(asked);
    const deepest = Math.max(upper?.zoom ?? -1, lower?.zoom ?? -1);
    if (deepest <= known) return false;
    if (deepest < 0) {
      tile.classList.add("empty");
      return true;
    }
    const { z, x, y } = coords;
    tile.classList.add(deepest === z ? "exact" : "enlarged");
    tile.dataset.zoom = String(deepest);
    // A coarse tile, enlarged, would hide what the layer below shows in detail.
    for (const found of [upper?.zoom === deepest || !lower ? upper : null, lower]) {
      if (!found) continue;
      if (found.answer.headers.get("Content-Type")?.includes("vector")) {
        tile.classList.add("vector");
        tile.prepend(sketched(new Uint8Array(await found.answer.arrayBuffer()), 2 ** (z - found.zoom), x, y));
      } else {
        tile.prepend(drawn(await createImageBitmap(await found.answer.blob()), 2 ** (z - found.zoom), x, y));
      }
    }
    if (deepest !== z) call(tile, "from", `zoom ${deepest} ×${2 ** (z - deepest)}`);
    return true;
  },

  // While a fetch runs: look again at the tiles that are not of their own zoom yet, and change those that are now. The
  // others are left as they are, so nothing flickers.
  async grow() {
    const tiles = /** @type {{el: Sheet, coords: Coords}[]} */ (Object.values(this._tiles));
    const wanting = tiles.filter(({ el }) => !el.classList.contains("exact") && !el.stop.signal.aborted);
    for (const { el, coords } of wanting) {
      const fresh = /** @type {Sheet} */ (document.createElement("div"));
      [fresh.className, fresh.stop] = ["sheet", el.stop];
      const known = Number(el.dataset.zoom ?? -1);
      if (!(await this._fill(fresh, this._wrapCoords(coords), known).catch(() => false))) continue;
      el.className = el.className.replace(/\b(sheet|empty|enlarged|damaged|vector)\b/g, "").trim();
      el.classList.add(...fresh.classList);
      el.dataset.zoom = fresh.dataset.zoom;
      el.replaceChildren(...fresh.childNodes);
    }
  },

  // What the tiles now in the page are: { exact, enlarged, empty, damaged } and the zooms enlarged from.
  tally() {
    const found = { exact: 0, enlarged: 0, empty: 0, damaged: 0, from: /** @type {Set<number>} */ (new Set()) };
    const frame = this._map.getContainer().getBoundingClientRect();
    for (const { el, current } of /** @type {{el: HTMLElement, current: boolean}[]} */ (Object.values(this._tiles))) {
      const box = el.getBoundingClientRect();
      const seen = box.right > frame.left && box.left < frame.right && box.bottom > frame.top && box.top < frame.bottom;
      if (!current || !seen) continue;
      for (const kind of /** @type {const} */ (["damaged", "empty", "enlarged", "exact"])) {
        if (el.classList.contains(kind)) {
          found[kind] += 1;
          if (kind === "enlarged") found.from.add(Number(el.dataset.zoom));
          break;
        }
      }
    }
    return found;
  },
});

/**
 * The deepest tile on board at a place, and its zoom; null where there is none.
 * @param {string} path @param {Coords} coords @param {AbortSignal} signal
 */
async function nearest(path, { z, x, y }, signal) {
  const answer = await fetch(`${path}/${z}/${x}/${y}`, { signal });
  if (answer.status === 204) return null;
  if (!answer.ok) throw new Error(await answer.text());
  return { answer, zoom: Number((answer.headers.get("X-On-Board") ?? "").split("/")[0]) };
}

/**
 * A tile, or the part of a coarser one that covers it: every pixel becomes a block, so that no detail is invented and
 * neighbours meet without a seam.
 * @param {ImageBitmap} picture @param {number} times @param {number} x @param {number} y
 */
function drawn(picture, times, x, y) {
  const canvas = document.createElement("canvas");
  canvas.width = times === 1 ? picture.width : 2 * SIDE;
  canvas.height = times === 1 ? picture.height : 2 * SIDE;
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  pen.imageSmoothingEnabled = false;
  const [w, h] = [picture.width / times, picture.height / times];
  pen.drawImage(picture, (x % times) * w, (y % times) * h, w, h, 0, 0, canvas.width, canvas.height);
  picture.close();
  return canvas;
}

/** @param {Uint8Array} bytes @param {number} times @param {number} x @param {number} y */
function sketched(bytes, times, x, y) {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 2 * SIDE;
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  [pen.strokeStyle, pen.fillStyle, pen.lineWidth] = ["#31544b", "rgb(49 84 75 / 12%)", 2];
  sketch(pen, bytes, 2 * SIDE, times, x, y);
  return canvas;
}

/** @param {HTMLElement} tile @param {string} kind a class @param {string} text */
function call(tile, kind, text) {
  tile.classList.add(kind);
  const label = document.createElement("span");
  label.textContent = text;
  tile.append(label);
}
