// Ground: the chosen area, or the overview and the crews.

import { FORMS, warnings } from "./areas.js";
import { describePart } from "./describe.js";
import { action, ask, choice, field, make } from "./dom.js";
import { free } from "./files.js";
import { recentPart } from "./recent.js";
import { store } from "./store.js";
import { ground, lengthHint, shown } from "./units.js";
import { metresPerPixel, seen } from "./words.js";

const ZOOMS = [19, 18, 17, 16, 15, 14, 13, 12, 11, 10];

/** @returns {Node[]} */
export function groundPanel() {
  const area = store.area();
  return area ? areaPanel(area) : wholePanel();
}

/** @param {any} area @returns {Node[]} */
function areaPanel(area) {
  const { values } = area;
  const set = (/** @type {object} */ change) => store.change({ do: "set-area", name: area.name, values: change });
  const name = make("input", { type: "text", value: area.name, required: true, maxlength: 200 });
  name.addEventListener("change", async () => {
    const to = name.value.trim();
    if (!to || to === area.name) return;
    if (await store.change({ do: "set-area", name: area.name, values: { name: to } })) store.choose(to);
  });
  const buttons = make(
    "div.row",
    {},
    action("Copy", () => store.change({ do: "copy-area", name: area.name, to: free(`${area.name} copy`) }), "quiet"),
    action("Delete", () => remove(area), "quiet"),
    action("Done", () => store.choose(null), "quiet"),
  );
  return [
    make("h2", { text: `${FORMS[area.form][0]} ${area.name}` }),
    ...warnings(area.name).map((text) => make("p.warning", { text })),
    field("Name", name),
    shape(area, set),
    make("h3", { text: "How deep" }),
    ...depths(area, set),
    floor(area, set),
    priority(area, set),
    keep(area, set),
    make("h3", { text: "For whom" }),
    layers(values, set),
    crews(area),
    buttons,
  ];
}

/** @param {any} area */
async function remove(area) {
  const why = make("p", { text: "Its tiles stay in the packs until you remove them. Undo brings the area back." });
  if (await ask(`Delete ${area.name}?`, [why], "Delete")) await store.change({ do: "delete-area", name: area.name });
}

/** @param {any} area @param {(change: object) => Promise<boolean>} set */
function shape(area, set) {
  const { values } = area;
  const box = make("div.stack");
  const from = typeof values.line === "string" || typeof values.polygon === "string" || values.points;
  if (from) box.append(make("p.hint", { text: `From ${area.file}.` }), onlySome(values, set));
  const reach = values.line ? "half-width" : values.radius ? "radius" : null;
  if (reach) {
    const input = make("input", { type: "text", value: shown(values[reach]) });
    input.addEventListener("change", () => set({ [reach]: input.value }));
    box.append(field(reach === "radius" ? "Reach" : "Reach to either side", input, `${lengthHint()} Or drag its edge on the map.`));
  }
  const key = ["point", "box", "line", "polygon"].find((one) => Array.isArray(values[one]));
  if (key) {
    const rows = key === "point" || key === "box" ? [values[key]] : values[key];
    const text = make("textarea", { rows: Math.min(6, rows.length + 1), spellcheck: "false" });
    text.value = rows.map((/** @type {number[]} */ row) => row.join(", ")).join("\n");
    text.addEventListener("change", () => {
      const found = text.value.trim().split(/\n+/).map((/** @type {string} */ row) => row.split(/[,\s]+/).filter(Boolean).map(Number));
      set({ [key]: key === "point" || key === "box" ? found[0] : found });
    });
    const order = key === "box" ? "west, south, east, north" : "longitude, latitude; one position a line";
    const more = make("details", {}, make("summary", { text: "Coordinates" }), field(order, text));
    box.append(more);
  }
  return box;
}

/**
 * The features of its file that an area takes, one name a line.
 * @param {any} values @param {(change: object) => Promise<boolean>} set
 */
function onlySome(values, set) {
  const names = [values.feature ?? []].flat();
  const text = make("textarea", { rows: Math.min(5, names.length + 1), spellcheck: "false" });
  text.value = names.join("\n");
  text.addEventListener("change", () => {
    const found = text.value.split("\n").map((/** @type {string} */ row) => row.trim()).filter(Boolean);
    set({ feature: found.length ? found : null });
  });
  const more = make("details", {}, make("summary", { text: names.length ? `Only ${names.join(", ")}` : "All its features" }), field("Only these features", text, "Names of features or folders of the file, one a line. Empty for all."));
  return more;
}

