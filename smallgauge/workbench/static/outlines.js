// Outlines over the whole capture, drawn from measured values; the part that is shown can be moved by pointer or by numbers.
import { html } from "./html.js";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { Specks, pointed } from "./specks.js";

export const on = signal(true);
export const paper = signal(/** @type {any} */ (null));
export const moving = signal(false);
const shift = signal({ x: 0, y: 0 }); // of the part that is shown, finished pixels
const AGAIN_MS = 700;
let asking = false;
let stale = false; // what is shown was true before a decision: it stays on the page until the answer is there

/** What was measured in the drawn frame; the newest question is next. @param {import("./pictures.js").Pictures} pictures */
export async function read(pictures) {
  if (asking || !on.value || pictures.look.value !== "capture") return;
  asking = true;
  try {
    while (!pictures.isPassing && pictures.drawn.value && (stale || paper.value?.row !== pictures.drawn.value.row)) {
      stale = false;
      paper.value = await ask.json(ask.at(pictures.reel, `/outlines/${pictures.drawn.value.row}`));
    }
    if (paper.value && !paper.value.planned) setTimeout(() => readAgain(pictures), AGAIN_MS);
  } catch {
    paper.value = null;
  } finally {
    asking = false;
  }
}

/** The same once more, for what was not planned yet. @param {import("./pictures.js").Pictures} pictures */
async function readAgain(pictures) {
  if (!paper.value || paper.value.planned || asking) return;
  stale = true;
  await read(pictures);
}

/** Forget what was read: a decision may have moved the framing. */
export function forget() {
  stale = true;
  shift.value = { x: 0, y: 0 };
  moving.value = false;
}

/** The words of a decision on the moved framing. @param {any} told */
export function framingText(told) {
  const f = told.framing;
  const left = Math.round((f.left_px + shift.value.x) * 1000) / 1000;
  const top = Math.round((f.top_px + shift.value.y) * 1000) / 1000;
  return `${f.show} left ${left} top ${top} width ${f.width} height ${f.height}`;
}

/** A captured distance in finished pixels. @param {number[]} matrix @param {number} x @param {number} y */
function finished([a, b, d, e], x, y) {
  const whole = a * e - b * d;
  return { x: (e * x - b * y) / whole, y: (a * y - d * x) / whole };
}

/** @param {PointerEvent} event @param {any} told */
function drag(event, told) {
  const svg = /** @type {Element} */ (event.currentTarget);
  const area = svg.getBoundingClientRect();
  const scale = told.size[0] / area.width;
  const from = { ...shift.value };
  svg.setPointerCapture(event.pointerId);
  const move = (/** @type {any} */ e) => {
    const by = finished(told.framing.matrix, (e.clientX - event.clientX) * scale, (e.clientY - event.clientY) * scale);
    shift.value = { x: from.x + Math.round(by.x), y: from.y + Math.round(by.y) };
  };
  const up = () => {
    svg.removeEventListener("pointermove", move);
    svg.removeEventListener("pointerup", up);
  };
  svg.addEventListener("pointermove", move);
  svg.addEventListener("pointerup", up);
}

/** A dark line under a light one, so that it is seen on any picture. @param {string} d @param {string} kind */
const line = (d, kind) => html`<path class="under-line" d=${d} /><path class=${kind} d=${d} />`;

/** @param {{left: number, top: number, right: number, bottom: number}} r */
const rectangle = (r) => `M${r.left} ${r.top}H${r.right}V${r.bottom}H${r.left}Z`;

/** The gate's sides that were seen, each as far as its neighbours, or the capture where those were not. @param {any} gate @param {number[]} size */
function gateLines(gate, [width, height]) {
  const [left, top, right, bottom] = [gate.left ?? 0, gate.top ?? 0, gate.right ?? width - 1, gate.bottom ?? height - 1];
  return [
    gate.left === null ? "" : `M${left} ${top}V${bottom}`,
    gate.top === null ? "" : `M${left} ${top}H${right}`,
    gate.right === null ? "" : `M${right} ${top}V${bottom}`,
    gate.bottom === null ? "" : `M${left} ${bottom}H${right}`,
  ].join("");
}

