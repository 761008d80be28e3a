// The reel along the top of the page: little pictures, scenes, flags and lanes, with one line for the drawn frame.
import { html } from "./html.js";
import { useEffect, useRef } from "preact/hooks";
import { signal } from "@preact/signals";
import uPlot from "uplot";
import * as ask from "./ask.js";
import { Wave } from "./sound.js";

const LANE_HEIGHT = 34;
const PICTURE_ASPECT = 4 / 3;

/** What the strip shows of the reel. */
export class StripState {
  /** @param {string} reel @param {any} paper */
  constructor(reel, paper) {
    this.reel = reel;
    this.paper = paper;
    this.view = signal([0, paper.frames]);
    this.table = signal(/** @type {any} */ (null));
    this.width = signal(0);
    this.sound = /** @type {any} */ (null); // what the page knows of the reel's sound
  }

  /** Rows under a share of the strip's width. @param {number} share */
  rowAt(share) {
    const [first, stop] = this.view.value;
    return Math.max(0, Math.min(this.paper.frames - 1, Math.floor(first + share * (stop - first))));
  }

  /** Share of the width at which a row begins, in per cent. @param {number} row */
  place(row) {
    const [first, stop] = this.view.value;
    return (100 * (row - first)) / (stop - first);
  }

  /** @param {number} first @param {number} stop */
  magnify(first, stop) {
    const least = Math.min(8, this.paper.frames);
    const low = Math.max(0, Math.min(Math.floor(first), this.paper.frames - least));
    this.view.value = [low, Math.min(this.paper.frames, Math.max(low + least, Math.ceil(stop)))];
  }

  /** Keep a row in view. @param {number} row */
  follow(row) {
    const [first, stop] = this.view.value;
    if (row >= first && row < stop) return;
    const half = Math.floor((stop - first) / 2);
    const low = Math.max(0, Math.min(this.paper.frames - (stop - first), row - half));
    this.view.value = [low, low + (stop - first)];
  }

  async readAsNumbers() {
    if (this.table.value) {
      this.table.value = null;
      return;
    }
    const [first, stop] = this.view.value;
    this.table.value = await ask.json(ask.at(this.reel, `/rows?first=${first}&count=${Math.min(200, stop - first)}`));
  }
}

/** @param {{strip: StripState, pictures: import("./pictures.js").Pictures, keys: (event: KeyboardEvent) => void, names: Record<string, string>, notes: any[]}} props */
export function Strip({ strip, pictures, keys, names, notes }) {
  const box = useRef(/** @type {any} */ (null));
  useEffect(() => {
    const watch = new ResizeObserver(() => (strip.width.value = Math.floor(box.current.clientWidth)));
    watch.observe(box.current);
    return () => watch.disconnect();
  }, []);
  const [first, stop] = strip.view.value;
  const flags = strip.paper.flags.filter((/** @type {any} */ f) => f.stop > first && f.first < stop);
  const noted = notes.filter((n) => n.row !== null && n.row >= first && n.row < stop).map((n) => ({ ...n, first: n.row }));
  const whole = first === 0 && stop === strip.paper.frames;
  return html`<section class="strip" aria-label="Strip" tabindex="0" onKeyDown=${keys} data-region="strip">
    <div class="stack" ref=${box}>
      <${LittlePictures} strip=${strip} pictures=${pictures} />
      <div class="layer scenes" onPointerDown=${scrub(strip, pictures)}>
        ${strip.paper.scenes
          .filter((/** @type {any} */ s) => s.stop > first && s.first < stop)
          .map((/** @type {any} */ s) => {
            const left = Math.max(0, strip.place(s.first));
            const right = Math.min(100, strip.place(s.stop));
            return html`<div class="scene" style=${{ left: `${left}%`, width: `${right - left}%` }}><span>scene ${s.scene + 1}${names[s.scene] ? `: ${names[s.scene]}` : ""}</span></div>`;
          })}
        ${strip.paper.splices
          .filter((/** @type {any} */ s) => s.row >= first && s.row < stop)
          .map((/** @type {any} */ s) => html`<div class="splice" title=${`splice before frame ${s.row}, ${s.kind}`} style=${{ left: `${strip.place(s.row)}%` }}></div>`)}
      </div>
      <div class="layer flags">
        ${thinned(flags, strip).map(
          (/** @type {any} */ f) => html`<button
            class="flag"
            style=${{ left: `${Math.max(0, strip.place(f.first))}%` }}
            title=${`${f.name}, frames ${f.first} to ${f.stop - 1}: ${f.words}`}
            onClick=${() => pictures.go(f.first)}
          >
            <span aria-hidden="true">${f.doubt ? "▲" : "●"}</span> ${f.more ? `${f.more + 1} places` : f.name}
          </button>`,
        )}
        ${flags.length ? "" : html`<span class="quiet none">no flag in this stretch</span>`}
      </div>
      ${
        noted.length
          ? html`<div class="layer flags notes">
              ${thinned(noted, strip).map(
                (/** @type {any} */ n) => html`<button class="flag" style=${{ left: `${Math.max(0, strip.place(n.first))}%` }} title=${`frame ${n.row}, ${n.by}: ${n.words}`} onClick=${() => pictures.go(n.row)}>
                  <span aria-hidden="true">▼</span> ${n.more ? `${n.more + 1} notes` : `note: ${n.words.slice(0, 14)}${n.words.length > 14 ? "…" : ""}`}
                </button>`,
              )}
            </div>`
          : ""
      }
      ${strip.paper.lanes.map((/** @type {any} */ lane, /** @type {number} */ n) => html`<${Lane} key=${lane.name} strip=${strip} pictures=${pictures} lane=${lane} number=${n} />`)}
      <${Wave} sound=${strip.sound} />
      <${Now} strip=${strip} pictures=${pictures} />
    </div>
    <div class="row under">
      <span>frames ${first} to ${stop - 1} of ${strip.paper.frames}${strip.paper.runs === "tail first" ? ", in the order in which the capture ran (tail first)" : ""}</span>
      <button disabled=${whole} onClick=${() => strip.magnify(0, strip.paper.frames)}>whole reel</button>
      <button disabled=${whole} onClick=${() => strip.magnify(first - (stop - first) / 2, stop + (stop - first) / 2)}>wider</button>
      <button onClick=${() => closer(strip, pictures)}>closer</button>
      <button aria-expanded=${strip.table.value !== null} onClick=${() => strip.readAsNumbers()}>read as numbers</button>
    </div>
    ${strip.table.value ? html`<${Numbers} table=${strip.table.value} pictures=${pictures} />` : ""}
  </section>`;
}

