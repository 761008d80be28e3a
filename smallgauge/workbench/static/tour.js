// The tour of a first run: a few steps in plain words, each pointing at a part of the page. Shown until it was ended once.
import { html } from "./html.js";
import { useEffect, useRef } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

/** Where each step points, on which page, and what it says. @type {{on: "shelf" | "reel", where: string, title: string, words: string}[]} */
const STEPS = [
  { on: "shelf", where: ".reels", title: "The Shelf", words: "Every reel of the shop lies here. Each says where it stands and how many places want a look. This one was drawn for you: nothing you do to it can harm a film." },
  { on: "reel", where: ".strip", title: "The strip", words: "The reel lies across the page as film lies across a bench. Below the little pictures hang its scenes, its flags and what was measured, all at the same place. Click anywhere to go there." },
  { on: "reel", where: ".flags", title: "Places that want a look", words: "Where the program is in doubt it says so with a triangle. D and F take you from one to the next." },
  { on: "reel", where: ".window", title: "The picture", words: "The number beside it is that of the picture you see, never of one on its way. Left and Right step, Space runs. Choose a look: the capture as it came, or the film as it will be made." },
  { on: "reel", where: ".fields", title: "The treatment", words: "What was measured stands beside what you decide. Move a slider and look; record it with your initials and a reason. Every decision can be taken back." },
  { on: "reel", where: ".work", title: "Work in hand", words: "Start here what the machine is to do, and watch, pause or stop it. What is stopped goes on from there. That is all: the key ? lists every key." },
];

const wanted = signal(false);
const step = signal(Number(sessionStorage.getItem("tour step") ?? 0));

/** @param {boolean} shown whether the server wants the tour shown */
export const offerTour = (shown) => (wanted.value = shown);

/** @param {number} to */
function go(to) {
  sessionStorage.setItem("tour step", String(to));
  step.value = to;
}

async function end() {
  wanted.value = false;
  await ask.send("/api/tour/end", {}).catch(() => {});
}

/** @param {{on: "shelf" | "reel", reel: string}} props the page that is shown, and the reel that a step may open */
export function Tour({ on, reel }) {
  const box = useRef(/** @type {HTMLElement | null} */ (null));
  const at = Math.max(0, Math.min(step.value, STEPS.length - 1));
  const told = STEPS[at];
  const here = wanted.value && told.on === on;
  useEffect(() => {
    const part = here ? document.querySelector(told.where) : null;
    if (!part) return;
    part.setAttribute("data-pointed", "");
    part.scrollIntoView({ block: "nearest" });
    box.current?.focus();
    return () => part.removeAttribute("data-pointed");
  }, [here, at]);
  if (!here) return "";
  const last = at === STEPS.length - 1;
  const next = () => {
    if (last) return end();
    go(at + 1);
    if (STEPS[at + 1].on !== on) location.href = `/reel/${encodeURIComponent(reel)}`;
  };
  const back = () => {
    go(at - 1);
    if (STEPS[at - 1].on !== on) location.href = "/";
  };
  const keys = (/** @type {KeyboardEvent} */ event) => {
    if (event.key !== "Escape") return;
    event.stopPropagation();
    end();
  };
  return html`<div class="tour" role="dialog" aria-label="Tour" aria-describedby="tour-words" tabindex="-1" ref=${box} onKeyDown=${keys}>
    <h2>${told.title} <span class="quiet">step ${at + 1} of ${STEPS.length}</span></h2>
    <p id="tour-words">${told.words}</p>
    <div class="row">
      <button onClick=${next}>${last ? "done" : "next"}</button>
      ${at ? html`<button onClick=${back}>back</button>` : ""}
      ${last ? "" : html`<button onClick=${end}>end the tour</button>`}
    </div>
  </div>`;
}
