// Files dropped on the page, or chosen: routes and shapes that become areas.

import { get, postFile } from "./api.js";
import { ask, byId, choice, field, make } from "./dom.js";
import { store } from "./store.js";
import { lengthHint, shown } from "./units.js";
import { count } from "./words.js";

const MOST_NAMES = 200;

export function drawFiles() {
  byId("file").addEventListener("click", () => byId("file-input").click());
  byId("file-input").addEventListener("change", async () => {
    for (const file of byId("file-input").files) await add(file);
    byId("file-input").value = "";
  });
  document.addEventListener("dragover", (event) => {
    event.preventDefault();
    document.body.classList.add("dropping");
  });
  document.addEventListener("dragleave", (event) => {
    if (event.relatedTarget === null) document.body.classList.remove("dropping");
  });
  document.addEventListener("drop", async (event) => {
    event.preventDefault();
    document.body.classList.remove("dropping");
    for (const file of event.dataTransfer?.files ?? []) await add(file);
  });
}

/** @param {File} file */
async function add(file) {
  let found;
  try {
    found = await postFile(file.name, file, "ask");
    if (found.taken) {
      const keep = await replaceOrBoth(found);
      if (!keep) return;
      found = await postFile(file.name, file, keep);
      if (keep === "replace") return store.take(await get("/api/state"));
    }
  } catch (fault) {
    return store.refused(fault);
  }
  const uses = [
    ["line", found.lines, "a corridor along its lines"],
    ["polygon", found.polygons, "its polygons"],
    ["points", found.points, "a circle round each of its points"],
  ].filter(([, many]) => Number(many) > 0);
  const checks = uses.map(([key, many, words], i) => {
    const box = make("input", { type: "checkbox", checked: i === 0 || key === "points", name: String(key) });
    return { key: String(key), box, label: make("label.check", {}, box, ` ${words} (${Number(many).toLocaleString("en")})`) };
  });
  const some = someFeatures(found.names ?? []);
  const name = make("input", { type: "text", required: true, value: free(file.name.replace(/\.[^.]*$/, "")) });
  const width = make("input", { type: "text", required: true, value: shown("250 m") });
  let depth = "17";
  const depths = choice([["18", "18, on foot"], ["17", "17, trails"], ["16", "16, towns"], ["15", "15, roads"], ["14", "14"], ["13", "13"], ["12", "12"]], depth, (value) => { depth = value; });
  const content = [
    make("fieldset", {}, make("legend", { text: "Make areas from it" }), ...checks.map((one) => one.label)),
    ...some.part,
    field("Name", name),
    field("Reach to either side, or round each point", width, lengthHint()),
    field("Deepest zoom", depths),
  ];
  if (!(await ask(`${found.file}`, content, "Add"))) return;
  for (const { key, box } of checks) {
    if (!box.checked) continue;
    const values = { name: free(key === "points" ? `${name.value} points` : name.value), [key]: found.file, deepest: Number(depth) };
    if (key === "line") values["half-width"] = width.value;
    if (key === "points") values.radius = width.value;
    if (some.chosen().length) values.feature = some.chosen();
    if (!(await store.change({ do: "add-area", values }))) return;
    store.choose(values.name);
  }
  store.tell("look-at", store.chosen);
}

/**
 * A choice among the features of a file by their names; nothing chosen stands for all of them.
 * @param {string[]} names
 */
function someFeatures(names) {
  /** @type {Set<string>} */
  const chosen = new Set();
  const boxes = names.slice(0, MOST_NAMES).map((name) => {
    const box = make("input", { type: "checkbox" });
    box.addEventListener("change", () => { box.checked ? chosen.add(name) : chosen.delete(name); });
    return make("label.check", {}, box, ` ${name}`);
  });
  const more = names.length > MOST_NAMES ? make("p.hint", { text: `and ${count(names.length - MOST_NAMES, "more name")}, which the brief takes as well.` }) : null;
  const summary = make("summary", { text: `Only some of its features (${count(names.length, "name")})` });
  const part = names.length > 1 ? [make("details", {}, summary, make("p.hint", { text: "Without a tick it is all of them." }), make("div.features", { role: "group", "aria-label": "Features" }, ...boxes), more)] : [];
  return { part, chosen: () => names.filter((name) => chosen.has(name)) };
}

/**
 * Another file of this name is there: what the new one would change, and which of the two ways to go.
 * @param {any} found
 * @returns {Promise<"replace"|"both"|null>}
 */
async function replaceOrBoth(found) {
  const { change, areas, trouble } = found;
  const [replace, both] = ["replace", "both"].map((value) => make("input", { type: "radio", name: "keep", value }));
  (trouble ? both : replace).checked = true;
  replace.disabled = Boolean(trouble);
  const settings = areas.length ? `Depths, floors and crews of ${areas.join(", ")} stay as they are.` : "No area uses it yet.";
  const tiles = change && (change.more || change.fewer)
    ? `The plan would have ${count(change.more, "tile")} more and ${change.fewer.toLocaleString("en")} fewer.`
    : "The plan would stay the same.";
  const content = [
    make("p", { text: `Another file of this name is beside the brief. ${settings}` }),
    ...(trouble ? [make("p.warning", { text: `It cannot take the other's place: ${trouble}` })] : []),
    ...(change ? [make("p.large", { text: tiles }), make("ul.plain-list", {}, ...change.areas.map((/** @type {string} */ text) => make("li", { text })))] : []),
    make(
      "fieldset", {},
      make("legend", { text: "What to do with it" }),
      make("label.check", {}, replace, " Replace the old one, which is kept in the folder .versions"),
      make("label.check", {}, both, " Keep both, and make areas of the new one"),
    ),
  ];
  if (!(await ask(found.file, content, "Go on"))) return null;
  return replace.checked ? "replace" : "both";
}

/**
 * A name that no area has yet.
 * @param {string} wanted
 */
export function free(wanted) {
  const taken = new Set(store.state?.areas.map((/** @type {any} */ area) => area.name));
  let name = wanted;
  for (let n = 2; taken.has(name); n += 1) name = `${wanted} ${n}`;
  return name;
}
