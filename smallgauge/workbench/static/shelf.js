// The Shelf: the reels, where each stands, and how many places want a look.
import { html } from "./html.js";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { Who } from "./session.js";
import { WorkInHand } from "./work.js";

const told = signal(/** @type {any} */ (null));
const trouble = signal("");
const chosen = signal("all");
const FILTERS = [
  ["all", "all"],
  ["waiting", "waiting for me"],
  ["working", "machine is working"],
  ["done", "done"],
];

export async function look() {
  try {
    told.value = await ask.json("/api/shelf");
    trouble.value = "";
  } catch (error) {
    trouble.value = /** @type {Error} */ (error).message;
  }
}

export function Shelf() {
  const paper = told.value;
  const reels = paper ? paper.reels.filter((/** @type {any} */ r) => chosen.value === "all" || r.state === chosen.value) : [];
  const waiting = paper ? paper.reels.filter((/** @type {any} */ r) => r.state === "waiting").length : 0;
  document.title = paper ? `Shelf ${paper.shelf}: ${waiting} of ${paper.reels.length} reels wait for me` : "Shelf";
  return html`<main class="shelf">
    <header class="row"><h1>Shelf${paper ? html` <span class="quiet">${paper.shelf}</span>` : ""}</h1><span class="push"><${Who} /></span></header>
    <p role="status" class=${trouble.value ? "trouble" : "quiet"}>${trouble.value || (paper ? `${waiting} of ${paper.reels.length} reels wait for me.` : "The Shelf is being read.")}</p>
    <fieldset class="row">
      <legend>Show</legend>
      ${FILTERS.map(
        ([key, words]) => html`<label><input type="radio" name="show" checked=${chosen.value === key} onChange=${() => (chosen.value = key)} /> ${words}</label>`,
      )}
    </fieldset>
    <ul class="reels">
      ${reels.map(
        (/** @type {any} */ r) => html`<li>
          <div>
            ${r.opens ? html`<a href=${`/reel/${encodeURIComponent(r.name)}`}>${r.reel}</a>` : html`<span>${r.reel}</span>`}
            <span class="quiet">${r.box_words}</span>
          </div>
          <div>${r.words}</div>
          <div>${r.working ? "machine is working" : r.stands}</div>
          <div>${r.places ? html`<span aria-hidden="true">▲ </span>` : ""}${r.places_words}</div>
        </li>`,
      )}
    </ul>
    ${paper ? html`<${WorkInHand} names=${handNames(paper)} />` : ""}
    ${paper && !reels.length ? html`<p>No reel here. Reels come to the Shelf with \`smallgauge finish CAPTURE --out SHELF\`.</p>` : ""}
  </main>`;
}

/** What may be put in hand: reels, and captures that are none yet. @param {any} paper @returns {[string, string][]} */
function handNames(paper) {
  const reels = paper.reels.map((/** @type {any} */ r) => [r.name, r.reel]);
  const captures = paper.captures.map((/** @type {string} */ name) => [name, `capture ${name}`]);
  return [...reels, ...captures];
}
