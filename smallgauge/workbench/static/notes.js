// Notes on frames. A note is written on the drawn frame and carries its stamp; it goes to the family only where it is ticked so.
import { html } from "./html.js";
import { useEffect } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

/** What was noted on a reel. */
export class Notes {
  /** @param {string} reel @param {import("./fields.js").Fields} fields */
  constructor(reel, fields) {
    this.reel = reel;
    this.fields = fields;
    this.list = signal(/** @type {any[]} */ ([]));
    this.words = signal("");
    this.family = signal(false);
    this.said = signal("");
    this.refused = signal(false);
  }

  /** @param {() => Promise<any>} question @param {string} words */
  async ask(question, words) {
    try {
      this.list.value = (await question()).notes;
      this.said.value = words;
      this.refused.value = false;
      return true;
    } catch (error) {
      this.said.value = /** @type {Error} */ (error).message;
      this.refused.value = true;
      return false;
    }
  }

  read() {
    return this.ask(() => ask.json(ask.at(this.reel, "/notes")), "");
  }

  /** Note something of the drawn frame. */
  async note() {
    const drawn = this.fields.pictures.drawn.value;
    if (!drawn) return;
    const body = { row: drawn.row, stamp: drawn.stamp, by: this.fields.by.value, words: this.words.value, family: this.family.value };
    if (await this.ask(() => ask.send(ask.at(this.reel, "/note"), body), `Noted on frame ${drawn.row}.`)) {
      this.words.value = "";
      this.family.value = false;
    }
  }

  /** @param {any} note @param {boolean} family */
  tick(note, family) {
    const body = { number: note.number, by: this.fields.by.value, family };
    return this.ask(() => ask.send(ask.at(this.reel, "/note-family"), body), family ? "The report tells it to the family." : "It stays in the shop.");
  }

  /** @param {any} note */
  takeAway(note) {
    return this.ask(() => ask.send(ask.at(this.reel, "/note-away"), { number: note.number, by: this.fields.by.value }), "The note is taken away.");
  }
}

/** @param {{notes: Notes, go: (row: number) => void}} props */
export function FrameNotes({ notes, go }) {
  useEffect(() => void notes.read(), []);
  const drawn = notes.fields.pictures.drawn.value;
  const send = (/** @type {Event} */ event) => {
    event.preventDefault();
    notes.note();
  };
  return html`<section class="fields" aria-label="Notes" tabindex="-1" data-region="notes">
    <h2>Notes on frames</h2>
    <form class="row" onSubmit=${send} autocomplete="off">
      <label>What is to be seen there <input id="note" class="long" value=${notes.words.value} onInput=${(/** @type {any} */ e) => (notes.words.value = e.target.value)} /></label>
      <label><input type="checkbox" id="note-family" checked=${notes.family.value} onChange=${(/** @type {any} */ e) => (notes.family.value = e.target.checked)} /> tell the family</label>
      <button disabled=${!drawn}>note on frame ${drawn?.row ?? ""}</button>
    </form>
    <p role="status" class=${notes.refused.value ? "trouble" : "quiet"} id="noted">${notes.said.value}</p>
    <ol class="log">
      ${notes.list.value.map(
        (note) => html`<li key=${note.number}><div class="row">
          <span>${note.row === null ? html`film position ${note.film_position}, no longer shown` : html`<button onClick=${() => go(note.row)}>frame ${note.row}</button> ${note.file}`}: ${note.words}</span>
          <span class="quiet">${note.by}, ${note.when}</span>
          <label><input type="checkbox" checked=${note.family} onChange=${(/** @type {any} */ e) => notes.tick(note, e.target.checked)} /> tell the family</label>
          <button aria-label=${`take away the note on film position ${note.film_position}`} onClick=${() => notes.takeAway(note)}>take away</button>
        </div></li>`,
      )}
    </ol>
  </section>`;
}
