// Frames marked to be kept as stills, and the photographs that were made. A mark is set on the drawn frame and carries its stamp.
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
    this.photographs = signal(/** @type {any} */ ({ photographs: [], of_today: true }));
    this.words = signal("");
    this.said = signal("");
    this.refused = signal(false);
  }

  async read() {
    try {
      this.list.value = (await ask.json(ask.at(this.reel, "/marks"))).marks;
      this.photographs.value = await ask.json(ask.at(this.reel, "/photographs"));
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
    <${Photographs} marks=${marks} go=${go} />
  </section>`;
}

const SIDES = [["fused", "the photograph"], ["alone", "the one frame alone"]];

/** What was made, each beside the one frame alone. @param {{marks: Marks, go: (row: number) => void}} props */
function Photographs({ marks, go }) {
  const { photographs, of_today } = marks.photographs.value;
  if (!photographs.length) return html`<p class="quiet">No photograph was made yet; \`smallgauge stills\` makes one of each mark once the film is finished.</p>`;
  return html`<h3>Photographs</h3>
    ${of_today ? "" : html`<p class="trouble">These show the look of earlier decisions. Finish the film, then ask for them again.</p>`}
    <div class="photographs">${photographs.map((/** @type {any} */ each) => html`<figure>
      <div class="row">${SIDES.map(([which, words]) => html`<img loading="lazy" alt=${`film position ${each.film_position}, ${words}`} src=${ask.at(marks.reel, `/photograph/${each.film_position}/${which}`)} />`)}</div>
      <figcaption>${each.row === null ? html`film position ${each.film_position}, no longer shown` : html`<button onClick=${() => go(each.row)}>frame ${each.row}</button>`} scene ${each.scene}${each.words ? `: ${each.words}` : ""}
        <span class="quiet"> Left made from ${each.frames} ${each.frames === 1 ? "frame" : "frames"}, right the one frame alone.${each.alone_share >= 0.005 ? ` In ${Math.round(100 * each.alone_share)} % of the picture no other frame agreed, and the one frame stands there too.` : ""} ${each.by}${each.dated ? `, film dated ${each.dated}` : ""}</span></figcaption>
    </figure>`)}</div>`;
}
