// Sound and picture: the wave along the strip, slices to listen to with their pictures, and pairs that bring both in step.
// A slice runs by the clock of the sound that is heard: the picture follows it, never the other way round.
import { html } from "./html.js";
import { useEffect, useRef } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

const HEIGHT = 64;
const SLICE_MS = 2000;
const AHEAD_S = 0.06; // between the order to play and the first sample
const STEP_S = 0.005; // of the moment, by an arrow key

/** What the page knows of the reel's sound. */
export class Sound {
  /** @param {string} reel @param {any} strip @param {any} pictures @param {any} fields */
  constructor(reel, strip, pictures, fields) {
    this.reel = reel;
    this.strip = strip;
    this.pictures = pictures;
    this.fields = fields;
    this.paper = signal(/** @type {any} */ (null));
    this.wave = signal(/** @type {any} */ (null)); // {first, stop, peaks}
    this.table = signal(/** @type {any} */ (null));
    this.picture = signal(/** @type {any} */ (null)); // {row, stamp} of the picture of a pair that is being made
    this.moment = signal(/** @type {any} */ (null)); // {sound_s, place}
    this.seen = signal("");
    this.said = signal("");
    this.refused = signal(false);
    this.heard = signal("");
    this.louder = signal(0);
    this.plays = signal(false);
    this.waveWish = "";
    this.momentWish = "";
    this.secondWish = /** @type {number|null} */ (null); // the newest wish where it is a second; its answer may be under way
    this.pointing = /** @type {Promise<void>|null} */ (null); // until the moment is the one that was pointed at
    /** @type {AudioContext|null} */
    this.context = null;
    this.end = () => {};
  }

  /** @param {string} words @param {boolean} [refused] */
  say(words, refused = false) {
    this.said.value = words;
    this.refused.value = refused;
  }

  get silent() {
    return !this.paper.value || this.paper.value.how === "none";
  }

  async read() {
    try {
      this.paper.value = await ask.json(ask.at(this.reel, "/sound"));
      this.table.value = null;
    } catch (error) {
      this.say(/** @type {Error} */ (error).message, true);
    }
  }

  /** The wave under the strip; only the newest wish is drawn. */
  async fetchWave() {
    const [first, stop] = this.strip.view.value;
    const parts = Math.min(4096, this.strip.width.value);
    if (this.silent || !parts) return;
    const wish = `/sound/peaks?first=${first}&stop=${stop}&parts=${parts}`;
    this.waveWish = wish;
    try {
      const peaks = new Float32Array(await ask.bytes(ask.at(this.reel, wish)));
      if (wish === this.waveWish) this.wave.value = { first, stop, peaks };
    } catch (error) {
      this.say(/** @type {Error} */ (error).message, true);
    }
  }

  /** The moment of the sound by a place along the strip, or by a second; the newest wish is next. @param {string} wish */
  point(wish) {
    this.momentWish = wish;
    this.pointing ??= this.follow().finally(() => (this.pointing = null));
    return this.pointing;
  }

  async follow() {
    try {
      for (let asked = ""; asked !== this.momentWish; ) {
        asked = this.momentWish;
        const told = await ask.json(ask.at(this.reel, `/sound/moment?${asked}`));
        if (told.sound_s === null) this.say("No captured sound lies there.", true);
        else {
          this.moment.value = told;
          this.say("");
        }
      }
    } catch (error) {
      this.say(/** @type {Error} */ (error).message, true);
    }
  }

  /** @param {number} place of the strip, rows */
  pointAt(place) {
    const row = Math.max(0, Math.min(this.strip.paper.frames - 1, Math.floor(place)));
    this.secondWish = null;
    return this.point(`row=${row}&thousandths=${Math.max(0, Math.min(1000, Math.round(1000 * (place - row))))}`);
  }

  /** @param {number} second */
  pointSecond(second) {
    this.secondWish = Math.max(0, Math.min(this.paper.value.seconds, second));
    return this.point(`microseconds=${Math.round(1e6 * this.secondWish)}`);
  }

