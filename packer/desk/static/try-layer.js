// Try a layer: any pasted address, what it answers with, and the form filled from that.

import { get, post } from "./api.js";
import { action, choice, field, make } from "./dom.js";
import { askKey } from "./key-field.js";
import { map } from "./map.js";

/**
 * @param {HTMLInputElement} address @param {(values: any) => void} fill the form
 * @returns {Node}
 */
export function tryPart(address, fill) {
  const place = make("div.tried", { "aria-live": "polite" });
  const attempt = async (/** @type {string|undefined} */ layer = undefined) => {
    place.replaceChildren(make("p.hint", { text: "Asking for a handful of tiles." }));
    const { lat, lng } = map.getCenter();
    const body = { address: address.value.trim(), lat, lon: ((((lng + 180) % 360) + 360) % 360) - 180, wmts_layer: layer };
    try {
      const found = await post("/api/try-layer", body);
      place.replaceChildren(...told(found, attempt));
      if (found.usable) fill(found.values);
    } catch (fault) {
      const { message } = /** @type {Error} */ (fault);
      const unset = /environment variable (\w+), which is not set/.exec(message)?.[1];
      const key = unset || message.includes("looks like a key");
      place.replaceChildren(make("p.warning", { text: message }), ...(key ? [keyPart(unset ?? "")] : []));
    }
  };
  return make("div", {}, make("div.row", {}, action("Try this address", () => attempt(), "quiet")), place);
}

/**
 * Where a key can be given that stood in the address, or that the address names.
 * @param {string} named
 */
function keyPart(named) {
  const said = make("p.hint", { "aria-live": "polite" });
  const give = async () => {
    try {
      const name = await askKey(named);
      if (name && name === named) said.textContent = "Now try the address again.";
      else if (name) said.textContent = `Now write \${${name}} in the address in place of the key, and try it again.`;
    } catch (fault) {
      said.textContent = /** @type {Error} */ (fault).message;
    }
  };
  return make("div", {}, action("Give the key here", give, "quiet"), said);
}

/** @param {any} found @param {(layer: string) => void} attempt @returns {Node[]} */
function told(found, attempt) {
  const nodes = found.sentences.map((/** @type {string} */ text) => make("p", { class: found.usable ? "" : "warning", text }));
  if (found.layers.length) {
    const pick = choice(["", ...found.layers], "", (value) => value && attempt(value));
    nodes.push(field("Layer of this service", pick));
  }
  if (found.kind) {
    const zooms = found.values.zooms ? ` Zooms ${found.values.zooms[0]} to ${found.values.zooms[1]} answer.` : "";
    nodes.push(make("p", { text: `Tiles are ${found.kind}${found.side_px ? ` of ${found.side_px} pixels` : ""}.${zooms}` }));
  }
  if (found.pictures.length) nodes.push(make("div.samples", {}, ...found.pictures.map(sample)));
  return nodes;
}

/** @param {{tile: string, base64: string}} picture */
function sample(picture) {
  const canvas = make("canvas", { width: 96, height: 96, role: "img", "aria-label": `Tile ${picture.tile}` });
  const bytes = Uint8Array.from(atob(picture.base64), (letter) => letter.charCodeAt(0));
  createImageBitmap(new Blob([bytes])).then((drawn) => canvas.getContext("2d").drawImage(drawn, 0, 0, 96, 96), () => canvas.remove());
  return canvas;
}

/**
 * The layers used before, to choose from; nothing where there are none.
 * @param {(name: string, values: any) => void} fill the form
 */
export async function usedBefore(fill) {
  const found = await get("/api/collection").catch(() => ({ layers: {} }));
  const names = Object.keys(found.layers);
  if (!names.length) return [exchange(false)];
  const pick = choice([["", "none of them"], ...names.map((name) => /** @type {[string, string]} */ ([name, name]))], "", (value) => value && fill(value, found.layers[value]));
  return [field("A layer that you used before", pick), exchange(true)];
}

/**
 * The collection as a file for a colleague, and a colleague's taken in. It holds no keys.
 * @param {boolean} some whether there is anything to hand on
 */
function exchange(some) {
  const said = make("p.hint", { "aria-live": "polite" });
  const file = make("input", { type: "file", accept: ".toml", hidden: true, "aria-label": "A colleague's file of layers" });
  file.addEventListener("change", async () => {
    const [one] = file.files ?? [];
    if (!one) return;
    try {
      const { taken } = await post("/api/collection/file", { text: await one.text() });
      said.textContent = taken.length ? `Taken in: ${taken.join(", ")}. Open this window again to choose.` : "You have layers of all these names already.";
    } catch (fault) {
      said.textContent = /** @type {Error} */ (fault).message;
    }
  });
  const give = some ? make("a", { href: "/api/collection/file", download: "layers.toml", text: "Save my layers as a file for a colleague" }) : null;
  return make("div", {}, make("div.row", {}, action("Take in a colleague's layers", () => file.click(), "quiet"), give), file, said);
}

/**
 * Keep a layer that was added; that it could not be kept holds nobody up.
 * @param {string} name
 * @param {any} values
 */
export async function keep(name, values) {
  await post("/api/collection", { name, values }).catch(() => undefined);
}
