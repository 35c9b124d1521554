// The names of places: of those that would lie over one another the first is shown, the others on zooming in.

const L = window.L;
const APART = 2; // pixels of map between two names

/**
 * Show the names of the markers in a group as far as there is room. The order of the brief is that of importance. It
 * depends on the zoom alone, so that no name comes or goes while the map is moved.
 * @param {any} map @param {any} group
 */
export function thinOut(map, group) {
  const taken = /** @type {any[]} */ ([]);
  for (const { element, box } of labels(map, group)) {
    const free = !taken.some((other) => box.overlaps(other));
    element.classList.toggle("crowded", !free);
    if (free) taken.push(box);
  }
}

/** @param {any} map @param {any} group @returns {{element: HTMLElement, box: any}[]} */
function labels(map, group) {
  const found = /** @type {{element: HTMLElement, box: any}[]} */ ([]);
  const visit = (/** @type {any} */ layer) => {
    const element = layer.getTooltip?.()?.getElement();
    if (layer.eachLayer) layer.eachLayer(visit);
    else if (layer instanceof L.Marker && element) found.push({ element, box: boxOf(map, layer, element) });
  };
  group.eachLayer(visit);
  return found;
}

/**
 * By the marker's position: where the element itself is depends on how far the map's movement has come.
 * @param {any} map @param {any} marker @param {HTMLElement} element
 */
function boxOf(map, marker, element) {
  const half = L.point(element.offsetWidth + APART, element.offsetHeight + APART).divideBy(2);
  const middle = map.latLngToLayerPoint(marker.getLatLng()).add(marker.getTooltip().options.offset);
  const centre = L.point(middle.x + half.x, middle.y);
  return L.bounds(centre.subtract(half), centre.add(half));
}
