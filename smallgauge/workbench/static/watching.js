// The finished film, played with its sound: what of it really ran before somebody's eyes, and the verdict.
import { html } from "./html.js";
import { useEffect, useRef } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

const FASTEST = 1.05; // a film that runs faster is not watched
const LONGEST_S = 20; // a stretch is noted after so long, so that little is lost with a page
const JUMP_S = 0.75; // between two looks at the player's clock: more is a jump

/** What the page knows of the film's being watched. */
export class Watching {
  /** @param {string} reel @param {any} fields */
  constructor(reel, fields) {
    this.reel = reel;
    this.fields = fields;
    this.paper = signal(/** @type {any} */ (null));
    this.open = signal(false);
    this.said = signal("");
    this.refused = signal(false);
    this.verdict = signal("");
    this.why = signal("");
    this.from = -1; // seconds of the film at which the stretch that runs began
    this.last = -1;
    this.began = 0; // the page's clock then
  }

  async read() {
    try {
      this.paper.value = await ask.json(ask.at(this.reel, "/watching"));
    } catch (error) {
      this.say(/** @type {Error} */ (error).message, true);
    }
  }

  /** @param {string} words @param {boolean} [refused] */
  say(words, refused = false) {
    this.said.value = words;
    this.refused.value = refused;
  }

  get rate() {
    const [up, down] = String(this.paper.value?.rate ?? "0").split("/").map(Number);
    return up / (down || 1);
  }

  /** A look at the player's clock. @param {HTMLVideoElement} film */
  look(film) {
    const now = film.currentTime;
    const runs = !film.paused && !film.seeking && film.playbackRate <= FASTEST && document.visibilityState === "visible";
    if (!runs || this.from < 0 || now < this.last || now - this.last > JUMP_S) {
      this.end();
      if (runs) this.begin(now);
      return;
    }
    this.last = now;
    if (now - this.from > LONGEST_S) {
      this.end();
      this.begin(now);
    }
  }

  /** @param {number} now */
  begin(now) {
    this.from = now;
    this.last = now;
    this.began = performance.now();
  }

  /** The stretch is over: it is noted. */
  async end() {
    const { from, last, began } = this;
    this.from = -1;
    const paper = this.paper.value;
    if (from < 0 || !paper?.film) return;
    const first = Math.round(from * this.rate);
    const stop = Math.min(paper.frames, Math.ceil(last * this.rate + 0.5));
    if (stop - first < 2) return;
    const body = { by: this.fields.by.value, film: paper.film, first, stop, milliseconds: Math.round(performance.now() - began) };
    try {
      this.paper.value = await ask.send(ask.at(this.reel, "/watched"), body);
      this.say("");
    } catch (error) {
      this.say(/** @type {Error} */ (error).message, true);
    }
  }

  async judge() {
    const paper = this.paper.value;
    const body = { by: this.fields.by.value, verdict: this.verdict.value, why: this.why.value, film: paper.film, revision: paper.revision };
    try {
      this.paper.value = await ask.send(ask.at(this.reel, "/judge"), body);
      this.say("The verdict is recorded.");
      this.why.value = "";
    } catch (error) {
      this.say(/** @type {Error} */ (error).message, true);
      await this.read();
    }
  }
}

const VERDICTS = ["ready", "ready with remarks", "not ready"];

/** @param {{watching: Watching}} props */
export function Verdict({ watching }) {
  useEffect(() => void watching.read(), []);
  const paper = watching.paper.value;
  if (!paper) return "";
  return html`<section class="fields" aria-label="Verdict" tabindex="-1" data-region="verdict">
    <h2>Verdict</h2>
    ${paper.judged ? html`<p>Judged <strong>${paper.judged.verdict}</strong> by ${paper.judged.by}, ${paper.judged.when}${paper.judged.why ? `: ${paper.judged.why}` : ""}.</p>` : html`<p class="quiet">Nobody has judged this film yet.</p>`}
    ${paper.out_of_date ? html`<p class="trouble" role="status">${paper.out_of_date}</p>` : ""}
    ${paper.film ? html`<${Film} watching=${watching} paper=${paper} />` : html`<p class="quiet">There is no finished film yet. Put the reel in hand up to render, then watch it here.</p>`}
  </section>`;
}

/** @param {{watching: Watching, paper: any}} props */
function Film({ watching, paper }) {
  const film = useRef(/** @type {any} */ (null));
  const look = () => film.current && watching.look(film.current);
  useEffect(() => () => void watching.end(), []);
  const gaps = paper.unwatched;
  const left = gaps.reduce((/** @type {number} */ sum, /** @type {number[]} */ gap) => sum + gap[1] - gap[0], 0);
  const go = (/** @type {number} */ frame) => {
    film.current.currentTime = (frame + 0.5) / watching.rate;
    film.current.focus();
  };
  return html`<div>
    <details open=${watching.open.value} onToggle=${(/** @type {any} */ e) => (watching.open.value = e.target.open)}>
      <summary>Watch the finished film (${paper.frames} frames, ${paper.rate} a second)</summary>
      ${watching.open.value
        ? html`<video ref=${film} class="film" controls preload="metadata" src=${ask.at(watching.reel, "/film")} aria-label="The finished film"
            onTimeUpdate=${look} onPlay=${look} onPause=${look} onSeeking=${look} onRateChange=${look} onEnded=${look}></video>`
        : ""}
    </details>
    <p id="watched">${left === 0 ? "All of it was watched." : left === paper.frames ? "Nothing of it was watched yet." : `${paper.frames - left} of ${paper.frames} frames were watched.`}
      ${paper.full_by.map((/** @type {any} */ each) => html` <span>${each.by} watched all of it${each.second ? ", and decided nothing about it" : ""}.</span>`)}</p>
    ${left && left < paper.frames ? html`<p>Not watched: ${gaps.slice(0, 12).map((/** @type {number[]} */ gap) => html`<button disabled=${!watching.open.value} onClick=${() => go(gap[0])}>${gap[0]} to ${gap[1] - 1}</button> `)}${gaps.length > 12 ? `and ${gaps.length - 12} more` : ""}</p>` : ""}
    <div class="row">
      <label>Verdict <select value=${watching.verdict.value} onChange=${(/** @type {any} */ e) => (watching.verdict.value = e.target.value)}>
        <option value="">choose</option>
        ${VERDICTS.map((each) => html`<option value=${each}>${each}</option>`)}
      </select></label>
      <label>Reason <input class="long" autocomplete="off" value=${watching.why.value} onInput=${(/** @type {any} */ e) => (watching.why.value = e.target.value)} /></label>
      <button disabled=${!watching.verdict.value} onClick=${() => watching.judge()}>record the verdict</button>
    </div>
    <p role="status" class=${watching.refused.value ? "trouble" : "quiet"} id="judged">${watching.said.value}</p>
  </div>`;
}
