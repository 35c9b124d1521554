// Programs that a brief has run for its keys: none runs before the planner has looked at it and allowed it.

import { get, post } from "./api.js";
import { action, ask, make } from "./dom.js";
import { store } from "./store.js";

/** @returns {Node[]} */
export function programsPart() {
  return (store.state?.forbidden ?? []).map((/** @type {string} */ layer) =>
    make(
      "section",
      {},
      make("p.warning", { text: `The brief has a program run for the key of layer ${layer}. It is not allowed on this computer yet, so it does not run.` }),
      action("Look at it", () => look(layer), "quiet"),
    ));
}

/** @param {string} layer */
async function look(layer) {
  try {
    const { programs } = await get("/api/programs");
    const one = programs.find((/** @type {any} */ each) => each.layer === layer);
    if (!one) return;
    const words = one.command.map((/** @type {string} */ part) => (/^[A-Za-z0-9_./:=-]+$/.test(part) ? part : JSON.stringify(part))).join(" ");
    const parts = [
      make("p", { text: "A brief may come from anyone, and a program can do whatever you can. Allow it only if you know what it does." }),
      make("pre", { text: words }),
    ];
    if (await ask(`The program for the key of ${layer}`, parts, "Allow it on this computer")) store.take(await post("/api/programs", { layer, command: one.command }));
  } catch (fault) {
    await store.refused(fault);
  }
}
