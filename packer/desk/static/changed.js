// What has changed since the last fetch, in words: asked for once a plan.

import { get } from "./api.js";
import { make } from "./dom.js";
import { store } from "./store.js";

let of = ""; // the brief and plan that `known` is of
/** @type {any} */
let known = null;
store.on("job", ({ kind, ended }) => { if (kind === "fetch" && ended) of = ""; });

/**
 * The changes, or nothing while there are none or they are not known yet.
 * @returns {Node[]}
 */
export function changedPart() {
  const mark = store.state?.brief_mark;
  if (!mark || store.state?.lacks) return [];
  if (of !== mark) {
    of = mark;
    known = null;
    get("/api/changes").then((found) => {
      if (of !== mark) return;
      known = found;
      store.tell("state");
    }, () => { of = ""; });
  }
  if (!known?.sentences?.length) return [];
  const [first, ...rest] = known.sentences;
  return [
    make("section.changed", {}, make("h3", { text: "Changed" }), make("p.next", { text: first }), make("ul.plain-list", {}, ...rest.map((/** @type {string} */ text) => make("li", { text })))),
  ];
}