  /** Move the moment on from where it was last wished to be, whether or not that was answered yet. @param {number} by_s */
  async move(by_s) {
    while (this.pointing && this.secondWish === null) await this.pointing;
    const now = this.pointing ? this.secondWish : (this.moment.value?.sound_s ?? null);
    return now === null ? this.pointAt(this.pictures.drawn.value?.row ?? 0) : this.pointSecond(now + by_s);
  }

  /** The drawn picture is that of the next pair. */
  take() {
    const drawn = this.pictures.drawn.value;
    if (this.silent || !drawn) return;
    this.picture.value = { row: drawn.row, stamp: drawn.stamp };
    this.say(`Picture of the pair: frame ${drawn.row}.`);
  }

  /** Set the pair, or take one away: a decision like any other. @param {object} what */
  async pair(what) {
    const body = { revision: this.paper.value.revision, by: this.fields.by.value, why: this.seen.value, ...what };
    try {
      this.paper.value = await ask.send(ask.at(this.reel, "/pair"), body);
      this.picture.value = null;
      this.seen.value = "";
      if (this.moment.value) await this.pointSecond(this.moment.value.sound_s);
      this.say(`Recorded, revision ${this.paper.value.revision}. The sound lies anew.`);
    } catch (error) {
      this.say(/** @type {Error} */ (error).message, true);
      if (/** @type {any} */ (error).status === 409) await this.read();
    }
    await this.fields.read();
  }

  async make() {
    while (this.pointing) await this.pointing;
    const { value: picture } = this.picture;
    if (!picture) this.say("A pair needs its picture: draw it, then take it.", true);
    else if (!this.moment.value) this.say("A pair needs its moment: point at the wave, or type the second.", true);
    else await this.pair({ ...picture, sound_s: this.moment.value.sound_s, keep: true });
  }

  /** Play a slice from the drawn picture on; the pictures follow the sound's own clock. */
  async listen() {
    if (this.plays.value) return this.end();
    const from = this.pictures.drawn.value?.row;
    if (this.silent || from === undefined) return undefined;
    this.plays.value = true;
    this.heard.value = "";
    const look = this.pictures.look.value;
    try {
      this.context ??= new AudioContext();
      const [told, data] = await Promise.all([
        ask.json(ask.at(this.reel, `/sound/steps/${from}?milliseconds=${SLICE_MS}`)),
        ask.bytes(ask.at(this.reel, `/sound/slice/${from}?milliseconds=${SLICE_MS}`)),
      ]);
      const rows = told.steps.map((/** @type {number[]} */ step) => step[0]);
      if (look !== "capture") this.pictures.lookAs("capture");
      await this.pictures.hold(Math.min(...rows), Math.max(...rows) + 1);
      const buffer = await this.context.decodeAudioData(data);
      await this.context.resume();
      const late = await this.play(buffer, told.steps);
      const all = `${late.drawn} of ${told.steps.length} pictures drawn, the latest ${Math.round(1000 * late.worst)} ms after its sound`;
      this.heard.value = `Frames ${rows[0]} to ${rows[rows.length - 1]}, ${late.heard.toFixed(1)} s, ${told.how === "laid" ? "as laid to the picture" : "as captured"}: ${all}.`;
    } catch (error) {
      this.heard.value = /** @type {Error} */ (error).message;
    }
    this.plays.value = false;
    this.pictures.go(from);
    if (look !== this.pictures.look.value) this.pictures.lookAs(look);
    return undefined;
  }

  /**
   * Play, and draw each picture once it is due.
   * @param {AudioBuffer} buffer @param {number[][]} steps
   * @returns {Promise<{drawn: number, worst: number, heard: number}>}
   */
  play(buffer, steps) {
    const context = /** @type {AudioContext} */ (this.context);
    const source = context.createBufferSource();
    const gain = context.createGain();
    gain.gain.value = 10 ** (this.louder.value / 20);
    source.buffer = buffer;
    source.connect(gain).connect(context.destination);
    const begins = context.currentTime + AHEAD_S;
    source.start(begins);
    return new Promise((done) => {
      const seen = { drawn: 0, worst: 0, heard: 0 };
      let at = -1;
      const look = () => {
        const heard = context.currentTime - (context.outputLatency || 0) - begins;
        let due = at;
        while (due + 1 < steps.length && steps[due + 1][1] <= heard) due += 1;
        if (due !== at) {
          at = due;
          this.pictures.go(steps[due][0]);
          if (this.pictures.drawn.value.row === steps[due][0]) {
            seen.drawn += 1;
            seen.worst = Math.max(seen.worst, heard - steps[due][1]);
          }
        }
        seen.heard = Math.max(0, Math.min(heard, buffer.duration));
        if (heard >= buffer.duration || document.visibilityState !== "visible") this.end();
        else frame = requestAnimationFrame(look);
      };
      let frame = requestAnimationFrame(look);
      this.end = () => {
        this.end = () => {};
        cancelAnimationFrame(frame);
        source.stop();
        source.disconnect();
        done(seen);
      };
    });
  }