/**
 * The depth as the brief has it, for one layer or all.
 * @param {any} values
 * @param {string} layer
 */
function asked(values, layer) {
  if (values.deepest && typeof values.deepest === "object") return values.deepest[layer];
  return values.deepest ?? store.state?.uses[values.use];
}

/** @param {any} area @param {(change: object) => Promise<boolean>} set @returns {Node[]} */
function depths(area, set) {
  const { values } = area;
  const names = (values.layers ?? store.state?.layers.map((/** @type {any} */ one) => one.name)) || [];
  const apart = values.deepest !== null && typeof values.deepest === "object";
  const latitude = store.shapes?.middle[1] ?? 45;
  const options = ZOOMS.map((zoom) => {
    const metres = metresPerPixel(zoom, latitude);
    return /** @type {[number, string]} */ ([zoom, `${zoom} · ${ground(metres)} a pixel · ${seen(metres)}`]);
  });
  if (!apart) {
    const all = choice(options, asked(values, names[0]), (zoom) => set({ deepest: Number(zoom), use: null }));
    const each = action("A depth for each layer", () => set({ deepest: Object.fromEntries(names.map((/** @type {string} */ n) => [n, asked(values, n)])), use: null }), "quiet");
    return [field("Deepest zoom", all, "18 on foot, 17 on trails, 15 on roads, 16 for towns: common practice, no source."), ...(names.length > 1 ? [each] : [])];
  }
  const rows = names.map((/** @type {string} */ layer) =>
    field(layer, choice(options, asked(values, layer), (zoom) => set({ deepest: { ...values.deepest, [layer]: Number(zoom) } }))),
  );
  const deepest = Math.max(...Object.values(values.deepest).map(Number));
  return [...rows, action("One depth for all layers", () => set({ deepest }), "quiet")];
}

/** @param {any} area @param {(change: object) => Promise<boolean>} set */
function floor(area, set) {
  const value = area.values["at-least"];
  const options = [/** @type {[string, string]} */ (["", "as the overview"]), ...ZOOMS.map((zoom) => /** @type {[string, string]} */ ([String(zoom), `zoom ${zoom}`]))];
  const select = choice(options, typeof value === "number" ? value : "", (zoom) => set({ "at-least": zoom ? Number(zoom) : null }));
  return field("Not ready without", select, "If the server has less than this anywhere in the area, the check says NOT READY.");
}

/** @param {any} area @param {(change: object) => Promise<boolean>} set */
function priority(area, set) {
  const value = area.values.priority;
  const numbers = [1, 2, 3, 4, 5, ...(value > 5 ? [value] : [])];
  const options = [/** @type {[string, string]} */ (["", "none"]), ...numbers.map((one) => /** @type {[string, string]} */ ([String(one), one === 1 ? "1, before all others" : String(one)]))];
  const select = choice(options, value ?? "", (one) => set({ priority: one ? Number(one) : null }));
  return field("Priority", select, "A fetch takes areas with a priority before the others. All areas reach their floor before any goes deeper.");
}

/** @param {any} area @param {(change: object) => Promise<boolean>} set */
function keep(area, set) {
  const box = make("input", { type: "checkbox", checked: area.values.keep === true });
  box.addEventListener("change", () => set({ keep: box.checked || null }));
  return make("label.check", {}, box, " Keep it as it is: make it fit never proposes to cut this area");
}

/** @param {any} values @param {(change: object) => Promise<boolean>} set */
function layers(values, set) {
  const names = store.state?.layers.map((/** @type {any} */ one) => one.name) ?? [];
  if (names.length < 2) return make("p.hint", { text: names.length ? `Layer: ${names[0]}` : "" });
  const chosen = new Set(values.layers ?? names);
  const boxes = names.map((/** @type {string} */ name) => {
    const box = make("input", { type: "checkbox", checked: chosen.has(name) });
    box.addEventListener("change", () => {
      box.checked ? chosen.add(name) : chosen.delete(name);
      const picked = names.filter((/** @type {string} */ one) => chosen.has(one));
      set({ layers: picked.length === names.length || !picked.length ? null : picked });
    });
    return make("label.check", {}, box, ` ${name}`);
  });
  return make("fieldset", {}, make("legend", { text: "Layers" }), ...boxes);
}

