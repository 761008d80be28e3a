// Frames marked to be kept as stills. A mark is set on the drawn frame and carries its stamp.
import { html } from "./html.js";
import { useEffect } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

/** What is marked on a reel. */
export class Marks {
  /** @param {string} reel @param {any} fields */
  constructor(reel, fields) {
    this.reel = reel;
    this.fields = fields;
    this.list = signal(/** @type {any[]} */ ([]));
    this.words = signal("");
    this.said = signal("");
    this.refused = signal(false);
  }

  async read() {
    try {
      this.list.value = (await ask.json(ask.at(this.reel, "/marks"))).marks;
    } catch (error) {
      this.said.value = /** @type {Error} */ (error).message;
      this.refused.value = true;
    }
  }

  /** Mark the drawn frame, or take its mark off. @param {boolean} keep */
  async mark(keep) {
    const drawn = this.fields.pictures.drawn.value;
    if (!drawn) return;
    const body = { row: drawn.row, stamp: drawn.stamp, by: this.fields.by.value, keep, words: this.words.value };
    try {
      this.list.value = (await ask.send(ask.at(this.reel, "/mark"), body)).marks;
      this.said.value = keep ? `Frame ${drawn.row} is marked.` : `The mark on frame ${drawn.row} is taken off.`;
      this.refused.value = false;
      this.words.value = "";
    } catch (error) {
      this.said.value = /** @type {Error} */ (error).message;
      this.refused.value = true;
    }
  }
}

/** @param {{marks: Marks, go: (row: number) => void}} props */
export function StillMarks({ marks, go }) {
  useEffect(() => void marks.read(), []);
  const drawn = marks.fields.pictures.drawn.value;
  const here = marks.list.value.some((each) => each.row === drawn?.row);
  return html`<section class="fields" aria-label="Stills" tabindex="-1" data-region="stills">
    <h2>Stills</h2>
    <div class="row">
      <label>Words beside it <input class="long" autocomplete="off" value=${marks.words.value} onInput=${(/** @type {any} */ e) => (marks.words.value = e.target.value)} /></label>
      <button disabled=${!drawn} onClick=${() => marks.mark(true)}>keep frame ${drawn?.row ?? ""} as a still</button>
      <button disabled=${!here} onClick=${() => marks.mark(false)}>take the mark off</button>
    </div>
    <p role="status" class=${marks.refused.value ? "trouble" : "quiet"} id="marked">${marks.said.value}</p>
    <ol class="log">${marks.list.value.map((each) => html`<li>${each.row === null ? html`film position ${each.film_position}, no longer shown` : html`<button onClick=${() => go(each.row)}>frame ${each.row}</button> ${each.file}`} <span class="quiet">${each.by}${each.words ? `: ${each.words}` : ""}</span></li>`)}</ol>
  </section>`;
}