/** The line of the drawn frame: read apart from the strip, which is not made anew for each picture. @param {any} props */
function Now({ strip, pictures }) {
  const [first, stop] = strip.view.value;
  const drawn = pictures.drawn.value;
  if (!drawn || drawn.row < first || drawn.row >= stop) return "";
  return html`<div class="now" style=${{ left: `${strip.place(drawn.row + 0.5)}%` }}></div>`;
}

/** A third of the stretch, around the drawn frame. @param {StripState} strip @param {any} pictures */
function closer(strip, pictures) {
  const [first, stop] = strip.view.peek();
  const middle = pictures.drawn.peek()?.row ?? first;
  strip.magnify(middle - (stop - first) / 6, middle + (stop - first) / 6);
}

/** Flags that would lie on one another become one that says how many. @param {any[]} flags @param {StripState} strip */
function thinned(flags, strip) {
  const shown = [];
  const apart = (100 * 130) / Math.max(300, strip.width.value);
  for (const flag of flags) {
    const last = shown[shown.length - 1];
    const place = Math.max(0, strip.place(flag.first));
    if (last && place - last.place < apart) last.more += 1;
    else shown.push({ ...flag, place, more: 0 });
  }
  return shown;
}

/** Pointer down and drag: the picture goes where the pointer is. @param {StripState} strip @param {any} pictures */
const scrub = (strip, pictures) => (/** @type {PointerEvent} */ event) => {
  const box = /** @type {HTMLElement} */ (event.currentTarget);
  const area = box.getBoundingClientRect(); // once: asked for at each move it would lay out the page each time
  const to = (/** @type {PointerEvent} */ e) => {
    pictures.go(strip.rowAt((e.clientX - area.left) / area.width));
  };
  const end = () => {
    pictures.pass(false);
    box.removeEventListener("pointermove", to);
    box.removeEventListener("pointerup", end);
    box.removeEventListener("pointercancel", end);
  };
  box.setPointerCapture(event.pointerId);
  box.addEventListener("pointermove", to);
  box.addEventListener("pointerup", end);
  box.addEventListener("pointercancel", end);
  pictures.pass(true);
  to(event);
};

/** @param {any} props */
function LittlePictures({ strip, pictures }) {
  const [first, stop] = strip.view.value;
  const width = strip.width.value;
  const height = 54;
  const each = height * ((strip.paper.capture_size[0] / strip.paper.capture_size[1]) || PICTURE_ASPECT);
  const count = Math.max(1, Math.min(64, Math.round(width / each)));
  const source = width ? ask.at(strip.reel, `/strip?first=${first}&stop=${stop}&pictures=${count}`) : "";
  return html`<div class="layer pictures" onPointerDown=${scrub(strip, pictures)}>
    ${source ? html`<img src=${source} alt="" draggable=${false} />` : ""}
  </div>`;
}