  async readAsNumbers() {
    if (this.table.value) {
      this.table.value = null;
      return;
    }
    const [first, stop] = this.strip.view.value;
    this.table.value = await ask.json(ask.at(this.reel, `/sound/rows?first=${first}&count=${Math.min(200, stop - first)}`));
  }
}

/** The wave in the strip, with the pairs and the moment over it. @param {{sound: Sound}} props */
export function Wave({ sound }) {
  const { strip } = sound;
  const canvas = useRef(/** @type {any} */ (null));
  const [first, stop] = strip.view.value;
  const width = strip.width.value;
  const revision = sound.fields.paper.value?.revision;
  useEffect(() => {
    if (revision !== undefined) sound.read(); // behind the fields, which are wanted first
  }, [revision]);
  const paper = sound.paper.value;
  useEffect(() => void sound.fetchWave(), [first, stop, width, paper]);
  const wave = sound.wave.value;
  const high = wave ? highest(wave.peaks) : 0;
  useEffect(() => {
    if (!canvas.current || !wave) return;
    drawWave(canvas.current, wave.peaks, high);
    canvas.current.dataset.drawn = `${wave.first} ${wave.stop}`;
  }, [wave, high, paper?.how === "none"]);
  if (!paper && strip.paper.silent) return "";
  if (!paper) return html`<div class="layer wave none"><span class="quiet">${sound.refused.value ? sound.said.value : "The sound is being laid."}</span></div>`;
  if (paper.how === "none") return html`<div class="layer wave none"><span class="quiet">${paper.words}</span></div>`;
  const moment = sound.moment.value;
  const lies = (/** @type {number|null} */ place) => place !== null && place >= first && place <= stop;
  const down = (/** @type {PointerEvent} */ event) => {
    const area = canvas.current.getBoundingClientRect();
    sound.pointAt(first + ((event.clientX - area.left) / area.width) * (stop - first));
    canvas.current.parentElement.focus();
  };
  const level = high > 0 ? `tallest here ${(20 * Math.log10(high)).toFixed(1)} dB of full scale` : wave ? "no sound in this stretch" : "";
  return html`<div class="layer wave" tabindex="0" role="slider" aria-label="Moment of the sound" data-place="wave"
      aria-valuemin="0" aria-valuemax=${paper.seconds} aria-valuenow=${moment ? moment.sound_s : 0}
      aria-valuetext=${moment ? `${moment.sound_s.toFixed(4)} s of the captured sound` : "no moment yet"}
      onKeyDown=${momentKeys(sound)} onPointerDown=${down}>
    <canvas ref=${canvas} width=${Math.max(1, width)} height=${HEIGHT} aria-hidden="true"></canvas>
    ${paper.pairs.map((/** @type {any} */ p) => html`
      ${lies(p.row) ? html`<div class="pair-picture" style=${{ left: `${strip.place(p.row)}%` }} title=${`picture of a pair: frame ${p.row}`}></div>` : ""}
      ${lies(p.place) ? html`<div class="pair-sound" style=${{ left: `${strip.place(p.place)}%` }} title=${`sound of the pair at frame ${p.row}: ${p.sound_s} s`}></div>` : ""}`)}
    <${Ghost} sound=${sound} />
    ${moment && lies(moment.place) ? html`<div class="moment" style=${{ left: `${strip.place(moment.place)}%` }}></div>` : ""}
    <div class="name">Sound, ${paper.how === "laid" ? "as laid" : "as captured, not laid"} <span class="value">${level}</span></div>
  </div>`;
}

