// One field's value for chosen scenes: a list with ticks, recorded as one act.
import { html } from "./html.js";
import { useEffect, useRef } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

/** What is being chosen; nothing while the list is closed. */
const open = signal(/** @type {any} */ (null));

/** @param {import("./fields.js").Fields} fields @param {any} field */
export async function chooseScenes(fields, field) {
  const drawn = fields.pictures.drawn.value;
  if (!drawn) return;
  try {
    const paper = await ask.json(ask.at(fields.reel, `/scenes/${drawn.row}?subject=${field.subject}`));
    const here = paper.scenes.filter((/** @type {any} */ s) => s.here).map((/** @type {any} */ s) => s.film_position);
    open.value = { field, paper, stamp: drawn.stamp, text: fields.typed.value[field.subject] || null, chosen: new Set(here) };
  } catch (error) {
    fields.say(/** @type {Error} */ (error).message, true);
  }
}

/** @param {(scene: any) => boolean} wanted */
const tick = (wanted) => (open.value = { ...open.value, chosen: new Set(open.value.paper.scenes.filter(wanted).map((/** @type {any} */ s) => s.film_position)) });

/** @param {import("./fields.js").Fields} fields */
async function record(fields) {
  const { field, paper, stamp, text, chosen } = open.value;
  const body = { subject: field.subject, scenes: [...chosen], row: paper.row, stamp, revision: paper.revision, by: fields.by.value, why: fields.why.value, text };
  try {
    const told = await ask.send(ask.at(fields.reel, "/decide-scenes"), body);
    fields.at(told.revision);
    fields.say(`${field.title}: recorded for ${told.scenes} ${told.scenes === 1 ? "scene" : "scenes"} as one act, revision ${told.revision}.`);
    open.value = null;
    fields.pictures.draft.value = null;
    const { [field.subject]: _, ...rest } = fields.typed.value;
    fields.typed.value = rest;
    fields.pictures.again();
    await fields.read();
  } catch (error) {
    fields.say(/** @type {Error} */ (error).message, true);
    if (/** @type {any} */ (error).status === 409) {
      open.value = null;
      await fields.read();
    }
  }
}

/** @param {{fields: import("./fields.js").Fields}} props */
export function ChosenScenes({ fields }) {
  const box = useRef(/** @type {any} */ (null));
  const field = open.value?.field;
  useEffect(() => box.current?.focus(), [field]);
  if (!open.value) return "";
  const { paper, text, chosen } = open.value;
  const flip = (/** @type {number} */ at) => {
    const next = new Set(chosen);
    if (!next.delete(at)) next.add(at);
    open.value = { ...open.value, chosen: next };
  };
  return html`<div class="card chosen-scenes" role="group" aria-label="Use for scenes" tabindex="-1" ref=${box}>
    <h3>${field.title}: use ${text ? `what is written (${text})` : paper.value === null ? "nothing: no value is decided here" : paper.value} for scenes</h3>
    <div class="row">
      <button onClick=${() => tick(() => true)}>all</button>
      <button onClick=${() => tick(() => false)}>none</button>
      <button onClick=${() => tick((s) => s.same_length)}>this length of stock</button>
    </div>
    <ul class="ticks">
      ${paper.scenes.map(
        (/** @type {any} */ s) => html`<li><label><input type="checkbox" checked=${chosen.has(s.film_position)} onChange=${() => flip(s.film_position)} /> scene ${s.scene + 1}${s.name ? `: ${s.name}` : ""} <span class="quiet">frames ${s.first} to ${s.stop - 1}${s.here ? ", drawn now" : ""}; now ${s.value}${s.who ? ` (${s.who})` : ""}</span></label></li>`,
      )}
    </ul>
    <div class="row">
      <button disabled=${!chosen.size || (!text && paper.value === null)} onClick=${() => record(fields)}>record for ${chosen.size} ${chosen.size === 1 ? "scene" : "scenes"}</button>
      <button onClick=${() => (open.value = null)}>leave it</button>
    </div>
  </div>`;
}
