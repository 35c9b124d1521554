// The depth strip: the place under the cross at each zoom, 1:1, with what the survey makes of it and what it costs.

import { get } from "./api.js";
import { action, choice, field, make } from "./dom.js";
import { map } from "./map.js";
import { part } from "./source-tiles.js";
import { store } from "./store.js";
import { ground } from "./units.js";
import { between, count, duration, seen } from "./words.js";

const [WIDE, HIGH] = [150, 104];
const VERDICTS = /** @type {{[verdict: string]: string}} */ ({
  native: "real detail",
  enlarged: "only enlarged",
  undecided: "cannot be told",
  blank: "blank",
  dark: "dark",
  absent: "the server does not have it",
  "not asked": "could not be asked",
  none: "no picture to judge",
});

// The panel is drawn anew at any moment: what comes goes into the place that is on the page by then.
const kept = { layer: "", found: /** @type {any} */ (null), says: /** @type {Node[]} */ ([]), place: /** @type {any} */ (null) };

/** @param {Node[]} nodes */
function say(...nodes) {
  kept.says = nodes;
  kept.place.replaceChildren(...nodes);
}

/** @returns {Node[]} */
export function stripPart() {
  const names = (store.state?.layers ?? []).map((/** @type {any} */ one) => one.name);
  if (!names.length || store.state?.lacks) return [];
  if (!names.includes(kept.layer)) kept.layer = names[0];
  const place = make("div", { "aria-live": "polite" }, ...kept.says);
  kept.place = place;
  const show = async () => {
    const { lat, lng } = map.getCenter();
    const lon = ((((lng + 180) % 360) + 360) % 360) - 180;
    const query = new URLSearchParams({ lon: String(lon), lat: String(lat), layer: kept.layer });
    if (uses(store.area(), kept.layer)) query.set("area", store.chosen ?? "");
    say(make("p.hint", { text: "Asking for a tile of each zoom." }));
    try {
      kept.found = await get(`/api/strip?${query}`);
      say(...rows(kept.found));
    } catch (fault) {
      say(make("p.warning", { text: /** @type {Error} */ (fault).message }));
    }
  };
  const pick = choice(names, kept.layer, (value) => {
    kept.layer = value;
    kept.found = null;
    say();
  });
  return [
    make("h3", { text: "This place at each zoom" }),
    ...(names.length > 1 ? [field("Layer", pick)] : []),
    make("div.row", {}, action("Show the place under the cross", show, "quiet")),
    place,
  ];
}

/** @param {any} area @param {string} layer */
function uses(area, layer) {
  return area && (!area.values.layers || area.values.layers.includes(layer));
}

/** @param {any} found @returns {Node[]} */
function rows(found) {
  const head = found.area ? `Costs are those of area ${found.area}.` : "Choose an area to see what each zoom costs it.";
  const reasons = found.rows.map((/** @type {any} */ row) => row.why).filter(Boolean);
  const shared = reasons.length > 1 && new Set(reasons).size === 1 ? reasons[0] : ""; // said once is enough
  return [
    make("p.hint", { text: head }),
    ...(shared ? [make("p.warning", { text: shared })] : []),
    make("ol.strip", {}, ...found.rows.map((/** @type {any} */ row) => line(found, row, shared))),
  ];
}

/** @param {any} found @param {any} row @param {string} shared why none of them could be asked */
function line(found, row, shared) {
  const canvas = make("canvas", { width: WIDE, height: HIGH, role: "img", "aria-label": `Zoom ${row.zoom}: ${VERDICTS[row.verdict] ?? row.verdict}` });
  draw(canvas, found, row);
  const cost = row.cost ? `${row.cost.planned ? "planned" : "one deeper"}: ${count(row.cost.tiles, "tile")}, ${between(row.cost.bytes)}${row.cost.seconds === null ? "" : `, ${duration(row.cost.seconds)}`}` : "";
  return make(
    "li",
    { class: row.from === "source" ? "from-source" : "", "data-zoom": String(row.zoom), "data-verdict": row.verdict },
    canvas,
    make(
      "div",
      {},
      make("strong", { text: `Zoom ${row.zoom} · ${ground(row.metres_per_pixel)} a pixel` }),
      make("p", { text: `${VERDICTS[row.verdict] ?? row.verdict}${row.from === "pack" ? ", on board" : ""}` }),
      make("p.hint", { text: String(seen(row.metres_per_pixel)) }),
      cost ? make("p.hint", { text: cost }) : null,
      row.why && row.why !== shared ? make("p.hint", { text: row.why }) : null,
    ),
  );
}

/**
 * The tile's own pixels round the place, not scaled.
 * @param {any} canvas
 * @param {any} found
 * @param {any} row
 */
async function draw(canvas, found, row) {
  if (row.from === "none") return;
  const answer = await fetch(`/api/look/${encodeURIComponent(found.layer)}/${row.tile}`);
  if (!answer.ok || answer.status === 204 || answer.headers.get("X-From") === "enlarged") return;
  const picture = part(await createImageBitmap(await answer.blob()), 1, 0, 0);
  const n = 2 ** row.zoom;
  const sine = Math.sin((found.lat * Math.PI) / 180);
  const x = ((((found.lon / 360 + 0.5) * n) % 1) + 1) % 1;
  const y = ((0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI)) * n) % 1;
  const left = Math.max(0, Math.min(picture.width - WIDE, x * picture.width - WIDE / 2));
  const top = Math.max(0, Math.min(picture.height - HIGH, y * picture.height - HIGH / 2));
  const pen = canvas.getContext("2d");
  pen.drawImage(picture, left, top, WIDE, HIGH, 0, 0, WIDE, HIGH);
  const [over, down] = [x * picture.width - left, y * picture.height - top];
  for (const [width, colour] of /** @type {[number, string][]} */ ([[3, "#fff"], [1, "#1d2322"]])) {
    [pen.lineWidth, pen.strokeStyle] = [width, colour];
    pen.strokeRect(over - 4, down - 4, 8, 8);
  }
}
