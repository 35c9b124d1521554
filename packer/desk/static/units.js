// Lengths as this reader wants them: metres and kilometres or, by choice, feet and miles. The brief
// takes either, each with its unit.

const KEY = "desk-units";
const FOOT_M = 0.3048; // exactly, as is the mile: NIST SP 811, appendix B
const MILE_M = 1609.344;

/** Whether feet and miles are wanted. */
export const feet = () => localStorage.getItem(KEY) === "feet";

/** @param {string} choice "metres" or "feet" */
export function keepUnits(choice) {
  localStorage.setItem(KEY, choice);
}

/** The unit of far distances, and how many kilometres one of it has. */
export function farUnit() {
  return feet() ? { name: "mi", km: MILE_M / 1000 } : { name: "km", km: 1 };
}

/**
 * A distance along a line.
 * @param {number} km
 */
export function far(km) {
  const unit = farUnit();
  return `${(km / unit.km).toFixed(1)} ${unit.name}`;
}

/** @param {number} metres of length */
export function length(metres) {
  if (feet()) return metres >= MILE_M / 2 ? far(metres / 1000) : `${(metres / FOOT_M).toFixed(0)} ft`;
  return metres >= 1000 ? `${(metres / 1000).toFixed(metres >= 10000 ? 0 : 1)} km` : `${metres.toFixed(0)} m`;
}

/** @param {number} metres a pixel */
export function ground(metres) {
  if (feet()) {
    const long = metres / FOOT_M;
    return metres >= MILE_M ? far(metres / 1000) : `${long.toFixed(long >= 10 ? 0 : 1)} ft`;
  }
  if (metres >= 1000) return `${(metres / 1000).toFixed(1)} km`;
  return metres >= 10 ? `${metres.toFixed(0)} m` : `${metres.toFixed(2)} m`;
}

/**
 * A length as it goes into the brief, in the unit of this reader.
 * @param {number} metres
 */
export function written(metres) {
  if (feet()) return metres >= MILE_M / 2 ? `${Number((metres / MILE_M).toFixed(2))} mi` : `${Math.round(metres / FOOT_M)} ft`;
  return metres >= 1000 ? `${Number((metres / 1000).toFixed(2))} km` : `${Math.round(metres)} m`;
}

/**
 * A length of the brief as this reader has it shown and typed; as it is where its unit is this reader's own.
 * @param {string} text such as "250 m" or "0.5 mi"
 */
export function shown(text) {
  const [, number, unit] = /^\s*([0-9.]+)\s*(m|km|ft|mi)\s*$/.exec(text) ?? [];
  if (!unit || ["ft", "mi"].includes(unit) === feet()) return text;
  return written(Number(number) * { m: 1, km: 1000, ft: FOOT_M, mi: MILE_M }[/** @type {"m"} */ (unit)]);
}

/** What may be typed for a length. */
export const lengthHint = () => (feet() ? "Such as 800 ft or 0.5 mi; m and km are taken as well." : "Such as 250 m or 2 km; ft and mi are taken as well.");
