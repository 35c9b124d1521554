// The row of steps: the job's own order, each with its state in words.

import { byId, make } from "./dom.js";
import { store } from "./store.js";

export const STEPS = [
  { name: "ground", title: "Ground" },
  { name: "worth", title: "Worth" },
  { name: "room", title: "Room" },
  { name: "fetch", title: "Fetch" },
  { name: "proof", title: "Proof" },
  { name: "cards", title: "Cards" },
];
const SIGNS = { todo: "", busy: "…", done: "✓", wrong: "!" };

export function drawSteps() {
  const buttons = STEPS.map(({ name, title }, i) => {
    const says = make("span.says");
    const button = make(
      "button",
      { type: "button", id: `step-${name}`, onclick: () => store.open(name) },
      make("span.number", { text: String(i + 1) }),
      make("span.name", { text: title }),
      says,
    );
    return { name, button, says };
  });
  byId("steps").replaceChildren(...buttons.map(({ button }) => button));
  const draw = () => {
    for (const { name, button, says } of buttons) {
      const told = store.state?.steps[name];
      if (told) {
        const sign = SIGNS[/** @type {"todo"} */ (told.mood)];
        says.textContent = sign ? `${sign} ${told.says}` : told.says;
        button.dataset.mood = told.mood;
        button.title = told.says;
      }
      button.setAttribute("aria-current", store.step === name ? "step" : "false");
    }
  };
  store.on("state", draw);
  store.on("steps", draw);
  store.on("step", () => {
    draw();
    byId(`step-${store.step}`).scrollIntoView({ block: "nearest", inline: "nearest" });
  });
}