/** @param {any} props */
function Lane({ strip, pictures, lane, number }) {
  const box = useRef(/** @type {any} */ (null));
  const plot = useRef(/** @type {any} */ (null));
  const chosen = useRef(/** @type {any} */ (null));
  const width = strip.width.value;
  const [first, stop] = strip.view.value;
  useEffect(() => {
    if (!width) return undefined;
    const spread = lane.high - lane.low || Math.abs(lane.high) || 1;
    plot.current = new uPlot(
      {
        width,
        height: LANE_HEIGHT,
        padding: [3, 0, 3, 0],
        cursor: { show: false },
        legend: { show: false },
        axes: [{ show: false }, { show: false }],
        scales: {
          x: { time: false, range: () => /** @type {[number, number]} */ (strip.view.peek()) },
          y: { range: () => [lane.low - 0.05 * spread, lane.high + 0.05 * spread] },
        },
        series: [{}, { stroke: "#d2d2d2", width: 1, points: { show: false } }],
      },
      [strip.lanes.rows, strip.lanes.values[number]],
      box.current,
    );
    return () => plot.current.destroy();
  }, [width]);
  useEffect(() => plot.current?.setScale("x", { min: first, max: stop }), [first, stop]);
  const down = (/** @type {PointerEvent} */ event) => {
    const area = box.current.getBoundingClientRect();
    const from = (event.clientX - area.left) / area.width;
    box.current.setPointerCapture(event.pointerId);
    const move = (/** @type {PointerEvent} */ e) => {
      const now = (e.clientX - area.left) / area.width;
      const mark = chosen.current.style;
      mark.left = `${100 * Math.min(from, now)}%`;
      mark.width = `${100 * Math.abs(now - from)}%`;
    };
    const up = (/** @type {PointerEvent} */ e) => {
      box.current.removeEventListener("pointermove", move);
      box.current.removeEventListener("pointerup", up);
      chosen.current.style.width = "0";
      const now = (e.clientX - area.left) / area.width;
      if (Math.abs(e.clientX - event.clientX) < 5) pictures.go(strip.rowAt(now));
      else strip.magnify(strip.rowAt(Math.min(from, now)), strip.rowAt(Math.max(from, now)) + 1);
    };
    box.current.addEventListener("pointermove", move);
    box.current.addEventListener("pointerup", up);
  };
  return html`<div class="layer lane" title=${lane.meaning}>
    <div class="plot" ref=${box} onPointerDown=${down} data-lane=${lane.name} aria-hidden="true"><div class="chosen" ref=${chosen}></div></div>
    <div class="name">${lane.title} <${LaneValue} strip=${strip} pictures=${pictures} lane=${lane} number=${number} /></div>
  </div>`;
}

/** What a lane tells of the drawn frame. @param {any} props */
function LaneValue({ strip, pictures, lane, number }) {
  const drawn = pictures.drawn.value;
  const value = drawn ? strip.lanes.values[number][drawn.row] : null;
  const shown = value === null || value === undefined ? "not known" : `${number4(value)} ${lane.unit === "1" ? "" : lane.unit}`;
  return html`<span class="value">${shown}</span>`;
}

/** Four figures that count. @param {number} value */
const number4 = (value) => String(Number(value.toPrecision(4)));

/** @param {any} props */
function Numbers({ table, pictures }) {
  return html`<div class="numbers" tabindex="0" aria-label="The strip as numbers">
    <table>
      <caption>
        Frames ${table.first} to ${table.stop - 1} of ${table.of}
      </caption>
      <thead>
        <tr>
          ${table.columns.map((/** @type {string} */ c) => html`<th scope="col">${c}</th>`)}
        </tr>
      </thead>
      <tbody>
        ${table.rows.map(
          (/** @type {any[]} */ row) => html`<tr>
            <th scope="row"><button class="plain" onClick=${() => pictures.go(row[0])}>${row[0]}</button></th>
            ${row.slice(1).map((cell) => html`<td>${cellWords(cell)}</td>`)}
          </tr>`,
        )}
      </tbody>
    </table>
  </div>`;
}

/** @param {any} cell */
function cellWords(cell) {
  if (cell === null) return "not known";
  if (cell === true) return "yes";
  if (cell === false) return "";
  return Array.isArray(cell) ? cell.join(", ") : cell;
}