/** @param {{pictures: import("./pictures.js").Pictures}} props */
export function Outlines({ pictures }) {
  const drawn = pictures.drawn.value;
  const told = paper.value;
  if (!on.value || !drawn || drawn.look !== "capture" || !told || told.row !== drawn.row) return "";
  const gate = gateLines(told.gate, told.size);
  const [a, b, d, e] = told.framing?.matrix ?? [1, 0, 0, 1];
  const by = { x: a * shift.value.x + b * shift.value.y, y: d * shift.value.x + e * shift.value.y };
  const corners = told.shown.map((/** @type {number[]} */ [x, y]) => `${x + by.x} ${y + by.y}`);
  const [x, y] = told.place;
  const arm = told.size[0] / 50;
  return html`<svg class=${`outlines${moving.value ? " movable" : ""}`} viewBox=${`-0.5 -0.5 ${told.size[0]} ${told.size[1]}`} preserveAspectRatio="none" aria-hidden="true" data-row=${told.row} onPointerDown=${(/** @type {PointerEvent} */ event) => moving.value && drag(event, told)}>
    ${told.perforations.map((/** @type {any} */ p) => (p.left === null || p.top === null || p.right === null || p.bottom === null ? "" : line(rectangle(p), "perforation")))}
    ${gate ? line(gate, "gate") : ""}
    ${corners.length ? line(`M${corners.join("L")}Z`, "shown") : ""}
    ${x === null || y === null ? "" : line(`M${x - arm} ${y}H${x + arm}M${x} ${y - arm}V${y + arm}`, "place")}
    ${told.specks.map((/** @type {any} */ s) => line(rectangle({ left: s.left - 3, top: s.top - 3, right: s.left + s.width + 2, bottom: s.top + s.height + 2 }), `speck${s.repaired ? "" : " left"}${s.name === pointed.value ? " pointed" : ""}`))}
  </svg>`;
}

/** The same in words, and the framing by numbers. @param {{pictures: import("./pictures.js").Pictures, fields: any}} props */
export function OutlineWords({ pictures, fields }) {
  const drawn = pictures.drawn.value;
  const told = paper.value;
  if (!on.value || !drawn || drawn.look !== "capture" || !told || told.row !== drawn.row) return "";
  const [dx, dy] = told.moved_px;
  const [mx, my] = told.moved_mm;
  const kinds = new Map();
  for (const s of told.specks) kinds.set(s.kind, (kinds.get(s.kind) ?? 0) + 1);
  const unseen = Object.entries(told.gate).filter(([, v]) => v === null).map(([side]) => side);
  return html`<div class="caption outline-words">
    <span>Dashed: ${told.perforations.length} ${told.perforations.length === 1 ? "perforation" : "perforations"} found.</span>
    <span>Solid: camera gate${unseen.length ? `, not seen: ${unseen.join(", ")}` : ""}.</span>
    <span>Dotted: what is shown.</span>
    <span>Cross: the frame's place on the film${dx === null || dy === null ? ", not known" : `, ${dx} px (${mx} mm) across and ${dy} px (${my} mm) along from the usual`}.</span>
    ${told.specks.length ? html`<span>Small frames: ${[...kinds].map(([kind, n]) => `${n} ${kind}`).join(", ")}; dotted ones are left.</span>` : ""}
    ${
      told.framing
        ? html`<button aria-pressed=${moving.value} onClick=${() => (moving.value = !moving.value)}>move the framing</button>
            ${
              moving.value
                ? html`<label>across <input class="number" type="number" id="framing-across" value=${shift.value.x} onInput=${(/** @type {any} */ ev) => (shift.value = { ...shift.value, x: Number(ev.target.value) || 0 })} /></label>
                    <label>along <input class="number" type="number" id="framing-along" value=${shift.value.y} onInput=${(/** @type {any} */ ev) => (shift.value = { ...shift.value, y: Number(ev.target.value) || 0 })} /></label> pixels
                    <button disabled=${!shift.value.x && !shift.value.y} onClick=${async () => {
                      await fields.record({ subject: "framing", title: "Framing" }, { text: framingText(told) });
                      if (!fields.refused.value) forget();
                      read(pictures);
                    }}>record the framing</button>
                    <button onClick=${() => {
                      shift.value = { x: 0, y: 0 };
                      moving.value = false;
                    }}>leave it</button>
                    <span class="quiet">${fields.said.value}</span>`
                : ""
            }`
        : ""
    }
    <${Specks} told=${told} fields=${fields} />
  </div>`;
}
