// What the office's pages share: their head, with the way to the others and who writes, and the line that tells what came of it.
import { html } from "./html.js";
import { signal } from "@preact/signals";
import { Who } from "./session.js";

const PAGES = [["/", "Shelf"], ["/counter", "Counter"], ["/queue", "Queue"], ["/release", "Files that may go"]];
const KEPT = "who decides"; // shared with the bench, for as long as the browser's window is open

export const by = signal(sessionStorage.getItem(KEPT) ?? "");

/** Take up who writes as the page now knows it: an account that came in has a name. */
export const readWriter = () => (by.value = sessionStorage.getItem(KEPT) ?? "");

/** @param {{title: string, writes?: boolean}} props */
export function Head({ title, writes = false }) {
  return html`<header class="row">
    ${PAGES.filter(([, words]) => words !== title).map(([path, words]) => html`<a href=${path}>${words}</a> `)}
    <h1>${title}</h1>
    ${writes ? html`<label>Who writes <input id="by" class="short" value=${by.value} autocomplete="off" onInput=${(/** @type {any} */ e) => {
      by.value = e.target.value;
      sessionStorage.setItem(KEPT, e.target.value);
    }} /></label>` : ""}
    <span class="push"><${Who} /></span>
  </header>`;
}

/** @param {{words: string, refused: boolean}} props */
export const Told = ({ words, refused }) => html`<p role=${refused ? "alert" : "status"} id="told" class=${refused ? "trouble" : "quiet"}>${words}</p>`;
