// Make it fit: hours or bytes, and proposals of what to leave out, each to be taken or refused.

import { post } from "./api.js";
import { action, field, make } from "./dom.js";
import { store } from "./store.js";
import { bytes, count, duration } from "./words.js";
import { pointing } from "./would-go.js";

/** @typedef {{kind: string, area: string, words: string}} Edit */

const kept = { target: "", found: /** @type {any} */ (null), revision: 0, refused: /** @type {Edit[]} */ ([]), place: /** @type {any} */ (null) };

/** @returns {Node[]} */
export function fitPart() {
  const place = make("div", { "aria-live": "polite" });
  kept.place = place; // the panel is drawn anew at any moment
  const target = make("input", { type: "text", value: kept.target, placeholder: "2h or 8GB" });
  const propose = async () => {
    kept.target = target.value.trim();
    kept.refused = [];
    await ask();
  };
  if (kept.found && kept.revision !== store.state?.revision && kept.target) ask(); // the brief is another by now
  else if (kept.found) place.append(...told(kept.found));
  return [
    make("h3", { text: "Make it fit" }),
    field("Hours for the fetch, or size on disk", target),
    make("div.row", {}, action("Show what to leave out", propose, "quiet")),
    place,
  ];
}

async function ask() {
  try {
    kept.revision = store.state?.revision ?? 0;
    kept.found = await post("/api/fit", { target: kept.target, refused: kept.refused });
    kept.place.replaceChildren(...told(kept.found));
  } catch (fault) {
    kept.found = null;
    kept.place.replaceChildren(make("p.warning", { text: /** @type {Error} */ (fault).message }));
  }
}

/** @param {any} figures */
function figuresText(figures) {
  const time = figures.seconds === null ? "" : `, ${duration(figures.seconds)}`;
  return `${count(figures.tiles, "tile")}, ${bytes(figures.bytes)}${time}`;
}

/** @param {any} found @returns {Node[]} */
function told(found) {
  const refused = kept.refused.length ? ` You refused ${count(kept.refused.length, "change")}.` : "";
  if (!found.changes.length) {
    const words = found.reached ? `It fits as it is: at most ${figuresText(found.before)}.` : `Nothing more can be left out, and it does not fit: ${figuresText(found.before)}.${refused}`;
    return [make("p", { class: found.reached ? "" : "warning", text: words })];
  }
  const end = found.reached ? `With all of these it fits: ${figuresText(found.after)}.` : `Even with all of these it does not fit: ${figuresText(found.after)}.`;
  return [
    make("p.hint", { text: `${found.ranking} Point at a proposal to see on the map what it would leave out.` }),
    make("ol.proposals", {}, ...found.changes.map((/** @type {any} */ change) => proposal(change))),
    make("p", { text: end + refused }),
  ];
}

/** @param {any} change */
function proposal(change) {
  const area = change.edits[0]?.area;
  const take = async () => {
    store.tell("would-go", null);
    if (!(await store.send("/api/take", { edits: change.edits }))) await ask();
  };
  const refuse = async () => {
    store.tell("would-go", null);
    kept.refused.push(...change.edits);
    await ask();
  };
  return make(
    "li",
    pointing(change.edits),
    make("button.link", { type: "button", text: change.words, onclick: () => store.choose(area) }),
    make("p.hint", { text: `saves ${figuresText(change.saves)}` }),
    make("div.row", {}, action("Take", take), action("Refuse", refuse, "quiet")),
  );
}
