// A map layer: its address, what it permits, and how gently it is asked.

import { ask, choice, field, make } from "./dom.js";
import { store } from "./store.js";
import { keep, tryPart, usedBefore } from "./try-layer.js";

/** The keys of a brief under which an address may stand. */
const KINDS = ["url", "tilejson", "wmts", "wms", "ogc-tiles"];
const NAME = "[A-Za-z0-9][A-Za-z0-9 _.\\-]{0,63}";

/** @param {string} [address] that is known already */
export async function addLayer(address = "") {
  const name = make("input", { type: "text", required: true, pattern: NAME, value: "aerial" });
  const parts = controls({ address, zooms: [0, 18] });
  const content = [
    make("p", { text: "Only use servers that permit keeping their tiles offline. What you write here is recorded in the packs." }),
    ...(await usedBefore((known, values) => {
      name.value = known;
      parts.fill(values);
    })),
    field("Name", name, "Letters, digits, spaces. It becomes the name of the pack."),
    parts.fields[0],
    tryPart(parts.address, parts.fill),
    ...parts.fields.slice(1),
  ];
  if (await ask("Add a map layer", content, "Add")) {
    const values = parts.values();
    const { over: _, ...kept } = values; // what it lies over is a layer of this brief alone
    if (await store.change({ do: "add-layer", name: name.value.trim(), values })) await keep(name.value.trim(), kept);
  }
}

/** @param {any} layer as the server tells it */
export async function editLayer(layer) {
  const parts = controls(layer);
  const remove = make("label.check", {}, make("input", { type: "checkbox" }), " Take this layer out of the brief");
  const fixed = make("p.hint", { text: `Address: ${layer.address}` });
  const content = [fixed, ...parts.fields.slice(1), remove];
  if (!(await ask(`Layer ${layer.name}`, content, "Save"))) return;
  if (remove.querySelector("input").checked) await store.change({ do: "delete-layer", name: layer.name });
  else await store.change({ do: "set-layer", name: layer.name, values: parts.values(false) });
}

/** @param {any} layer */
function controls(layer) {
  const address = make("input", { type: "text", required: true, value: layer.address ?? "", spellcheck: "false" });
  const first = make("input", { type: "number", min: 0, max: 24, value: String(layer.zooms?.[0] ?? 0) });
  const last = make("input", { type: "number", min: 0, max: 24, value: String(layer.zooms?.[1] ?? 18) });
  const attribution = make("input", { type: "text", required: true, value: layer.attribution ?? "" });
  const permission = make("input", { type: "text", required: true, value: layer.permission ?? "" });
  const connections = make("input", { type: "number", min: 1, max: 64, value: String(layer.connections ?? 4) });
  const rate = make("input", { type: "number", min: 0.1, step: "any", value: String(layer["requests-per-second"] ?? 20) });
  const zooms = make("div.pair", { role: "group", "aria-label": "First and last zoom" }, first, "to", last);
  first.setAttribute("aria-label", "First zoom");
  last.setAttribute("aria-label", "Last zoom");
  const others = (store.state?.layers ?? []).map((/** @type {any} */ one) => one.name).filter((/** @type {string} */ one) => one !== layer.name);
  const over = choice([["", "no other"], ...others.map((/** @type {string} */ one) => [one, one])], layer.over ?? "", () => undefined);
  /** What a trial found beside what the form shows, and for which address. */
  const more = { address: "", kind: "", values: /** @type {any} */ ({}) };
  return {
    address,
    /** @param {any} found values of a layer */
    fill(found) {
      const kind = KINDS.find((key) => found[key]) ?? "";
      const { [kind]: place, zooms: range, attribution: credit, permission: why, connections: most, "requests-per-second": pace, ...rest } = found;
      address.value = place ?? address.value;
      if (range) [first.value, last.value] = range.map(String);
      if (credit && !attribution.value) attribution.value = credit;
      if (why && !permission.value) permission.value = why;
      if (most) connections.value = String(most);
      if (pace) rate.value = String(pace);
      Object.assign(more, { address: address.value, kind, values: rest });
    },
    fields: [
      field("Address of the tiles", address, "With {z}, {x} and {y} in it, or the address of a TileJSON, WMTS, WMS or OGC API. A key is written as ${NAME}, and comes from the environment."),
      make("div.field", {}, make("span.label", { text: "Zooms that it offers" }), zooms),
      field("Attribution", attribution, "Shown with the map, as the owner asks."),
      field("Why you may keep these tiles", permission, "The licence or agreement, in words. Recorded in the pack."),
      field("Connections at once", connections),
      field("Requests a second", rate),
      ...(others.length ? [field("Lies over the layer", over, "Where this one has nothing, that one shows.")] : []),
    ],
    values(withAddress = true) {
      const text = address.value.trim();
      const kind = more.address === text && more.kind ? more.kind : kindOf(text);
      return {
        ...(withAddress ? { [kind]: text, ...(more.address === text ? more.values : {}) } : {}),
        zooms: [Number(first.value), Number(last.value)],
        attribution: attribution.value,
        permission: permission.value,
        connections: Number(connections.value),
        "requests-per-second": Number(rate.value),
        ...(over.value || layer.over ? { over: over.value || null } : {}),
      };
    },
  };
}

/**
 * The key for an address that was not tried.
 * @param {string} text
 */
function kindOf(text) {
  if (/\{(z|quadkey|bbox)\}/.test(text)) return "url";
  if (/wmts/i.test(text)) return "wmts";
  return /service=wms|[/.]wms\b|\/ows\b/i.test(text) ? "wms" : "tilejson";
}
