// Figures as people read them; the same as in the commands.

/** @param {number} size in bytes, in powers of ten */
export function bytes(size) {
  for (const unit of ["B", "kB", "MB", "GB"]) {
    if (size < 999.5) return unit === "B" || unit === "kB" ? `${size.toFixed(0)} ${unit}` : `${size.toFixed(1)} ${unit}`;
    size /= 1000;
  }
  return `${size.toFixed(1)} TB`;
}

/** @param {{expected: number, low: number, high: number}} size */
export function between(size) {
  if (Math.round(size.low) === Math.round(size.high)) return bytes(size.expected);
  return `about ${bytes(size.expected)} (${bytes(size.low)} to ${bytes(size.high)})`;
}

/** @param {number} seconds */
export function duration(seconds) {
  const whole = Math.round(seconds);
  if (whole < 60) return seconds < 10 ? `${seconds.toFixed(1)} s` : `${whole} s`;
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${String(whole % 60).padStart(2, "0")} s`;
  return `${Math.floor(whole / 3600)} h ${String(Math.floor((whole % 3600) / 60)).padStart(2, "0")} min`;
}

/** @param {number} seconds since 1970 */
export function clock(seconds) {
  return new Date(seconds * 1000).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
}

/** @param {number} n @param {string} one @param {string} [many] */
export function count(n, one, many = `${one}s`) {
  return `${n.toLocaleString("en")} ${n === 1 ? one : many}`;
}

// What can be made out, by ground metres a pixel: common practice, no source.
const SEEN = [
  [0.45, "single bushes, footpaths"],
  [0.9, "cars, single trees"],
  [1.8, "houses, tracks"],
  [3.6, "large buildings, tracks"],
  [7.2, "roads, fields, streams"],
  [15, "main roads, field blocks"],
  [40, "villages, rivers"],
  [150, "towns, valleys"],
  [1000, "ranges, large lakes"],
];

/** @param {number} metres a pixel */
export function seen(metres) {
  return SEEN.find(([most]) => metres <= Number(most))?.[1] ?? "countries, coasts";
}

/**
 * Metres a pixel of a zoom, OGC 17-083r4: the cell size at the equator times the cosine of the latitude.
 * @param {number} zoom @param {number} latitude @param {number} [side] of a tile in pixels
 */
export function metresPerPixel(zoom, latitude, side = 256) {
  return (40075016.68557849 / side / 2 ** zoom) * Math.cos((latitude * Math.PI) / 180);
}
