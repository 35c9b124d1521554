// Asking for a key: it goes to the desk's memory, or into the system's keyring, and is never shown again.

import { get, post } from "./api.js";
import { ask, field, make } from "./dom.js";

/**
 * @param {string} name of the variable that holds the key; "" to ask for that too
 * @returns {Promise<string|null>} the name, or null if no key was given
 */
export async function askKey(name) {
  const { keyring, set } = await get("/api/key").catch(() => ({ keyring: false, set: "" }));
  const called = make("input", { type: "text", required: true, value: name || "MAP_KEY", pattern: "[A-Za-z_][A-Za-z0-9_]{0,63}", spellcheck: "false" });
  const value = make("input", { type: "password", required: true, autocomplete: "off" });
  const keep = make("input", { type: "checkbox" });
  const kept = keyring
    ? make("label.check", {}, keep, " Keep it in this computer's keyring")
    : make("p.hint", { text: `It holds until the desk ends. To have it next time, set it in the terminal before you start: ${set.replace("NAME", () => name || "MAP_KEY")}` });
  const said = make("p.hint", { text: "It is written into no file of this page." });
  const parts = [field("Name", called, "As it stands in the address: ${MAP_KEY} has the name MAP_KEY."), field("Key", value), kept, said];
  if (!(await ask("A key for a layer", parts, "Use this key"))) return null;
  await post("/api/key", { name: called.value.trim(), value: value.value, keep: keep.checked });
  value.value = "";
  return called.value.trim();
}
