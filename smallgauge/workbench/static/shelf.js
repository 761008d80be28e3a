// The Shelf: the reels, where each stands, and how many places want a look.
import { html } from "./html.js";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { Tour } from "./tour.js";
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
  const rows = paper ? rowsOf(paper) : [];
  const shown = (/** @type {Row} */ row) => chosen.value === "all" || row.state === chosen.value;
  const waiting = rows.filter((row) => row.state === "waiting").length;
  const loose = rows.filter((row) => !row.order && shown(row));
  document.title = paper ? `Shelf ${paper.shelf}: ${waiting} of ${rows.length} reels wait for me` : "Shelf";
  return html`<main class="shelf">
    <header class="row"><h1>Shelf${paper ? html` <span class="quiet">${paper.shelf}</span>` : ""}</h1><a href="/counter">Counter</a> <a href="/queue">Queue</a> <a href="/release">Files that may go</a><span class="push"><${Who} /></span></header>
    <p role="status" class=${trouble.value ? "trouble" : "quiet"}>${trouble.value || (paper ? `${waiting} of ${rows.length} reels wait for me.` : "The Shelf is being read.")}</p>
    <fieldset class="row">
      <legend>Show</legend>
      ${FILTERS.map(
        ([key, words]) => html`<label><input type="radio" name="show" checked=${chosen.value === key} onChange=${() => (chosen.value = key)} /> ${words}</label>`,
      )}
    </fieldset>
    ${paper?.orders_trouble ? html`<p role="alert" class="trouble">${paper.orders_trouble}</p>` : ""}
    ${(paper?.orders ?? []).map((/** @type {any} */ order) => {
      const mine = rows.filter((row) => row.order === order.order && shown(row));
      return mine.length ? html`<section class="order"><h2>Order ${order.order} <span class="quiet">${order.words}</span></h2><${Reels} rows=${mine} /></section>` : "";
    })}
    ${loose.length ? html`${paper.orders.length ? html`<h2>Without an order</h2>` : ""}<${Reels} rows=${loose} />` : ""}
    ${paper ? html`<${WorkInHand} names=${handNames(paper)} />` : ""}
    ${rows.length ? html`<${Tour} on="shelf" reel=${rows.find((row) => row.opens)?.name ?? ""} />` : ""}
    ${paper && !rows.length ? html`<p>No reel here. Reels come to the Shelf with \`smallgauge finish CAPTURE --out SHELF\`.</p>` : ""}
  </main>`;
}

/** @typedef {{key: string, name: string, reel: string, box_words: string, words: string, stands: string, places: number, places_words: string, holds: string[], state: string, opens: boolean, order: string}} Row */

/** Reels of the folders and of the book, each once. @param {any} paper @returns {Row[]} */
function rowsOf(paper) {
  const folders = new Map(paper.reels.map((/** @type {any} */ r) => [r.name, r]));
  const ordered = paper.orders.flatMap((/** @type {any} */ order) =>
    order.reels.map((/** @type {any} */ r) => {
      const there = folders.get(r.name);
      folders.delete(r.name);
      const base = there ? rowOf(there) : { key: r.number, name: "", reel: r.number, box_words: r.box_words, words: r.gauge, stands: r.stands, places: 0, places_words: "", opens: false };
      return { ...base, words: there ? base.words : `${r.gauge}, ${r.where}`, holds: r.holds, state: r.state, order: order.order };
    }),
  );
  return [...ordered, ...[...folders.values()].map(rowOf)];
}

/** @param {any} r @returns {Row} */
function rowOf(r) {
  const { name, reel, box_words, words, places, places_words, opens, state } = r;
  return { key: name, name, reel, box_words, words, places, places_words, opens, state, stands: r.working ? "machine is working" : r.stands, holds: [], order: "" };
}

/** @param {{rows: Row[]}} props */
function Reels({ rows }) {
  return html`<ul class="reels">
    ${rows.map(
      (r) => html`<li key=${r.key}>
        <div>
          ${r.opens ? html`<a href=${`/reel/${encodeURIComponent(r.name)}`}>${r.reel}</a>` : html`<strong>${r.reel}</strong>`}
          <span class="quiet"> ${r.box_words}</span>
          ${r.holds.map((words) => html`<div class="held">${words}</div>`)}
        </div>
        <div>${r.words}</div>
        <div>${r.stands}</div>
        <div>${r.places ? html`<span aria-hidden="true">▲ </span>` : ""}${r.places_words}</div>
      </li>`,
    )}
  </ul>`;
}

/** What may be put in hand: reels, and captures that are none yet. @param {any} paper @returns {[string, string][]} */
function handNames(paper) {
  const reels = paper.reels.map((/** @type {any} */ r) => [r.name, r.reel]);
  const captures = paper.captures.map((/** @type {string} */ name) => [name, `capture ${name}`]);
  return [...reels, ...captures];
}
