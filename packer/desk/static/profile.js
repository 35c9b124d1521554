// The strip under the map: kilometres of the chosen line against the depth asked and held.

import { get } from "./api.js";
import { byId, make } from "./dom.js";
import { whileFetching } from "./growing.js";
import { store } from "./store.js";
import { far, farUnit } from "./units.js";

const NS = "http://www.w3.org/2000/svg";
const [HIGH, LEFT, RIGHT] = [56, 76, 14];
const LONGEST_NAME = 11;

export function drawProfile() {
  let asked = 0;
  let again = () => {};
  let wide = 0;
  new ResizeObserver(() => {
    if (wide === byId("profile").clientWidth) return;
    wide = byId("profile").clientWidth;
    again();
  }).observe(byId("profile"));
  const draw = async () => {
    const strip = byId("profile");
    const turn = (asked += 1);
    if (!store.shapes || store.state?.lacks) {
      strip.hidden = true;
      again = () => {};
      return;
    }
    const told = await get("/api/profile").catch(() => null);
    if (turn !== asked) return;
    const lines = told?.lines ?? [];
    const line = lines.find((/** @type {any} */ one) => one.area === store.chosen) ?? lines[0];
    strip.hidden = !line;
    if (!line) return;
    const title = make("h2", { text: `${line.area}, ${far(line.length_km)}: depth asked (outline) and stored (solid)` });
    const show = () => strip.replaceChildren(title, picture(line, strip.clientWidth - 28));
    show();
    again = show;
  };
  store.on("shapes", draw);
  store.on("chosen", draw);
  whileFetching(async () => {
    if (!byId("profile").hidden) await draw();
  });
}

/** @param {string} name @param {{[key: string]: any}} given */
function svg(name, given, text = "") {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(given)) element.setAttribute(key, String(value));
  element.textContent = text;
  return element;
}

/** @param {any} line with `stretches`: from and to in km, and for each layer the depth asked and held @param {number} width in pixels */
function picture(line, width) {
  const layers = [...new Set(line.stretches.flatMap((/** @type {any} */ one) => Object.keys(one.layers)))];
  const row = HIGH / 2;
  const high = layers.length * row + 16;
  const words = summary(line, layers);
  const drawing = svg("svg", { viewBox: `0 0 ${width} ${high}`, height: high, role: "img", "aria-label": words });
  const at = (/** @type {number} */ km) => LEFT + ((width - LEFT - RIGHT) * km) / Math.max(line.length_km, 1e-6);
  layers.forEach((layer, i) => {
    const top = i * row;
    drawing.append(svg("text", { x: 0, y: top + row / 2, class: "layer" }, layer.length > LONGEST_NAME ? `${layer.slice(0, LONGEST_NAME - 1)}…` : layer));
    for (const one of line.stretches) {
      const depth = one.layers[layer];
      if (!depth) continue;
      const [x, wide] = [at(one.from_km), Math.max(at(one.to_km) - at(one.from_km), 0.8)];
      const share = (/** @type {number|null} */ zoom) => Math.max(0, Math.min(1, ((zoom ?? 0) - 8) / 11)) * (row - 4);
      drawing.append(svg("rect", { x, y: top + row - share(depth.asked), width: wide, height: share(depth.asked), class: "asked" }));
      drawing.append(svg("rect", { x, y: top + row - share(depth.held), width: wide, height: share(depth.held), class: "held" }));
    }
  });
  const unit = farUnit();
  const long = line.length_km / unit.km;
  for (let mark = 0; mark <= long; mark += step(long, (width - LEFT) / 60)) {
    drawing.append(svg("text", { x: at(mark * unit.km), y: high - 3, class: "km" }, `${mark.toFixed(mark % 1 ? 1 : 0)}${mark ? "" : ` ${unit.name}`}`));
  }
  drawing.addEventListener("click", (event) => {
    const box = drawing.getBoundingClientRect();
    const share = (event.clientX - box.left - LEFT) / (width - LEFT - RIGHT);
    store.tell("go-to-km", { area: line.area, km: Math.max(0, Math.min(1, share)) * line.length_km });
  });
  return drawing;
}

/** @param {number} long in kilometres or miles @param {number} most labels */
function step(long, most) {
  return [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500].find((one) => long / one <= Math.min(10, most)) ?? 1000;
}

/** @param {any} line @param {string[]} layers */
function summary(line, layers) {
  const parts = layers.map((layer) => {
    const short = line.stretches.filter((/** @type {any} */ one) => one.layers[layer] && (one.layers[layer].held ?? -1) < one.layers[layer].asked);
    const km = short.reduce((/** @type {number} */ sum, /** @type {any} */ one) => sum + one.to_km - one.from_km, 0);
    return km > 0 ? `${layer}: ${far(km)} not yet as deep as asked` : `${layer}: as deep as asked everywhere`;
  });
  return `Depth along ${line.area}. ${parts.join(". ")}.`;
}
