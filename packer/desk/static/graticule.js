// The net of degrees under everything: where nothing is on board and there is no network, it is what one plans on.

const L = window.L;
const STEPS = [30, 20, 10, 5, 2, 1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0005];
const APART_PX = 110; // nearer lines than this are no help, and their labels would meet
const EDGE = 85.0511; // degrees: where the map ends
const BELOW_PX = 92; // what stands at the lower edge of the map
const INK = "#41544f";

/**
 * The widest step at which lines are no farther apart than twice `APART_PX`.
 * @param {number} perPixel degrees
 */
export function stepFor(perPixel) {
  return STEPS.filter((step) => step / perPixel >= APART_PX).at(-1) ?? STEPS[0];
}

/**
 * A longitude or latitude as it stands beside its line, such as "12.5° E".
 * @param {number} degrees @param {string} positive @param {string} negative @param {number} step
 */
export function label(degrees, positive, negative, step) {
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const text = Math.abs(degrees).toFixed(digits);
  return Number(text) === 0 ? "0°" : `${text}° ${degrees > 0 ? positive : negative}`;
}

/** @param {any} map */
export function drawGraticule(map) {
  const pane = map.createPane("graticule");
  pane.style.zIndex = "150"; // below the tiles
  pane.style.pointerEvents = "none";
  const canvas = document.createElement("canvas");
  canvas.className = "leaflet-zoom-hide";
  canvas.setAttribute("aria-hidden", "true");
  pane.append(canvas);
  let due = 0;
  const soon = () => { due ||= requestAnimationFrame(() => { due = 0; draw(map, canvas); }); };
  map.on("move zoomend resize viewreset", soon);
  soon();
}

/** @param {any} map @param {HTMLCanvasElement} canvas */
function draw(map, canvas) {
  const size = map.getSize();
  const dense = window.devicePixelRatio || 1;
  [canvas.width, canvas.height] = [size.x * dense, size.y * dense];
  Object.assign(canvas.style, { width: `${size.x}px`, height: `${size.y}px` });
  L.DomUtil.setPosition(canvas, map.containerPointToLayerPoint([0, 0]));
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  pen.scale(dense, dense);
  pen.strokeStyle = pen.fillStyle = INK;
  pen.font = "600 12px system-ui, sans-serif";
  const [topLeft, bottomRight] = [map.containerPointToLatLng([0, 0]), map.containerPointToLatLng([size.x, size.y])];
  const [west, east, north, south] = [topLeft.lng, bottomRight.lng, Math.min(topLeft.lat, EDGE), Math.max(bottomRight.lat, -EDGE)];
  const across = stepFor((east - west) / size.x);
  const down = stepFor((north - south) / size.y);
  pen.globalAlpha = 0.45;
  pen.beginPath();
  const [meridians, parallels] = [multiples(west, east, across), multiples(south, north, down)];
  const places = {
    x: meridians.map((lng) => map.latLngToContainerPoint([0, lng]).x),
    y: parallels.map((lat) => map.latLngToContainerPoint([lat, 0]).y),
  };
  for (const x of places.x) line(pen, x, 0, x, size.y);
  for (const y of places.y) line(pen, 0, y, size.x, y);
  pen.stroke();
  pen.globalAlpha = 0.9;
  meridians.forEach((lng, i) => pen.fillText(label(wrapped(lng), "E", "W", across), places.x[i] + 4, size.y - BELOW_PX));
  parallels.forEach((lat, i) => pen.fillText(label(lat, "N", "S", down), 56, places.y[i] - 4));
}

/** @param {CanvasRenderingContext2D} pen @param {number} x1 @param {number} y1 @param {number} x2 @param {number} y2 */
function line(pen, x1, y1, x2, y2) {
  pen.moveTo(Math.round(x1) + 0.5, Math.round(y1) + 0.5);
  pen.lineTo(Math.round(x2) + 0.5, Math.round(y2) + 0.5);
}

/** @param {number} from @param {number} to @param {number} step @returns {number[]} */
function multiples(from, to, step) {
  const found = [];
  for (let n = Math.ceil(from / step); n * step <= to && found.length < 100; n += 1) found.push(n * step);
  return found;
}

/** @param {number} lng */
const wrapped = (lng) => ((((lng + 180) % 360) + 360) % 360) - 180;
