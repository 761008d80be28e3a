// Work in hand: what the machine does for this Shelf, told by events as it goes on, with pause and stop.
import { html } from "./html.js";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

/** @typedef {{id: number, reel: string, title: string, pack: boolean, upto: string, state: string, what: string, done: number, of: number, left_words: string, words: string, findings: string[]}} Item */

export const items = signal(/** @type {Item[]} */ ([]));
const steps = signal(/** @type {[string, string][]} */ ([]));
const trouble = signal("");
const name = signal("");
const upto = signal("deliver");

/** Take in events from now on. @param {() => void} [ended] called where a run began or ended */
export function listen(ended) {
  const source = new EventSource("/api/hand/events");
  source.addEventListener("work", (event) => {
    const told = JSON.parse(event.data);
    const before = states();
    if (told.event) {
      items.value = told.items;
      steps.value = told.steps;
    } else {
      for (const item of told.items) take(item);
    }
    if (ended && states() !== before) ended();
  });
  window.addEventListener("pagehide", () => source.close());
}

const states = () => items.value.map((item) => `${item.id} ${item.state}`).join();

/** @param {Item} item */
function take(item) {
  const rest = items.value.filter((each) => each.id !== item.id);
  items.value = item.state === "put away" ? rest : [...rest, item].sort((a, b) => a.id - b.id);
}

/** @param {string} address @param {object} body */
async function act(address, body) {
  try {
    await ask.send(address, body); // what came of it is told by the next event
    trouble.value = "";
  } catch (error) {
    trouble.value = /** @type {Error} */ (error).message;
  }
}

/** What may be done about a run, by its state. @type {Record<string, [string, string][]>} */
const ACTS = {
  waiting: [["stop", "stop"]],
  running: [["pause", "pause"], ["stop", "stop"]],
  paused: [["go-on", "go on"], ["stop", "stop"]],
  stopped: [["again", "start again"], ["put-away", "put away"]],
  failed: [["again", "start again"], ["put-away", "put away"]],
  done: [["put-away", "put away"]],
};
/** What a state is called, behind a sign of its own shape. @type {Record<string, string>} */
const SIGNS = { waiting: "○ waiting", running: "▶ running", paused: "‖ pausing", stopping: "□ stopping", stopped: "□ stopped", failed: "■ failed", done: "● done" };

/** The section: runs, and a form that puts one in hand. @param {{names: [string, string][]}} props names that may be put in hand, with their words */
export function WorkInHand({ names }) {
  const chosen = names.some(([key]) => key === name.value) ? name.value : (names[0]?.[0] ?? "");
  return html`<section class="work" aria-label="Work in hand" tabindex="-1" data-region="work">
    <div class="row">
      <h2>Work in hand</h2>
      ${
        names.length
          ? html`<form class="row" onSubmit=${(/** @type {Event} */ e) => {
              e.preventDefault();
              act("/api/hand/start", { name: chosen, upto: upto.value });
            }}>
              ${
                names.length > 1
                  ? html`<label>Put in hand <select id="hand-name" value=${chosen} onChange=${(/** @type {any} */ e) => (name.value = e.target.value)}>${names.map(([key, words]) => html`<option value=${key}>${words}</option>`)}</select></label>`
                  : html`<span>Put ${names[0][1]} in hand</span>`
              }
              <label>up to <select id="hand-upto" value=${upto.value} onChange=${(/** @type {any} */ e) => (upto.value = e.target.value)}>${steps.value.map(([key, words]) => html`<option value=${key} selected=${key === upto.value}>${words}</option>`)}</select></label>
              <button>start</button>
            </form>`
          : ""
      }
    </div>
    <p role="status" class=${trouble.value ? "trouble" : "quiet"}>${trouble.value || (items.value.length ? `${items.value.filter((i) => i.state === "running").length} running, ${items.value.filter((i) => i.state === "waiting").length} waiting.` : "Nothing is in hand.")}</p>
    <ul class="runs">${items.value.map((item) => html`<${Run} key=${item.id} item=${item} />`)}</ul>
  </section>`;
}

/** @param {{item: Item}} props */
function Run({ item }) {
  return html`<li data-run=${item.reel} data-state=${item.state}>
    <div><strong>${item.reel}</strong> ${item.title}</div>
    <div class="state">${SIGNS[item.state] ?? item.state}</div>
    <div>
      ${
        item.what && (item.state === "running" || item.state === "paused")
          ? html`<span>${item.what}: ${item.done} of ${item.of}</span> <progress aria-label=${`${item.reel}: ${item.what}`} max=${Math.max(1, item.of)} value=${item.done}></progress> <span class="quiet">${item.left_words}</span>`
          : item.words
      }
      ${item.findings.length ? html`<ul class="said">${item.findings.map((words) => html`<li>${words}</li>`)}</ul>` : ""}
    </div>
    <div class="row">
      ${(ACTS[item.state] ?? []).map(([what, words]) => html`<button aria-label=${`${words}: ${item.reel}`} onClick=${() => act(`/api/hand/${item.id}/${what}`, {})}>${words}</button>`)}
    </div>
  </li>`;
}
