// Files dropped on the page, or chosen: routes and shapes that become areas.

import { postFile } from "./api.js";
import { ask, byId, choice, field, make } from "./dom.js";
import { store } from "./store.js";

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
    found = await postFile(file.name, file);
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
  const name = make("input", { type: "text", required: true, value: free(file.name.replace(/\.[^.]*$/, "")) });
  const width = make("input", { type: "text", required: true, value: "250 m" });
  let depth = "17";
  const depths = choice([["18", "18, on foot"], ["17", "17, trails"], ["16", "16, towns"], ["15", "15, roads"], ["14", "14"], ["13", "13"], ["12", "12"]], depth, (value) => { depth = value; });
  const content = [
    make("fieldset", {}, make("legend", { text: "Make areas from it" }), ...checks.map((one) => one.label)),
    field("Name", name),
    field("Reach to either side, or round each point", width),
    field("Deepest zoom", depths),
  ];
  if (!(await ask(`${found.file}`, content, "Add"))) return;
  for (const { key, box } of checks) {
    if (!box.checked) continue;
    const values = { name: free(key === "points" ? `${name.value} points` : name.value), [key]: found.file, deepest: Number(depth) };
    if (key === "line") values["half-width"] = width.value;
    if (key === "points") values.radius = width.value;
    if (!(await store.change({ do: "add-area", values }))) return;
    store.choose(values.name);
  }
  store.tell("look-at", store.chosen);
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