/** Where the drawn picture's sound would lie with the head at the gate: read apart from the wave. @param {{sound: Sound}} props */
function Ghost({ sound }) {
  const { strip } = sound;
  const [first, stop] = strip.view.value;
  const drawn = sound.pictures.drawn.value;
  const apart = sound.paper.value.standard_rows;
  if (!drawn || apart === null || drawn.row + apart < first || drawn.row + apart > stop) return "";
  return html`<div class="ghost" style=${{ left: `${strip.place(drawn.row + apart)}%` }} title="the drawn picture's sound would lie here if the machine's head were at its gate"></div>`;
}

/** @param {Float32Array} peaks */
function highest(peaks) {
  let high = 0;
  for (const each of peaks) if (Math.abs(each) > high) high = Math.abs(each);
  return high;
}

/** A line from the lowest to the highest value of each part; a dotted middle where no sound lies. @param {HTMLCanvasElement} canvas @param {Float32Array} peaks @param {number} high */
function drawWave(canvas, peaks, high) {
  const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  const parts = peaks.length / 2;
  const middle = HEIGHT / 2;
  const tall = (middle - 1) / (high || 1);
  context.clearRect(0, 0, canvas.width, HEIGHT);
  context.fillStyle = "#d2d2d2";
  for (let n = 0; n < parts; n += 1) {
    const x = (n * canvas.width) / parts;
    const [low, top] = [peaks[2 * n], peaks[2 * n + 1]];
    if (Number.isNaN(low)) {
      if (n % 6 < 2) context.fillRect(x, middle, canvas.width / parts, 1);
      continue;
    }
    const from = middle - top * tall;
    context.fillRect(x, from, Math.max(1, canvas.width / parts), Math.max(1, (top - low) * tall));
  }
}

/** Arrow keys move the moment, Enter makes the pair. @param {Sound} sound */
const momentKeys = (sound) => (/** @type {KeyboardEvent} */ event) => {
  if (event.altKey || event.ctrlKey || event.metaKey) return;
  const up = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
  if (up === undefined && event.key !== "Enter") return;
  event.preventDefault();
  event.stopPropagation();
  if (event.key === "Enter") return sound.make();
  const by_s = event.shiftKey ? (sound.paper.value.speed * sound.paper.value.frame_s) : STEP_S;
  sound.move((up ?? 0) * by_s);
};

/** The section below the picture: listen, make a pair, the pairs. @param {{sound: Sound}} props */
export function SoundAndPicture({ sound }) {
  const paper = sound.paper.value;
  const drawn = sound.pictures.drawn.value;
  const picture = sound.picture.value;
  const moment = sound.moment.value;
  if (!paper) return sound.said.value ? html`<section class="fields" aria-label="Sound and picture" tabindex="-1" data-region="sound"><h2>Sound and picture</h2><p role="status" class="trouble">${sound.said.value}</p></section>` : "";
  if (paper.how === "none") return html`<section class="fields" aria-label="Sound and picture" tabindex="-1" data-region="sound"><h2>Sound and picture</h2><p class="quiet">${paper.words}</p></section>`;
  const make = (/** @type {Event} */ event) => {
    event.preventDefault();
    sound.make();
  };
  return html`<section class="fields" aria-label="Sound and picture" tabindex="-1" data-region="sound">
    <h2>Sound and picture</h2>
    <p id="laid">${paper.words}</p>
    <div class="row">
      <button disabled=${!drawn} onClick=${() => sound.listen()}>${sound.plays.value ? "stop" : `listen from frame ${drawn?.row ?? ""}`}</button>
      <label>louder by <input type="range" id="louder" min="0" max="24" step="3" value=${sound.louder.value} onInput=${(/** @type {any} */ e) => (sound.louder.value = Number(e.target.value))} /> <output>${sound.louder.value} dB</output></label>
      <button aria-expanded=${sound.table.value !== null} onClick=${() => sound.readAsNumbers()}>the sound as numbers</button>
    </div>
    <p role="status" id="heard" class="quiet">${sound.heard.value}</p>
    <form class="row" onSubmit=${make} autocomplete="off">
      <span>Pair: <strong id="pair-picture">${picture ? `frame ${picture.row}` : "no picture yet"}</strong></span>
      <button type="button" disabled=${!drawn} onClick=${() => sound.take()}>take the drawn picture</button>
      <label>second of the captured sound <input class="number" id="pair-second" inputmode="decimal" value=${moment ? String(moment.sound_s) : ""} onChange=${(/** @type {any} */ e) => {
        const typed = Number(e.target.value);
        if (e.target.value.trim() && Number.isFinite(typed)) sound.pointSecond(typed);
      }} /></label>
      <label>What is seen and heard <input class="long" id="pair-seen" value=${sound.seen.value} onInput=${(/** @type {any} */ e) => (sound.seen.value = e.target.value)} /></label>
      <button>make the pair</button>
    </form>
    <p role="status" class=${sound.refused.value ? "trouble" : "quiet"} id="paired">${sound.said.value}</p>
    ${paper.pairs.length ? html`<${Pairs} sound=${sound} paper=${paper} />` : html`<p class="quiet">No pair yet.</p>`}
    ${sound.table.value ? html`<${SoundNumbers} sound=${sound} table=${sound.table.value} />` : ""}
  </section>`;
}

