// The fields below the picture: what will be done to the drawn scene, as measured and as the operator wants it.
import { html } from "./html.js";
import { useEffect } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { BackRow } from "./back.js";
import { ChosenScenes, chooseScenes } from "./scenes.js";
import { operator } from "./session.js";

const POINTS = ["red", "green", "blue"];

/** What the fields hold. */
export class Fields {
  /** @param {string} reel @param {any} pictures */
  constructor(reel, pictures) {
    this.reel = reel;
    this.pictures = pictures;
    this.paper = signal(/** @type {any} */ (null));
    this.typed = signal(/** @type {Record<string, string>} */ ({}));
    this.by = signal(sessionStorage.getItem("who decides") ?? "");
    this.why = signal("");
    this.said = signal("");
    this.refused = signal(false);
    this.scene = "";
    this.asking = false;
  }

  /** The fields of the drawn frame; asked anew only where the scene is another. @param {boolean} [anyway] */
  async read(anyway = false) {
    const row = this.pictures.drawn.value?.row;
    if (row === undefined || this.asking) return;
    this.asking = true;
    try {
      this.paper.value = await ask.json(ask.at(this.reel, `/fields/${row}`));
      if (anyway) this.typed.value = {};
    } catch (error) {
      this.say(/** @type {Error} */ (error).message, true);
    } finally {
      this.asking = false;
    }
  }

  /** The page's own act moved the treatment: the next one is made on this revision. @param {number} revision */
  at(revision) {
    if (this.paper.value) this.paper.value = { ...this.paper.value, revision };
  }

  /** The scene of a row; -1 before anything is known. @param {number|undefined} row */
  sceneOf(row) {
    const scenes = this.pictures.scenes;
    return row === undefined ? -1 : scenes.findIndex((/** @type {any} */ s) => row >= s.first && row < s.stop);
  }

  /** @param {string} words @param {boolean} [refused] */
  say(words, refused = false) {
    this.said.value = words;
    this.refused.value = refused;
  }

  /** @param {string} subject @param {string} text @param {boolean} [tried] */
  type(subject, text, tried = false) {
    this.typed.value = { ...this.typed.value, [subject]: text };
    if (!tried) return;
    this.pictures.draft.value = { subject, text };
    if (this.pictures.look.value !== "corrected") this.pictures.look.value = "corrected";
    this.pictures.again();
  }

  /** Record what a field says for the drawn frame. @param {any} field @param {object} how */
  async record(field, how) {
    const drawn = this.pictures.drawn.value;
    if (!drawn || !this.paper.value) return;
    try {
      const body = { subject: field.subject, row: drawn.row, stamp: drawn.stamp, revision: this.paper.value.revision, by: this.by.value, why: this.why.value, ...how };
      const told = await ask.send(ask.at(this.reel, "/decide"), body);
      this.at(told.revision);
      this.say(`${field.title}: recorded, revision ${told.revision}.`);
      this.pictures.draft.value = null;
      const { [field.subject]: _, ...rest } = this.typed.value;
      this.typed.value = rest;
      this.pictures.again();
      await this.read();
    } catch (error) {
      this.say(/** @type {Error} */ (error).message, true);
      if (/** @type {any} */ (error).status === 409) await this.read();
    }
  }
}

/** Reads the fields of the drawn scene; apart from the fields, which are not made anew for each picture. @param {{fields: Fields}} props */
function Reading({ fields }) {
  const drawn = fields.pictures.drawn.value;
  useEffect(() => {
    const rest = setTimeout(() => fields.sceneOf(drawn?.row) !== fields.sceneOf(fields.paper.value?.row) && fields.read(), fields.pictures.rested(80));
    return () => clearTimeout(rest);
  }, [drawn?.row, fields.pictures.passing.value]);
  return "";
}

/** @param {{fields: Fields, back: import("./back.js").Back}} props */
export function FieldRow({ fields, back }) {
  const paper = fields.paper.value;
  return html`<section class="fields" aria-label="Treatment of the scene" tabindex="-1" data-region="fields">
    <${Reading} fields=${fields} />
    <div class="row">
      <h2>Treatment</h2>
      <label>Who decides <input class="short" value=${fields.by.value} readonly=${operator.value !== ""} autocomplete="off" onInput=${(/** @type {any} */ e) => {
        fields.by.value = e.target.value;
        sessionStorage.setItem("who decides", e.target.value);
      }} /></label>
      <label>Why <input class="long" value=${fields.why.value} autocomplete="off" onInput=${(/** @type {any} */ e) => (fields.why.value = e.target.value)} /></label>
      <span id="revision" class="quiet">${paper ? `revision ${paper.revision}` : ""}</span>
    </div>
    <p role="status" class=${fields.refused.value ? "trouble" : "quiet"} id="told">${fields.said.value}</p>
    <${BackRow} back=${back} />
    <div class="cards">${paper ? paper.fields.map((/** @type {any} */ f) => html`<${Card} key=${f.subject} fields=${fields} field=${f} />`) : ""}</div>
    <${ChosenScenes} fields=${fields} />
    ${paper && paper.log.length ? html`<${Log} log=${paper.log} />` : ""}
  </section>`;
}

