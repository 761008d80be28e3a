// Files that may go: each with gigabytes and why, what stays and why, and a person's word.
import { html } from "./html.js";
import { useEffect, useState } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { Head, Told, by, readWriter } from "./desk.js";

const AGAIN_MS = 700; // between two looks while files go
const told = signal(/** @type {any} */ (null));
const now = signal(/** @type {any} */ (null));
const trouble = signal("");
/** What is meant by each kind. @type {Record<string, string>} */
const WHAT = { frames: "captured frames", work: "proxies and segments", finished: "finished film that nobody ordered", everything: "everything" };

/** @param {() => Promise<void>} doIt */
async function tryIt(doIt) {
  try {
    await doIt();
    trouble.value = "";
  } catch (error) {
    trouble.value = /** @type {Error} */ (error).message;
  }
}

export const readList = () =>
  tryIt(async () => {
    readWriter();
    told.value = await ask.json("/api/release");
    now.value = told.value.now;
  });

/** @param {number} bytes */
const gigabytes = (bytes) => `${(bytes / 1e9).toFixed(3)} GB`;

export function ReleasePage() {
  const paper = told.value;
  const reels = paper ? [...new Set(paper.items.map((/** @type {any} */ i) => i.reel))] : [];
  const going = now.value?.going ?? "";
  document.title = paper ? `Files that may go: ${gigabytes(paper.may_go_bytes)}` : "Files that may go";
  useEffect(() => {
    if (!going) return undefined;
    const again = setInterval(() => tryIt(async () => {
      const next = await ask.json("/api/release/now");
      if (next.going) now.value = next;
      else await readList();
    }), AGAIN_MS);
    return () => clearInterval(again);
  }, [Boolean(going)]);
  return html`<main class="counter">
    <${Head} title="Files that may go" />
    <${Told} words=${trouble.value || now.value?.said || (paper ? `${gigabytes(paper.may_go_bytes)} may go. Nothing goes without a person's word.` : "The shelf is being read.")} refused=${Boolean(trouble.value || now.value?.refused)} />
    ${going ? html`<p id="going">${going} <progress aria-label="how far it is" max=${Math.max(1, now.value.of)} value=${now.value.done}></progress></p>` : ""}
    ${paper && !paper.book ? html`<p>There is no book on this shelf: holds, and whether film went back, are known to whoever gives the word, not to the program.</p>` : ""}
    ${paper && !reels.length ? html`<p>No reel here.</p>` : ""}
    ${reels.map((/** @type {any} */ reel) => html`<${Reel} key=${reel} reel=${reel} items=${paper.items.filter((/** @type {any} */ i) => i.reel === reel)} going=${Boolean(going)} />`)}
  </main>`;
}

/** @param {{reel: string, items: any[], going: boolean}} props */
function Reel({ reel, items, going }) {
  const may = [...new Set(items.filter((i) => items.every((each) => each.what !== i.what || each.may_go)).map((i) => i.what))];
  const [chosen, choose] = useState(/** @type {string[]} */ ([]));
  const asked = chosen.filter((what) => may.includes(what));
  const go = (/** @type {Event} */ event) => {
    event.preventDefault();
    const form = /** @type {HTMLFormElement} */ (event.currentTarget);
    const { who, why } = /** @type {Record<string, string>} */ (Object.fromEntries(new FormData(form)));
    sessionStorage.setItem("who decides", who);
    tryIt(async () => {
      now.value = await ask.send("/api/release/go", { by: who, reel, go: asked, why });
      choose([]);
    });
  };
  return html`<section aria-label=${`Reel ${reel}`} data-reel=${reel}>
    <h2>${reel}</h2>
    <ul class="plainlist">${items.map(
      (i) => html`<li data-what=${i.what} data-may=${i.may_go}>
        <strong>${WHAT[i.what] ?? i.what}${i.of ? ` of ${i.of}` : ""}</strong> ${i.may_go ? html`<span aria-hidden="true">○</span> may go, ${gigabytes(i.freed_bytes)}, ${i.files} files` : html`<span aria-hidden="true">■</span> stays`}
        ${i.interrupted ? html`<p class="trouble">A removal was interrupted; give the same word again and it goes on.</p>` : ""}
        <ul class="said">${(i.may_go ? i.because : i.against).map((/** @type {string} */ words) => html`<li>${words}</li>`)}</ul>
      </li>`,
    )}</ul>
    ${may.length ? html`<details><summary>Let files of ${reel} go</summary>
      <form class="row" onSubmit=${go} autocomplete="off">
        ${may.map((what) => html`<label><input type="checkbox" checked=${asked.includes(what)} onChange=${(/** @type {any} */ e) => choose(e.target.checked ? [...asked, what] : asked.filter((each) => each !== what))} /> ${WHAT[what] ?? what}</label>`)}
        <label>Whose word it is <input name="who" value=${by.value} required /></label>
        <label>Why <input class="long" name="why" required /></label>
        <button disabled=${going || !asked.length}>let them go for good</button>
      </form>
      <p class="quiet">Archive copy, second copy and the files themselves are read once more first; where anything differs, nothing goes.</p>
    </details>` : ""}
  </section>`;
}
