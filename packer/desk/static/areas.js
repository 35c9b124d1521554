// The list of areas and of map layers. An area is one line: form, name, depth by layer, length and size.

import { byId, make } from "./dom.js";
import { addLayer, editLayer } from "./layers.js";
import { store } from "./store.js";
import { far } from "./units.js";
import { bytes } from "./words.js";

/**
 * The sign of each form, the same on the map, in the list and in words.
 * @type {{[form: string]: [string, string]}}
 */
export const FORMS = {
  line: ["∿", "corridor"],
  circle: ["○", "circle"],
  box: ["▭", "box"],
  polygon: ["⬠", "polygon"],
};

export function drawAreas() {
  store.on("state", draw);
  store.on("figures", draw);
  store.on("chosen", draw);
  byId("add-layer").addEventListener("click", () => addLayer());
}

function draw() {
  const { state } = store;
  if (!state) return;
  byId("areas").replaceChildren(...state.areas.map(line), ...(state.areas.length ? [] : [empty()]));
  byId("layers").replaceChildren(...state.layers.map(layerLine), ...(state.layers.length ? [] : [noLayer()]));
  byId("list").classList.toggle("untrue", !store.figuresTrue);
}

function empty() {
  return make("li.hint", { text: "No area yet. Draw one on the map, or add the file of your course." });
}

function noLayer() {
  return make("li.hint", { text: "No map layer yet. Add the address of a tile server that you may use." });
}

/** @param {any} area */
function line(area) {
  const figures = store.figures?.areas[area.name];
  const [sign, form] = FORMS[/** @type {string} */ (area.form)];
  const size = figures ? [figures.length_km && far(figures.length_km), bytes(figures.bytes)] : [];
  const warned = warnings(area.name);
  const mark = warned.length ? make("span.warned", { text: "!", title: warned.join("\n") }) : null;
  const chosen = store.chosen === area.name;
  return make(
    "li",
    {},
    make(
      "button.area",
      { type: "button", "aria-pressed": String(chosen), onclick: () => pick(area.name, chosen) },
      make("span.sign", { text: sign, "aria-label": form, role: "img" }),
      make("span.name", { text: area.name }),
      mark,
      facts(depths(Object.entries(figures?.layers ?? {}).map(([name, one]) => [name, one.deepest])) || before(area), size.filter(Boolean).join(", ")),
    ),
  );
}

/**
 * The line below a name: depth and size, one after the other where both have room.
 * @param {string} depth @param {string} size
 */
function facts(depth, size) {
  return make("span.facts", {}, make("span.depths", { text: depth }), size ? make("span.size", { text: size }) : null);
}

/**
 * How deep an area goes: one zoom where all layers share it.
 * @param {[string, number][]} each layer with its deepest zoom
 */
function depths(each) {
  if (!each.length) return "";
  if (each.every(([, zoom]) => zoom === each[0][1])) return `to zoom ${each[0][1]}`;
  return `zoom: ${each.map(([layer, zoom]) => `${layer} ${zoom}`).join(" · ")}`;
}

// While there are no figures, the depth is what the brief says.
/** @param {any} area */
function before({ values }) {
  const deepest = values.deepest ?? store.state?.uses[values.use];
  const each = /** @type {[string, number][]} */ (typeof deepest === "object" && deepest ? Object.entries(deepest) : []);
  return depths(each) || (deepest === undefined ? "" : `to zoom ${deepest}`);
}

/** @param {string} name @param {boolean} chosen */
function pick(name, chosen) {
  store.choose(chosen ? null : name);
  if (!chosen && store.step !== "ground" && store.step !== "worth") store.open("ground");
}

/**
 * The warnings that name an area.
 * @param {string} name
 * @returns {string[]}
 */
export function warnings(name) {
  return (store.figures?.warnings ?? []).filter((/** @type {string} */ text) => text.includes(`"${name}"`));
}

/** @param {any} layer */
function layerLine(layer) {
  const size = store.figures?.layers[layer.name];
  const zooms = layer.zooms ? `zooms ${layer.zooms[0]} to ${layer.zooms[1]}` : "zooms not read yet";
  return make(
    "li",
    {},
    make(
      "button.area",
      { type: "button", onclick: () => editLayer(layer) },
      make("span.sign", { text: "▤", "aria-label": "layer", role: "img" }),
      make("span.name", { text: layer.name }),
      facts(zooms, size ? bytes(size.bytes.expected) : ""),
    ),
  );
}
