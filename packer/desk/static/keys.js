// The keyboard shortcuts of the page, listed under "?". "Key" alone is the secret by which a server knows you.

import { ask, make } from "./dom.js";

const KEYS = [
  ["1 to 6", "open a step"],
  ["Tab", "steps, areas, map, panel, in this order"],
  ["Arrows", "move the map; with a corner in hand, the corner"],
  ["+ and −", "zoom the map in and out"],
  ["Enter", "on the map while drawing: set a corner under the cross; on a corner: take it in hand, let it go"],
  ["Delete", "on a corner: take it away"],
  ["Escape", "leave a drawing, or let a corner go back"],
  ["Ctrl+Z, Ctrl+Y", "undo, redo"],
  ["?", "this list"],
];

export function showKeys() {
  const rows = KEYS.map(([key, does]) => make("tr", {}, make("th", { scope: "row", text: key }), make("td", { text: does })));
  return ask("Keyboard shortcuts", [make("table.keys", {}, ...rows)]);
}
