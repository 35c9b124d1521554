// Everything drawn over the tiles: routes, waypoints, areas, edges of what is on board, gaps of the plan.
// Names come from anybody's files, so they only ever become text.

const L = window.L;

const INK = {
  route: { color: "#5a1f7a", weight: 3.5, opacity: 0.95 },
  casing: { color: "#ffffff", weight: 7, opacity: 0.75, fill: false, interactive: false },
  thinCasing: { color: "#ffffff", weight: 5, opacity: 0.6, fill: false, interactive: false },
  area: { color: "#0b5c8a", weight: 2, dashArray: "7 5", fill: false },
  board: { color: "#0f6b52", weight: 2, opacity: 0.9, fill: false, interactive: false },
  missing: { color: "#b3261e", weight: 1.2, fillColor: "#b3261e", fillOpacity: 0.22 },
  absent: { color: "#7a5b00", weight: 1.2, dashArray: "3 3", fillColor: "#b58900", fillOpacity: 0.2 },
};

/** @param {string} path @returns {Promise<any>} */
export async function json(path) {
  const answer = await fetch(path);
  if (!answer.ok) throw new Error(await answer.text());
  return answer.json();
}

/** @param {string} text */
function named(text) {
  const label = document.createElement("span");
  label.textContent = text;
  return label;
}

export async function routes() {
  const found = await json("/route.geojson");
  const lines = { type: "FeatureCollection", features: found.features.filter((/** @type {any} */ f) => f.properties.kind === "route") };
  const places = { type: "FeatureCollection", features: found.features.filter((/** @type {any} */ f) => f.properties.kind === "waypoint") };
  return L.layerGroup([
    L.geoJSON(lines, { style: INK.casing }),
    L.geoJSON(lines, {
      style: INK.route,
      onEachFeature: (/** @type {any} */ { properties: p }, /** @type {any} */ line) =>
        line.bindTooltip(named(`${p.name}, ${p.length_km.toFixed(1)} km`), { sticky: true, className: "tip" }),
    }),
    L.geoJSON(places, { pointToLayer: waypoint }),
  ]);
}

/** @param {any} feature @param {any} at */
function waypoint({ properties: p }, at) {
  const icon = L.divIcon({ className: "waypoint", iconSize: [14, 14] });
  const mark = L.marker(at, { icon, keyboard: Boolean(p.name), alt: p.name || "Waypoint" });
  if (!p.name) return mark;
  mark.bindTooltip(named(p.name), { permanent: true, direction: "right", offset: [8, 0], className: "tip place" });
  // A name that has no room is still told of the place that is pointed at, or that has the focus.
  const call = (/** @type {boolean} */ called) => () => mark.getTooltip().getElement()?.classList.toggle("called", called);
  mark.on("mouseover", call(true)).on("mouseout", call(false));
  return mark.on("add", () => {
    mark.getElement().setAttribute("aria-label", p.name);
    mark.getElement().addEventListener("focus", call(true));
    mark.getElement().addEventListener("blur", call(false));
  });
}

export async function areas() {
  const found = await json("/areas.geojson");
  return L.layerGroup([
    L.geoJSON(found, { style: INK.thinCasing }),
    L.geoJSON(found, {
      style: INK.area,
      onEachFeature: (/** @type {any} */ { properties: p }, /** @type {any} */ shape) => shape.bindTooltip(named(p.name), { sticky: true, className: "tip" }),
    }),
  ]);
}

// A gap seen from a shallower zoom may be a fraction of a pixel: a stroke as wide as a dot, and no corner left out.
// It tells nothing and takes no key, or the tab key would have to pass it at every zoom.
const FROM_AFAR = {
  pane: "afar", weight: 8, opacity: 1, fillOpacity: 1, dashArray: null, smoothFactor: 0, interactive: false,
};

/** @typedef {{[zoom: string]: any}} ByZoom shapes of Leaflet */

/**
 * The outlines of one layer; `afar` has the gaps again, as they are drawn at zooms shallower than their own.
 * @param {string} layer
 * @returns {Promise<{edges: ByZoom, gaps: ByZoom, afar: ByZoom}>}
 */
export async function coverage(layer) {
  const found = await json(`/coverage/${encodeURIComponent(layer)}.geojson`);
  const edges = /** @type {ByZoom} */ ({});
  const gaps = /** @type {ByZoom} */ ({});
  const afar = /** @type {ByZoom} */ ({});
  for (const feature of found.features) {
    const { kind, zoom, tiles } = feature.properties;
    const casing = L.geoJSON(feature, { style: INK.thinCasing }); // made first, so that it is drawn below
    const shape = L.geoJSON(feature, { style: { .../** @type {any} */ (INK)[kind === "on board" ? "board" : kind] } });
    if (kind === "on board") {
      edges[zoom] = L.layerGroup([casing, shape]);
    } else {
      const why = kind === "missing" ? "still to be fetched" : "not on the server";
      shape.bindTooltip(named(`zoom ${zoom}: ${tiles} planned, ${why}`), { sticky: true, className: "tip" });
      (gaps[zoom] ??= L.layerGroup()).addLayer(shape);
      const dots = L.geoJSON(feature, { style: { .../** @type {any} */ (INK)[kind], ...FROM_AFAR } });
      (afar[zoom] ??= L.layerGroup()).addLayer(dots);
    }
  }
  return { edges, gaps, afar };
}

/** @param {{lon: number, lat: number, square: number[][], text: string}} place */
export function found({ lon, lat, square, text }) {
  const group = L.featureGroup();
  if (square.length) {
    group.addLayer(L.polygon(square.map(([x, y]) => [y, x]), { color: "#c2410c", weight: 2, fill: false, interactive: false }));
  }
  const icon = L.divIcon({ className: "found", iconSize: [30, 30] });
  return group.addLayer(L.marker([lat, lon], { icon, alt: `Found: ${text}`, keyboard: false }));
}