/** @param {{sound: Sound, paper: any}} props */
function Pairs({ sound, paper }) {
  const go = (/** @type {any} */ p) => {
    sound.pictures.go(p.row);
    sound.strip.follow(p.row);
    sound.pointSecond(p.sound_s);
  };
  return html`<div class="numbers" tabindex="0" role="region" aria-label="Pairs">
      <table>
        <caption>Pairs, and how the sound lies at each by the map in force</caption>
        <thead><tr><th scope="col">picture</th><th scope="col">captured sound, s</th><th scope="col">its sound is heard</th><th scope="col">in frames</th><th scope="col">change</th></tr></thead>
        <tbody>${paper.pairs.map((/** @type {any} */ p) => html`<tr>
          <th scope="row"><button class="plain" onClick=${() => go(p)}>frame ${p.row}</button></th>
          <td>${p.sound_s}</td><td>${leftWords(p.left_ms)}</td><td>${p.left_frames === null ? "not known" : p.left_frames.toFixed(2)}</td>
          <td><button onClick=${() => sound.pair({ row: p.row, stamp: sound.pictures.stampOf(p.row), keep: false })}>take away<span class="hidden"> the pair at frame ${p.row}</span></button></td>
        </tr>`)}</tbody>
      </table>
    </div>
    <p class="quiet">The film begins at ${paper.film_begins_s.toFixed(3)} s of the captured sound, and takes ${paper.speed.toFixed(4)} s of it a second.
      ${paper.drift_ms_a_minute === null ? "" : ` From pair to pair the sound falls ${Math.abs(paper.drift_ms_a_minute).toFixed(1)} ms a minute ${paper.drift_ms_a_minute < 0 ? "ahead" : "behind"}.`}</p>`;
}

/** @param {number|null} ms */
function leftWords(ms) {
  if (ms === null) return "not known";
  if (Math.abs(ms) < 0.5) return "in step";
  return `${Math.abs(ms).toFixed(1)} ms ${ms > 0 ? "late" : "early"}`;
}

/** @param {{sound: Sound, table: any}} props */
function SoundNumbers({ sound, table }) {
  return html`<div class="numbers" tabindex="0" role="region" aria-label="The sound as numbers">
    <table>
      <caption>Sound of frames ${table.first} to ${table.stop - 1} of ${table.of}</caption>
      <thead><tr>${table.columns.map((/** @type {string} */ c) => html`<th scope="col">${c}</th>`)}</tr></thead>
      <tbody>${table.rows.map((/** @type {any[]} */ row) => html`<tr>
        <th scope="row"><button class="plain" onClick=${() => sound.pictures.go(row[0])}>${row[0]}</button></th>
        ${row.slice(1).map((cell) => html`<td>${cell === null ? "no sound" : cell}</td>`)}
      </tr>`)}</tbody>
    </table>
  </div>`;
}
