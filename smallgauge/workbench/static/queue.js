// The queue: what waits for the night, what runs and at which rate, with pause, stop and order.
import { html } from "./html.js";
import { useEffect } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { Head, Told, by, readWriter } from "./desk.js";

const AGAIN_MS = 3000; // between two looks while something runs or waits
const MOST_TOLD = 50; // jobs that have ended
const told = signal(/** @type {any} */ (null));
const said = signal({ words: "", refused: false });

export async function readQueue() {
  readWriter();
  try {
    told.value = await ask.json("/api/queue");
  } catch (error) {
    said.value = { words: /** @type {Error} */ (error).message, refused: true };
  }
}

/** @param {string} what @param {object} body @param {string} words */
async function act(what, body, words) {
  try {
    told.value = await ask.send(`/api/queue/${what}`, { by: by.value, ...body });
    said.value = { words, refused: false };
  } catch (error) {
    said.value = { words: /** @type {Error} */ (error).message, refused: true };
  }
}

/** What may be done about a job, by its state: address, words, and what is said then. @type {Record<string, string[][]>} */
const ACTS = {
  waiting: [["pause", "pause", "rests"], ["stop", "stop", "is stopped"]],
  paused: [["go-on", "go on", "waits again"], ["stop", "stop", "is stopped"]],
  running: [["stop", "stop", "is being stopped; what is whole is kept"]],
  stopped: [["go-on", "start again", "waits again"]],
  failed: [["go-on", "start again", "waits again"]],
};
/** What a state is called, behind a sign of its own shape. @type {Record<string, string>} */
const SIGNS = { waiting: "○ waiting", running: "▶ running", paused: "‖ resting", stopping: "□ stopping", stopped: "□ stopped", failed: "■ failed", open: "▲ done, and something is open", done: "● done" };
const LIVE = ["waiting", "running", "paused", "stopping"];

export function QueuePage() {
  const paper = told.value;
  const jobs = paper?.jobs ?? [];
  const live = jobs.filter((/** @type {any} */ j) => LIVE.includes(j.state));
  const ended = jobs.filter((/** @type {any} */ j) => !LIVE.includes(j.state)).reverse();
  const rest = live.filter((/** @type {any} */ j) => j.state === "waiting" || j.state === "paused").map((/** @type {any} */ j) => j.id);
  const running = live.filter((/** @type {any} */ j) => j.state === "running").length;
  document.title = paper ? `Queue: ${running} running, ${rest.length} waiting` : "Queue";
  useEffect(() => {
    const again = setInterval(() => (document.hidden ? undefined : readQueue()), AGAIN_MS);
    return () => clearInterval(again);
  }, []);
  const add = (/** @type {Event} */ event) => {
    event.preventDefault();
    const form = /** @type {HTMLFormElement} */ (event.currentTarget);
    const name = String(new FormData(form).get("name"));
    act("add", { name }, `${name} waits.`);
  };
  /** Put a job one place earlier, or first. @param {number} id @param {boolean} first */
  const move = (id, first) => {
    const at = rest.indexOf(id);
    const others = rest.filter((/** @type {number} */ each) => each !== id);
    act("order", { jobs: others.toSpliced(first ? 0 : Math.max(0, at - 1), 0, id) }, `Job ${id} comes earlier.`);
  };
  return html`<main class="counter">
    <${Head} title="Queue" writes=${true} />
    <${Told} words=${said.value.words || (paper ? `${running} running, ${rest.length} waiting.` : "The queue is being read.")} refused=${said.value.refused} />
    ${paper?.need_words ? html`<p id="need">${paper.need_words}</p>` : ""}
    ${paper ? html`<section aria-label="Put in the queue" class="work">
      <div class="row">
        <form id="add" class="row" onSubmit=${add}>
          <label>Reel or capture <select name="name">${paper.names.map((/** @type {string} */ n) => html`<option>${n}</option>`)}</select></label>
          <button disabled=${!paper.names.length}>put it in the queue</button>
        </form>
        ${live.length ? html`<button onClick=${() => act("pause", { jobs: [] }, "All that wait rest.")}>pause all</button> <button onClick=${() => act("go-on", { jobs: [] }, "All go on.")}>let all go on</button> <button onClick=${() => act("stop", { jobs: [] }, "All are stopped; what is whole is kept.")}>stop all</button>` : ""}
      </div>
      <p class="quiet">Jobs are run by <code>smallgauge queue run --shelf SHELF --by INITIALS</code>, tonight or now, one reel after the other.</p>
    </section>` : ""}
    <section aria-label="Waiting and running"><h2>Waiting and running</h2>
      ${live.length ? html`<ol class="runs">${live.map((/** @type {any} */ job) => html`<${Job} key=${job.id} job=${job} rest=${rest} move=${move} />`)}</ol>` : html`<p class="quiet">Nothing waits.</p>`}
    </section>
    <section aria-label="Ended"><h2>Ended</h2>
      ${ended.length ? html`<ol class="runs">${ended.slice(0, MOST_TOLD).map((/** @type {any} */ job) => html`<${Job} key=${job.id} job=${job} rest=${[]} move=${move} />`)}</ol>` : html`<p class="quiet">Nothing yet.</p>`}
      ${ended.length > MOST_TOLD ? html`<p class="quiet">${ended.length - MOST_TOLD} more in <code>smallgauge queue list</code>.</p>` : ""}
    </section>
  </main>`;
}

/** @param {{job: any, rest: number[], move: (id: number, first: boolean) => void}} props */
function Job({ job, rest, move }) {
  const far = job.progress;
  const later = rest.indexOf(job.id) > 0;
  return html`<li data-job=${job.id} data-state=${job.state}>
    <div><strong>${job.reel}</strong> <span class="quiet">job ${job.id}, asked by ${job.asked_by}</span></div>
    <div class="state">${SIGNS[job.state] ?? job.state}</div>
    <div>${job.state_words === job.state ? "" : job.state_words} ${far?.of ? html`<progress aria-label=${`${job.reel}: ${far.what}`} max=${Math.max(1, far.of)} value=${far.done}></progress>` : ""}</div>
    <div class="row">
      ${later ? html`<button aria-label=${`first: job ${job.id}`} onClick=${() => move(job.id, true)}>first</button><button aria-label=${`earlier: job ${job.id}`} onClick=${() => move(job.id, false)}>earlier</button>` : ""}
      ${(ACTS[job.state] ?? []).map(([what, words, then]) => html`<button aria-label=${`${words}: job ${job.id}`} onClick=${() => act(what, { jobs: [job.id] }, `Job ${job.id} ${then}.`)}>${words}</button>`)}
    </div>
  </li>`;
}
