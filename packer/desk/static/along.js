// Kilometres along a line that is drawn, and places for kilometres.

const L = window.L;

/**
 * The lines of a feature as places.
 * @param {any} feature
 * @returns {any[][]}
 */
function lines(feature) {
  const { type, coordinates } = feature.geometry;
  const all = type === "LineString" ? [coordinates] : coordinates;
  return all.map((/** @type {number[][]} */ line) => line.map(([lon, lat]) => L.latLng(lat, lon)));
}

/**
 * Each straight piece with its length and start, in the kilometres that the server measured.
 * @param {any} feature
 */
function pieces(feature) {
  const found = [];
  let metres = 0;
  for (const line of lines(feature)) {
    for (let i = 1; i < line.length; i += 1) {
      const long = line[i - 1].distanceTo(line[i]);
      found.push({ from: line[i - 1], to: line[i], start: metres, long });
      metres += long;
    }
  }
  const scale = metres > 0 ? feature.properties.length_km / metres : 0; // theirs is along the ellipsoid
  return found.map((one) => ({ ...one, start: one.start * scale, long: one.long * scale }));
}

/** @param {any} feature @param {number} km */
export function placeAt(feature, km) {
  const all = pieces(feature);
  const one = all.find(({ start, long }) => long > 0 && km <= start + long) ?? all.at(-1);
  if (!one) return null;
  const share = one.long > 0 ? Math.min(1, Math.max(0, (km - one.start) / one.long)) : 0;
  return L.latLng(one.from.lat + share * (one.to.lat - one.from.lat), one.from.lng + share * (one.to.lng - one.from.lng));
}

/**
 * What tells the kilometre of the line nearest to a place.
 * @param {any} feature
 */
export function kilometres(feature) {
  /** @type {ReturnType<typeof pieces>|null} */
  let all = null;
  return (/** @type {any} */ place) => {
    all ??= pieces(feature);
    const squash = Math.cos((place.lat * Math.PI) / 180);
    let [best, km] = [Infinity, 0];
    for (const { from, to, start, long } of all) {
      const [ax, ay] = [(from.lng - place.lng) * squash, from.lat - place.lat];
      const [dx, dy] = [(to.lng - from.lng) * squash, to.lat - from.lat];
      const length = dx * dx + dy * dy;
      const share = length > 0 ? Math.min(1, Math.max(0, -(ax * dx + ay * dy) / length)) : 0;
      const far = (ax + share * dx) ** 2 + (ay + share * dy) ** 2;
      if (far < best) [best, km] = [far, start + share * long];
    }
    return km;
  };
}
