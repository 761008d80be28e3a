// The page: the Shelf, or one reel at the bench.
import { render } from "preact";
import { useEffect } from "preact/hooks";
import { signal } from "@preact/signals";
import { html } from "./html.js";
import * as ask from "./ask.js";
import { CounterPage, lookAround } from "./counter.js";
import { QueuePage, readQueue } from "./queue.js";
import { ReleasePage, readList } from "./release.js";
import { Shelf, look as readShelf } from "./shelf.js";
import { Pictures } from "./pictures.js";
import { Strip, StripState } from "./strip.js";
import { PictureWindow } from "./window.js";
import { FieldRow, Fields } from "./fields.js";
import { FrameNotes, Notes } from "./notes.js";
import { Picks } from "./picks.js";
import { Back } from "./back.js";
import { Who, whoAsks } from "./session.js";
import { Tour } from "./tour.js";
import { Sound, SoundAndPicture } from "./sound.js";
import { Verdict, Watching } from "./watching.js";
import { Marks, StillMarks } from "./marks.js";
import { WorkInHand, listen } from "./work.js";
import { KeyList, everywhere, keyboard, running, shown } from "./keys.js";

const SURROUNDS = [
  ["dim", "dim"],
  ["tenth", "ten per cent"],
  ["middle", "middle grey"],
];
const surround = signal(localStorage.getItem("surround") ?? "dim");
const bench = signal(/** @type {any} */ (null));
const trouble = signal("");

/** @param {string} reel */
async function openReel(reel) {
  try {
    const paper = await ask.json(ask.at(reel));
    const strip = /** @type {any} */ (new StripState(reel, paper));
    const floats = new Float32Array(await ask.bytes(ask.at(reel, "/lanes")));
    const n = paper.frames;
    strip.lanes = {
      rows: Float64Array.from({ length: n }, (_, row) => row + 0.5),
      values: paper.lanes.map((/** @type {any} */ _, /** @type {number} */ place) =>
        Array.from(floats.subarray(place * n, (place + 1) * n), (v) => (Number.isNaN(v) ? null : v)),
      ),
    };
    const pictures = new Pictures(reel, paper);
    const fields = new Fields(reel, pictures);
    strip.sound = new Sound(reel, strip, pictures, fields);
    const back = new Back(reel, fields);
    bench.value = { notes: new Notes(reel, fields), picks: new Picks(reel, fields), back, paper, strip, pictures, fields, watching: new Watching(reel, fields), marks: new Marks(reel, fields), keys: keyboard(pictures, strip, back) };
  } catch (error) {
    trouble.value = /** @type {Error} */ (error).message;
  }
}

/** What the page does, in its title and in words. Read apart from the page, which is not made anew for each picture. @param {any} props */
function State({ paper, pictures }) {
  const drawn = pictures.drawn.value;
  const words = `${paper.reel}: frame ${drawn ? drawn.row : "none yet"} of ${paper.frames}, ${running.value ? "running" : "standing"}`;
  useEffect(() => {
    const rest = setTimeout(() => (document.title = words), pictures.rested(0));
    return () => clearTimeout(rest);
  }, [words, pictures.passing.value]);
  return html`<span class="push">${running.value ? "running" : ""}</span>`;
}

/** @param {any} props */
const Trouble = ({ pictures }) => (pictures.trouble.value ? html`<p role="alert" class="trouble">${pictures.trouble.value}</p>` : "");

function ReelPage() {
  const open = bench.value;
  if (!open) return html`<main><h1>${name}</h1><p role="status" class=${trouble.value ? "trouble" : "quiet"}>${trouble.value || "The reel is being laid on the bench."}</p><p><a href="/">Shelf</a></p></main>`;
  const { notes, picks, back, paper, strip, pictures, fields, watching, marks, keys } = open;
  const go = (/** @type {number} */ row) => (pictures.go(row), strip.follow(row));
  useEffect(() => {
    document.documentElement.dataset.surround = surround.value;
  }, [surround.value]);
  return html`<main class="bench">
    <header class="row">
      <a href="/">Shelf</a>
      <h1>${paper.reel}</h1>
      <span>${paper.box_words}</span>
      <span class="quiet">${paper.gauge}, ${paper.frames} frames, ${paper.rate} frames a second</span>
      <${State} paper=${paper} pictures=${pictures} />
      <label>Surround <select value=${surround.value} onChange=${(/** @type {any} */ e) => {
        surround.value = e.target.value;
        localStorage.setItem("surround", e.target.value);
      }}>${SURROUNDS.map(([key, words]) => html`<option value=${key}>${words}</option>`)}</select></label>
      <button onClick=${() => (shown.value = !shown.value)}>keys</button>
      <${Who} />
    </header>
    <${Trouble} pictures=${pictures} />
    <${Strip} strip=${strip} pictures=${pictures} keys=${keys} names=${fields.paper.value?.names ?? {}} notes=${notes.list.value} />
    <${PictureWindow} pictures=${pictures} keys=${keys} fields=${fields} picks=${picks} />
    <${SoundAndPicture} sound=${strip.sound} />
    <${FieldRow} fields=${fields} back=${back} />
    <${StillMarks} marks=${marks} go=${go} />
    <${FrameNotes} notes=${notes} go=${go} />
    <${Verdict} watching=${watching} />
    <${WorkInHand} names=${[[name, paper.reel]]} />
    <${KeyList} />
    <${Tour} on="reel" reel=${name} />
  </main>`;
}

const place = document.getElementById("page");
const reel = location.pathname.match(/^\/reel\/([^/]+)$/);
/** Pages of the office, by their address. @type {Record<string, [any, () => Promise<void>]>} */
const OFFICE = { "/counter": [CounterPage, lookAround], "/queue": [QueuePage, readQueue], "/release": [ReleasePage, readList] };
const office = OFFICE[location.pathname];
const name = reel ? decodeURIComponent(reel[1]) : "";
document.documentElement.dataset.surround = surround.value;
if (!office) window.addEventListener("keydown", everywhere); // the bench's keys: at the counter a scanner types
if (place) {
  place.replaceChildren();
  render(html`<${reel ? ReelPage : (office?.[0] ?? Shelf)} />`, place);
}
await whoAsks().catch(() => {});
if (office) office[1]();
else {
  if (reel) openReel(name);
  else readShelf();
  listen(reel ? () => bench.value?.watching.read() : readShelf); // a run that ended may have made a film
}
