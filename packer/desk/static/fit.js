// Make it fit: hours or bytes, and proposals of what to leave out, each to be taken or refused.

import { post } from "./api.js";
import { action, field, make } from "./dom.js";
import { store } from "./store.js";
import { bytes, count, duration } from "./words.js";

/** @typedef {{kind: string, area: string, words: string}} Edit */

const kept = { target: "", found: /** @type {any} */ (null), revision: 0, refused: /** @type {Edit[]} */ ([]) };

/** @returns {Node[]} */
export function fitPart() {
  const place = make("div", { "aria-live": "polite" });
  const target = make("input", { type: "text", value: kept.target, placeholder: "2h or 8GB" });
  const propose = async () => {
    kept.target = target.value.trim();
    kept.refused = [];
    await ask(place);
  };
  if (kept.found && kept.revision !== store.state?.revision && kept.target) ask(place); // the brief is another by now
  else if (kept.found) place.append(...told(kept.found, place));
  return [
    make("h3", { text: "Make it fit" }),
    field("Hours for the fetch, or size on disk", target),
    make("div.row", {}, action("Show what to leave out", propose, "quiet")),
    place,
  ];
}

/** @param {any} place */
async function ask(place) {
  try {
    kept.revision = store.state?.revision ?? 0;
    kept.found = await post("/api/fit", { target: kept.target, refused: kept.refused });
    place.replaceChildren(...told(kept.found, place));
  } catch (fault) {
    kept.found = null;
    place.replaceChildren(make("p.warning", { text: /** @type {Error} */ (fault).message }));
  }
}

/** @param {any} figures */
function figuresText(figures) {
  const time = figures.seconds === null ? "" : `, ${duration(figures.seconds)}`;
  return `${count(figures.tiles, "tile")}, ${bytes(figures.bytes)}${time}`;
}

/** @param {any} found @param {any} place @returns {Node[]} */
function told(found, place) {
  const refused = kept.refused.length ? ` You refused ${count(kept.refused.length, "change")}.` : "";
  if (!found.changes.length) {
    const words = found.reached ? `It fits as it is: at most ${figuresText(found.before)}.` : `Nothing more can be left out, and it does not fit: ${figuresText(found.before)}.${refused}`;
    return [make("p", { class: found.reached ? "" : "warning", text: words })];
  }
  const end = found.reached ? `With all of these it fits: ${figuresText(found.after)}.` : `Even with all of these it does not fit: ${figuresText(found.after)}.`;
  return [
    make("p.hint", { text: found.ranking }),
    make("ol.proposals", {}, ...found.changes.map((/** @type {any} */ change) => proposal(change, place))),
    make("p", { text: end + refused }),
  ];
}

/** @param {any} change @param {any} place */
function proposal(change, place) {
  const area = change.edits[0]?.area;
  const take = async () => {
    if (!(await store.send("/api/take", { edits: change.edits }))) await ask(place);
  };
  const refuse = async () => {
    kept.refused.push(...change.edits);
    await ask(place);
  };
  return make(
    "li",
    {},
    make("button.link", { type: "button", text: change.words, onclick: () => store.choose(area) }),
    make("p.hint", { text: `saves ${figuresText(change.saves)}` }),
    make("div.row", {}, action("Take", take), action("Refuse", refuse, "quiet")),
  );
}
