// Lengths as this reader wants them: metres and kilometres or, by choice, feet and miles. The brief is in metres.

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