/** @param {any} area */
function crews(area) {
  const all = store.state?.crews ?? [];
  if (!all.length) return make("p.hint", { text: "Everybody gets everything, until there are crews." });
  const boxes = all.map((/** @type {any} */ crew) => {
    const box = make("input", { type: "checkbox", checked: !crew.areas || crew.areas.includes(area.name) });
    box.addEventListener("change", () => {
      const every = store.state?.areas.map((/** @type {any} */ one) => one.name) ?? [];
      const before = crew.areas ?? every;
      const after = box.checked ? [...before, area.name] : before.filter((/** @type {string} */ one) => one !== area.name);
      store.change({ do: "set-crew", name: crew.name, values: { areas: after.length === every.length || !after.length ? null : after } });
    });
    return make("label.check", {}, box, ` ${crew.name}`);
  });
  return make("fieldset", {}, make("legend", { text: "Crews" }), ...boxes);
}

/** @returns {Node[]} */
function wholePanel() {
  const { state } = store;
  const lacks = state?.lacks ? [make("p.next", { text: `Next: add ${state.lacks}, by the buttons of the list.` })] : [];
  return [
    make("h2", { text: "Ground" }),
    ...lacks,
    make("p", { text: "Choose an area in the list or on the map to change it. Draw one, or drop the file of your course on the page." }),
    ...(store.trouble && !store.state?.undescribed?.length ? [make("p.warning", { text: store.trouble })] : []),
    ...describePart(),
    ...recentPart(),
    ...overview(),
    make("h3", { text: "Crews" }),
    state?.crews.length ? make("ul.plain-list", {}, ...state.crews.map(crewLine)) : make("p.hint", { text: "None: everybody gets everything." }),
    action("Add a crew", addCrew, "quiet"),
  ];
}

/** @returns {Node[]} */
function overview() {
  const table = store.state?.overview;
  const on = make("input", { type: "checkbox", checked: table !== false });
  on.addEventListener("change", () => store.change({ do: "set-overview", values: on.checked ? {} : false }));
  const head = [make("h3", { text: "Overview" }), make("label.check", {}, on, " A coarse block round everything")];
  if (table === false) return head;
  const margin = make("input", { type: "text", value: shown(table?.margin ?? "10 km") });
  margin.addEventListener("change", () => store.change({ do: "set-overview", values: { margin: margin.value } }));
  const deepest = choice([13, 12, 11, 10, 9, 8], table?.deepest ?? 12, (zoom) => store.change({ do: "set-overview", values: { deepest: Number(zoom) } }));
  return [...head, field("Margin", margin, lengthHint()), field("Deepest zoom", deepest)];
}

/** @param {any} crew */
function crewLine(crew) {
  const edit = async () => {
    const budget = make("input", { type: "text", value: crew.budget ?? "", placeholder: "32 GB" });
    const gone = make("label.check", {}, make("input", { type: "checkbox" }), " Take this crew out");
    if (!(await ask(`Crew ${crew.name}`, [field("Room on its card", budget, "Leave empty for no limit."), gone], "Save"))) return;
    if (gone.querySelector("input").checked) await store.change({ do: "delete-crew", name: crew.name });
    else await store.change({ do: "set-crew", name: crew.name, values: { budget: budget.value.trim() || null } });
  };
  const what = crew.areas ? crew.areas.join(", ") : "all areas";
  return make("li", {}, make("span", { text: `${crew.name}: ${what}${crew.budget ? `, at most ${crew.budget}` : ""}` }), action("Change", edit, "quiet"));
}

async function addCrew() {
  const name = make("input", { type: "text", required: true, maxlength: 100 });
  const budget = make("input", { type: "text", placeholder: "32 GB" });
  if (!(await ask("Add a crew", [field("Name", name), field("Room on its card", budget, "Leave empty for no limit.")], "Add"))) return;
  const values = { name: name.value.trim(), ...(budget.value.trim() ? { budget: budget.value.trim() } : {}) };
  await store.change({ do: "add-crew", values });
}
