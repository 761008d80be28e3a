// What copies keep of the finished picture on a set that cuts its edges off, as outlines over the finished looks.
import { html } from "./html.js";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

export const on = signal(false);
const paper = signal(/** @type {any} */ (null));

/** @param {import("./pictures.js").Pictures} pictures @param {boolean} show */
export async function show(pictures, show) {
  on.value = show;
  if (show) await read(pictures);
}

/** Anew after each decision: the framing may be another. @param {import("./pictures.js").Pictures} pictures */
export async function read(pictures) {
  if (!on.value) return;
  try {
    paper.value = await ask.json(ask.at(pictures.reel, "/kept"));
  } catch (error) {
    paper.value = null;
    pictures.trouble.value = /** @type {Error} */ (error).message;
  }
}

/** @param {any} drawn */
const seen = (drawn) => on.value && paper.value && drawn && (drawn.look === "steadied" || drawn.look === "corrected");

/** @param {{pictures: import("./pictures.js").Pictures}} props */
export function Kept({ pictures }) {
  const drawn = pictures.drawn.value;
  if (!seen(drawn)) return "";
  const [width, height] = paper.value.size;
  return html`<svg class="outlines kept" viewBox=${`-0.5 -0.5 ${width} ${height}`} preserveAspectRatio="none" aria-hidden="true">
    ${paper.value.copies.map((/** @type {any} */ copy) => {
      const { left, top, right, bottom } = copy.safe;
      const d = `M${left} ${top}H${right}V${bottom}H${left}Z`;
      return html`<path class="under-line" d=${d} /><path class=${copy.shape === "16:9" ? "perforation" : "gate"} d=${d} />`;
    })}
  </svg>`;
}

/** The same in words. @param {{pictures: import("./pictures.js").Pictures}} props */
export function KeptWords({ pictures }) {
  if (!seen(pictures.drawn.value)) return "";
  const [width, height] = paper.value.size;
  return html`<p class="caption" id="kept">The copies keep the whole picture, ${width} x ${height}. A television set that cuts the edges off still shows:
    ${paper.value.copies.map((/** @type {any} */ c) => html` <span>${c.shape === "16:9" ? "dashed" : "solid"}, ${c.files.join(", ")} (${c.shape}, ${Math.round(100 * c.share)} %): ${Math.round(c.safe.left + 0.5)} to ${Math.round(c.safe.right + 0.5)} across, ${Math.round(c.safe.top + 0.5)} to ${Math.round(c.safe.bottom + 0.5)} along.</span>`)}</p>`;
}
