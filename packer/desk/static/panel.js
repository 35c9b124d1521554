// The right panel: what the open step needs.

import { byId } from "./dom.js";
import { cardsPanel } from "./cards.js";
import { fetchPanel } from "./fetch.js";
import { groundPanel } from "./ground.js";
import { proofPanel } from "./proof.js";
import { whenSeen } from "./growing.js";
import { roomPanel } from "./room.js";
import { moved } from "./standing.js";
import { store } from "./store.js";
import { worthPanel } from "./worth.js";

/** @type {{[step: string]: () => Node[]}} */
const PANELS = { ground: groundPanel, worth: worthPanel, room: roomPanel, fetch: fetchPanel, proof: proofPanel, cards: cardsPanel };
const JOB_OF = { ground: ["describe"], worth: ["survey"], room: ["prune"], fetch: ["fetch", "merge", "split", "take-in"], proof: ["verify"], cards: ["handover", "inspect"] };

export function drawPanel() {
  const panel = byId("panel");
  let waiting = false;
  let pressed = false; // a button that is drawn anew between press and release would swallow the click
  const draw = () => {
    waiting = document.hidden || pressed; // nobody looks, or somebody is about to click
    if (!store.state || waiting) return;
    const focus = document.activeElement;
    if (panel.contains(focus) && focus?.matches("input, textarea")) {
      waiting = true; // what is being typed is not taken away; the panel follows when the field is left
      return;
    }
    const key = focus instanceof HTMLElement && panel.contains(focus) ? focus.textContent : null;
    const at = panel.scrollTop;
    panel.replaceChildren(...PANELS[store.step]());
    panel.classList.toggle("untrue", !store.figuresTrue);
    panel.scrollTop = at;
    if (key) [...panel.querySelectorAll("button, select")].find((one) => one.textContent === key)?.focus();
  };
  for (const what of ["state", "figures", "chosen"]) store.on(what, draw);
  store.on("step", () => {
    draw();
    panel.scrollTop = 0;
  });
  store.on("job", ({ kind, job, ended }) => {
    if (!(/** @type {any} */ (JOB_OF)[store.step]?.includes(kind))) return;
    const onlyFigures = kind === "fetch" && !ended && !waiting && !document.hidden && moved(job);
    if (!onlyFigures) draw();
  });
  whenSeen(() => waiting && draw());
  panel.addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => {
    pressed = event.target instanceof Element && event.target.closest("button") !== null;
  });
  for (const end of ["pointerup", "pointercancel"]) {
    document.addEventListener(end, () => {
      pressed = false;
      setTimeout(() => waiting && draw());
    });
  }
  panel.addEventListener("focusout", () => setTimeout(() => waiting && draw()));
}
