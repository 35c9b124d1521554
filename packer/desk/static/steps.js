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
        const text = sign ? `${sign} ${told.says}` : told.says;
        // What is as it was is left alone: to set it would have it laid out and painted again.
        if (says.textContent !== text) says.textContent = text;
        if (button.dataset.mood !== told.mood) button.dataset.mood = told.mood;
        if (button.title !== told.says) button.title = told.says;
      }
      const open = store.step === name ? "step" : "false";
      if (button.getAttribute("aria-current") !== open) button.setAttribute("aria-current", open);
    }
  };
  store.on("state", draw);
  store.on("steps", draw);
  store.on("step", () => {
    draw();
    byId(`step-${store.step}`).scrollIntoView({ block: "nearest", inline: "nearest" });
  });
}