/** @param {any} props */
function Card({ fields, field }) {
  const typed = fields.typed.value[field.subject];
  const kept = typed !== undefined && typed !== "";
  return html`<div class="card" role="group" aria-label=${field.title} data-subject=${field.subject}>
    <h3>${field.title} <span class="quiet">for ${field.for}</span></h3>
    <dl>
      <dt>measured</dt>
      <dd title=${field.measured_why}>${field.measured}${field.measured_waits ? " (waits for you)" : ""}</dd>
      <dt>operator's</dt>
      <dd title=${field.operator_who}>${field.operator ?? "none"}</dd>
      ${field.difference ? html`<dt>difference</dt><dd>${field.difference}</dd>` : ""}
    </dl>
    <${Input} fields=${fields} field=${field} typed=${typed} />
    <div class="row">
      <button disabled=${!kept} onClick=${() => fields.record(field, { text: typed })}>record</button>
      <button disabled=${!field.operator} onClick=${() => fields.record(field, { text: null, at: field.operator_anchor })}>back to measured</button>
      ${field.for === "this scene" ? html`<button onClick=${() => fields.record(field, { before: true })}>same as scene before</button>` : ""}
      ${field.for === "this scene" && field.subject !== "scene_name" ? html`<button onClick=${() => chooseScenes(fields, field)}>use for scenes</button>` : ""}
    </div>
  </div>`;
}

/** @param {any} props */
function Input({ fields, field, typed }) {
  if (field.kind === "choice") {
    return html`<label class="wide"><span class="hidden">${field.title}</span><select value=${typed ?? ""} onChange=${(/** @type {any} */ e) => fields.type(field.subject, e.target.value)}>
      <option value="">choose</option>
      ${field.choices.map((/** @type {string} */ c) => html`<option value=${c}>${c}</option>`)}
    </select></label>`;
  }
  if (field.kind === "points") return html`<${Points} fields=${fields} field=${field} typed=${typed} />`;
  return html`<label class="wide"><span class="hidden">${field.title}</span><input value=${typed ?? ""} placeholder=${field.example} autocomplete="off" onInput=${(/** @type {any} */ e) => fields.type(field.subject, e.target.value)} /></label>`;
}

/** The four numbers of a text such as "points -2 0 1 saturation 0.9". @param {string|undefined} typed @param {any} value */
function numbersOf(typed, value) {
  const from = typed?.match(/^points (\S+) (\S+) (\S+) saturation (\S+)$/);
  if (from) return from.slice(1).map(Number);
  return [...(value?.points ?? [0, 0, 0]), value?.saturation ?? 1];
}

/** @param {any} props */
function Points({ fields, field, typed }) {
  const numbers = numbersOf(typed, field.value);
  const other = field.value && Object.keys(field.value).some((key) => key !== "points" && key !== "saturation");
  if (other) {
    return html`<label class="wide"><span class="hidden">${field.title}</span><input value=${typed ?? ""} placeholder="points -2 0 1 slope 1 1 1 saturation 0.9" onInput=${(/** @type {any} */ e) => fields.type(field.subject, e.target.value)} /></label>`;
  }
  const set = (/** @type {number} */ n, /** @type {number} */ value) => {
    const next = numbers.map((old, place) => (place === n ? value : old));
    fields.type(field.subject, `points ${next[0]} ${next[1]} ${next[2]} saturation ${next[3]}`, true);
  };
  return html`<div class="points">
    ${POINTS.map(
      (name, n) => html`<label><span>${name} points</span><input type="range" min="-40" max="40" step="0.5" value=${numbers[n]} data-channel=${name} onInput=${(/** @type {any} */ e) => set(n, Number(e.target.value))} /><output>${numbers[n]}</output></label>`,
    )}
    <label><span>saturation</span><input type="range" min="0" max="2" step="0.02" value=${numbers[3]} data-channel="saturation" onInput=${(/** @type {any} */ e) => set(3, Number(e.target.value))} /><output>${numbers[3]}</output></label>
    <p class="quiet">One point is 0.025 of density; fewer are lighter.</p>
  </div>`;
}

/** @param {any} props */
function Log({ log }) {
  return html`<details>
    <summary>What was decided (${log.length})</summary>
    <ol class="log">
      ${log.map((/** @type {any} */ d) => html`<li><strong>${d.what}</strong>${d.where === "reel" ? "" : ` (${d.where})`}: ${d.value}. <span class="quiet">${d.who}, ${d.when}: ${d.why}</span></li>`)}
    </ol>
  </details>`;
}
