// The keyboard of the bench: active only while the strip or the picture window has the focus, and can be switched off.
import { html } from "./html.js";
import { signal } from "@preact/signals";
import { LOOKS } from "./pictures.js";
import * as kept from "./kept.js";
import * as outlines from "./outlines.js";

export const on = signal(localStorage.getItem("keys") !== "off");
export const shown = signal(false);
export const running = signal(false);
let clock = 0;

export const KEYS = [
  ["Left, Right", "one frame"],
  ["Shift + Left, Right", "one second at the reel's camera speed"],
  ["Page Up, Page Down", "scene before, scene after"],
  ["Home, End", "start, end of the reel"],
  ["D, F", "place before, place after that wants a look"],
  ["Space", "run, stop at camera speed"],
  ["G", "go to a frame by its number"],
  ["1 2 3 4", "the looks"],
  ["H", "outlines shown, hidden"],
  ["W", "wipe on, off"],
  ["C", "what is left of copies on a set that cuts the edges: shown, hidden"],
  ["+ -", "larger, smaller pixels, pixel for pixel"],
  ["Z, Shift + Z", "take back your last decision, put it back"],
  ["N", "note on this frame"],
  ["E", "listen to two seconds from the drawn picture, stop"],
  ["S", "take the drawn picture for a pair of sound and picture"],
  ["U (held)", "untouched picture"],
  ["F6", "next region of the page"],
  ["?", "this list"],
  ["Esc", "close, or back to the picture window"],
];

/** @param {any} pictures @param {any} strip @param {import("./back.js").Back} back */
export function keyboard(pictures, strip, back) {
  const [up, down] = String(strip.paper.rate).split("/").map(Number);
  const rate = up / (down || 1);
  const run = () => {
    running.value = !running.value;
    clearInterval(clock);
    if (!running.value) return;
    clock = window.setInterval(() => {
      if (pictures.wanted.value >= pictures.count - 1) run();
      else go(pictures.wanted.value + 1);
    }, 1000 / rate);
  };
  const go = (/** @type {number} */ row) => {
    pictures.go(row);
    strip.follow(pictures.wanted.value);
  };
  const scene = (/** @type {number} */ by) => {
    const now = pictures.wanted.value;
    const firsts = strip.paper.scenes.map((/** @type {any} */ s) => s.first);
    const to = by > 0 ? firsts.find((/** @type {number} */ f) => f > now) : firsts.filter((/** @type {number} */ f) => f < now).pop();
    if (to !== undefined) go(to);
  };
  const place = (/** @type {number} */ by) => {
    const now = pictures.wanted.value;
    const firsts = [...new Set(strip.paper.flags.map((/** @type {any} */ f) => f.first))].sort((a, b) => a - b);
    const to = by > 0 ? firsts.find((f) => f > now) : firsts.filter((f) => f < now).pop();
    if (to !== undefined) go(to);
  };
  const step = (/** @type {number} */ by, /** @type {KeyboardEvent} */ event) => go(pictures.wanted.value + by * (event.shiftKey ? Math.round(rate) : 1));
  /** @type {Record<string, (event: KeyboardEvent) => void>} */
  const acts = {
    ArrowLeft: (e) => step(-1, e),
    ArrowRight: (e) => step(1, e),
    PageUp: () => scene(-1),
    PageDown: () => scene(1),
    Home: () => go(0),
    End: () => go(pictures.count - 1),
    d: () => place(-1),
    f: () => place(1),
    " ": run,
    g: () => /** @type {any} */ (document.getElementById("go"))?.select(),
    h: () => {
      outlines.on.value = !outlines.on.value;
      outlines.read(pictures);
    },
    c: () => kept.show(pictures, !kept.on.value),
    w: () => pictures.wipeOn(!pictures.wipe.value),
    n: () => document.getElementById("note")?.focus(),
    z: (e) => back.step(e.shiftKey ? "redo" : "undo"),
    e: () => strip.sound.listen(),
    s: () => strip.sound.take(),
    "+": () => pictures.larger(1),
    "-": () => pictures.larger(-1),
    "?": () => (shown.value = !shown.value),
  };
  LOOKS.forEach(({ key }, n) => (acts[String(n + 1)] = () => pictures.lookAs(key)));
  return (/** @type {KeyboardEvent} */ event) => {
    const target = /** @type {HTMLElement} */ (event.target);
    const typing = target.matches("input, select, textarea, button, summary, .numbers, .numbers *");
    if (!on.value || event.altKey || event.ctrlKey || event.metaKey) return;
    if (typing && !(target.matches("input[type=radio]") && /^[1-4cdfguhwzn?]$/i.test(event.key))) return;
    if (event.key.toLowerCase() === "u" && !event.repeat) {
      const before = pictures.look.value;
      if (before === "capture") return;
      pictures.lookAs("capture");
      const back = (/** @type {KeyboardEvent} */ e) => {
        if (e.key.toLowerCase() !== "u") return;
        window.removeEventListener("keyup", back);
        pictures.lookAs(before);
      };
      window.addEventListener("keyup", back);
      return;
    }
    const act = acts[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!act) return;
    event.preventDefault();
    if (event.key !== " " && running.value) run();
    act(event);
  };
}

/** F6 and Esc, wherever the focus is. @param {KeyboardEvent} event */
export function everywhere(event) {
  const regions = /** @type {HTMLElement[]} */ ([...document.querySelectorAll("[data-region]")]);
  if (!regions.length) return;
  if (event.key === "F6") {
    event.preventDefault();
    const here = regions.findIndex((r) => r.contains(document.activeElement));
    regions[(here + (event.shiftKey ? regions.length - 1 : 1)) % regions.length].focus();
  } else if (event.key === "Escape") {
    if (shown.value) shown.value = false;
    else regions.find((r) => r.dataset.region === "window")?.focus();
  }
}

export function KeyList() {
  if (!shown.value) return "";
  return html`<div class="keylist" role="dialog" aria-label="Keys">
    <h2>Keys</h2>
    <p class="quiet">They work while the strip or the picture window has the focus.</p>
    <dl>${KEYS.map(([key, words]) => html`<dt>${key}</dt><dd>${words}</dd>`)}</dl>
    <label><input type="checkbox" checked=${on.value} onChange=${(/** @type {any} */ e) => {
      on.value = e.target.checked;
      localStorage.setItem("keys", on.value ? "on" : "off");
    }} /> keys are on</label>
    <button onClick=${() => (shown.value = false)}>close</button>
  </div>`;
}
