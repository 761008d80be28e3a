// The picture window: the drawn picture, what it is, and the captured values under the pointer.
import { html } from "./html.js";
import { useEffect, useRef } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { LOOKS } from "./pictures.js";
import { Measures } from "./measures.js";
import * as outlines from "./outlines.js";
import * as kept from "./kept.js";
import { PickRow } from "./picks.js";

const about = signal(/** @type {any} */ (null));
const under = signal(/** @type {any} */ (null));
const typed = signal(/** @type {string|null} */ (null)); // a frame's number while it is being typed
let asking = false;
let pointing = false;

/** What is said of the drawn frame; the newest question is next. @param {any} pictures */
async function tell(pictures) {
  if (asking) return;
  asking = true;
  try {
    while (!pictures.isPassing && pictures.drawn.value && about.value?.row !== pictures.drawn.value.row) {
      about.value = await ask.json(ask.at(pictures.reel, `/frame/${pictures.drawn.value.row}`));
    }
  } catch (error) {
    pictures.trouble.value = /** @type {Error} */ (error).message;
  } finally {
    asking = false;
  }
}

/** The pixel of the drawn picture under the pointer, and of which look it is. @param {any} pictures @param {MouseEvent} event */
function underPointer(pictures, event) {
  const canvas = pictures.canvas;
  const drawn = pictures.drawn.value;
  const area = canvas.getBoundingClientRect();
  const from = drawn.part ?? { x: 0, y: 0 };
  const x = from.x + Math.floor(((event.clientX - area.left) / area.width) * canvas.width * drawn.reducedBy);
  const y = from.y + Math.floor(((event.clientY - area.top) / area.height) * canvas.height * drawn.reducedBy);
  return { x, y, look: drawn.look === "pixels" ? "capture" : drawn.look };
}

/** @param {any} pictures @param {PointerEvent} event */
async function point(pictures, event) {
  const drawn = pictures.drawn.value;
  if (!drawn || pointing) return;
  const { x, y, look } = underPointer(pictures, event);
  pointing = true;
  try {
    under.value = await ask.json(ask.at(pictures.reel, `/values/${drawn.row}?x=${Math.max(0, x)}&y=${Math.max(0, y)}&look=${look}`));
  } catch {
    under.value = null;
  } finally {
    pointing = false;
  }
}

/** Drag a part of the capture. @param {import("./pictures.js").Pictures} pictures @param {PointerEvent} event */
function dragPart(pictures, event) {
  const stage = /** @type {HTMLElement} */ (event.currentTarget);
  const from = pictures.part.value;
  follow(stage, event, (e) => pictures.partAt(from.x - Math.round((e.clientX - event.clientX) / from.scale), from.y - Math.round((e.clientY - event.clientY) / from.scale), from.scale));
}

/** Drag the line of the wipe. @param {import("./pictures.js").Pictures} pictures @param {PointerEvent} event */
function dragWipe(pictures, event) {
  const stage = /** @type {HTMLElement} */ (event.currentTarget);
  const area = stage.getBoundingClientRect();
  const to = (/** @type {PointerEvent} */ e) => (pictures.wipeAt.value = Math.max(0, Math.min(100, Math.round((1000 * (e.clientX - area.left)) / area.width) / 10)));
  to(event);
  follow(stage, event, to);
}

/** @param {HTMLElement} stage @param {PointerEvent} event @param {(e: PointerEvent) => void} move */
function follow(stage, event, move) {
  stage.setPointerCapture(event.pointerId);
  const up = () => {
    stage.removeEventListener("pointermove", move);
    stage.removeEventListener("pointerup", up);
  };
  stage.addEventListener("pointermove", move);
  stage.addEventListener("pointerup", up);
}

/** What a look can be asked besides: its wipe, its part, its outlines. @param {{pictures: import("./pictures.js").Pictures}} props */
function Besides({ pictures }) {
  const look = pictures.look.value;
  const { x, y, scale } = pictures.part.value;
  const { width, height } = pictures.partSize();
  const number = (/** @type {any} */ e) => Number(e.target.value);
  if (look === "capture") {
    return html`<label><input type="checkbox" id="outlines-on" checked=${outlines.on.value} onChange=${(/** @type {any} */ e) => {
      outlines.on.value = e.target.checked;
      outlines.read(pictures);
    }} /> outlines</label>`;
  }
  if (look === "pixels") {
    return html`<label>across <input type="range" id="part-across" min="0" max=${Math.max(0, pictures.size[0] - width)} step="8" value=${x} onInput=${(/** @type {any} */ e) => pictures.partAt(number(e), y, scale)} /></label>
      <label>along <input type="range" id="part-along" min="0" max=${Math.max(0, pictures.size[1] - height)} step="8" value=${y} onInput=${(/** @type {any} */ e) => pictures.partAt(x, number(e), scale)} /></label>
      <label>one captured pixel is <select id="part-scale" value=${String(scale)} onChange=${(/** @type {any} */ e) => pictures.partAt(x, y, number(e))}>${[1, 2, 4].map((n) => html`<option value=${String(n)}>${n} x ${n}</option>`)}</select></label>
      <span class="quiet" id="part">from ${x}, ${y}: ${width} x ${height}</span>`;
  }
  return html`<label><input type="checkbox" id="wipe-on" checked=${pictures.wipe.value} onChange=${(/** @type {any} */ e) => pictures.wipeOn(e.target.checked)} /> wipe</label>
    <label><input type="checkbox" id="kept-on" checked=${kept.on.value} onChange=${(/** @type {any} */ e) => kept.show(pictures, e.target.checked)} /> what sets that cut edges show</label>
    ${pictures.wipe.value ? html`<label>line <input type="range" id="wipe-at" min="0" max="100" step="0.5" value=${pictures.wipeAt.value} onInput=${(/** @type {any} */ e) => (pictures.wipeAt.value = number(e))} /></label>
      <span class="quiet" id="wiped">left of the line: ${titleOf(look)}; right of it: ${titleOf(pictures.other())}</span>` : ""}`;
}

/** @param {string} look */
const titleOf = (look) => LOOKS.find((each) => each.key === look)?.title ?? "";

/** What is said of a drawn picture's making. @param {any} drawn */
function labelWords(drawn) {
  if (drawn.label === "rough look") return "rough look: whole capture, reduced";
  if (drawn.label === "pixel for pixel") return "pixel for pixel: captured samples, encoded for display, nothing else";
  return drawn.tried ? "true look: rendered at full size with a value that is not recorded yet" : "true look: rendered at full size, then reduced";
}

/** @param {{pictures: import("./pictures.js").Pictures, keys: (event: KeyboardEvent) => void, fields: any, picks: import("./picks.js").Picks}} props */
export function PictureWindow({ pictures, keys, fields, picks }) {
  const over = useRef(/** @type {any} */ (null));
  const canvas = useRef(/** @type {any} */ (null));
  const drawn = pictures.drawn.value;
  useEffect(() => {
    pictures.canvas = canvas.current;
    pictures.show();
    canvas.current.closest("section").focus({ preventScroll: true });
  }, []);
  useEffect(() => {
    const rest = setTimeout(() => tell(pictures), pictures.rested(60));
    return () => clearTimeout(rest);
  }, [drawn?.row, pictures.passing.value]);
  useEffect(() => {
    const rest = setTimeout(() => outlines.read(pictures), pictures.rested(80));
    return () => clearTimeout(rest);
  }, [drawn?.row, drawn?.look, pictures.passing.value]);
  useEffect(() => {
    outlines.forget();
    outlines.read(pictures);
    kept.read(pictures);
  }, [fields.paper.value?.revision]);
  const asPixels = drawn?.look === "pixels";
  useEffect(() => {
    pictures.overCanvas = over.current;
    pictures.fetchOver();
  }, [pictures.wipe.value]);
  const wiped = pictures.wipe.value && drawn && drawn.label === "true look" && pictures.over.value?.row === drawn.row && pictures.over.value?.look !== drawn.look;
  useEffect(() => {
    const { width, height } = pictures.partSize();
    const by = pictures.part.value.scale;
    canvas.current.style.width = asPixels ? `${width * by}px` : "";
    canvas.current.style.height = asPixels ? `${height * by}px` : "";
    if (over.current) over.current.style.clipPath = `inset(0 0 0 ${pictures.wipeAt.value}%)`;
    pictures.overCanvas = over.current;
  });
  const down = (/** @type {PointerEvent} */ event) => {
    if (picks.kind.value) return; // a spot is pointed at: nothing is dragged
    if (asPixels) dragPart(pictures, event);
    else if (wiped) dragWipe(pictures, event);
  };
  const said = about.value && drawn && about.value.row === drawn.row ? about.value : null;
  const behind = drawn && drawn.row !== pictures.wanted.value;
  return html`<section class="window" aria-label="Picture window" tabindex="0" onKeyDown=${keys} data-region="window">
    <div class="row">
      <fieldset class="row">
        <legend>Look</legend>
        ${LOOKS.map(
          ({ key, title }, n) => html`<label><input type="radio" name="look" checked=${pictures.look.value === key} onChange=${() => pictures.lookAs(key)} /> ${n + 1} ${title}</label>`,
        )}
      </fieldset>
      <label>frame <input id="go" class="number" inputmode="numeric" value=${typed.value ?? (drawn ? drawn.row : "")} onInput=${(/** @type {any} */ e) => (typed.value = e.target.value)} onBlur=${() => (typed.value = null)} onChange=${(/** @type {any} */ e) => {
        typed.value = null;
        pictures.go(Number(e.target.value) || 0);
      }} /></label>
      <span>of ${pictures.count}</span>
    </div>
    <div class="row besides"><${Besides} pictures=${pictures} /></div>
    <div class="surround">
      <div class=${`stage${asPixels ? " pixels" : ""}`} onPointerDown=${down} onClick=${(/** @type {MouseEvent} */ e) => drawn && picks.kind.value && picks.pick(underPointer(pictures, e))}>
        <canvas ref=${canvas} role="img" aria-label=${drawn ? `frame ${drawn.row}, ${drawn.label}` : "no picture yet"} onPointerMove=${(/** @type {PointerEvent} */ e) => point(pictures, e)} onPointerLeave=${() => (under.value = null)}></canvas>
        ${pictures.wipe.value ? html`<canvas ref=${over} class="over" hidden=${!wiped} aria-hidden="true"></canvas>` : ""}
        ${wiped ? html`<div class="wipe-line" style=${{ left: `${pictures.wipeAt.value}%` }}></div>` : ""}
        <${outlines.Outlines} pictures=${pictures} />
        <${kept.Kept} pictures=${pictures} />
      </div>
    </div>
    <p class="caption">
      ${
        drawn
          ? html`<strong>frame <span id="drawn">${drawn.row}</span></strong>${said ? html` <span>${said.file}</span> <span>scene ${said.scene + 1}</span> <span>film position ${said.film_position}</span> <span>${said.time}</span>` : ""}
              <span class="label">${labelWords(drawn)}</span>
              ${behind ? html`<span class="quiet">(frame ${pictures.wanted.value} is on its way)</span>` : ""}`
          : "No picture yet."
      }
    </p>
    <${outlines.OutlineWords} pictures=${pictures} fields=${fields} />
    <${kept.KeptWords} pictures=${pictures} />
    <${PickRow} picks=${picks} />
    <p class="caption values">${under.value ? valuesWords(under.value) : html`<span class="quiet">Point at the picture for the captured values there.</span>`}</p>
    ${said && said.flags.length ? html`<ul class="said">${said.flags.map((/** @type {any} */ f) => html`<li><span aria-hidden="true">▲ </span><strong>${f.name}.</strong> ${f.words}</li>`)}</ul>` : ""}
    <${Measures} pictures=${pictures} />
  </section>`;
}

/** @param {any} v */
function valuesWords(v) {
  const list = (/** @type {any[]} */ numbers) => numbers.map((n) => (n === null ? "not known" : n)).join(" ");
  return `captured pixel ${v.x}, ${v.y}: code ${list(v.code)} of ${v.bits} bits, light ${list(v.light)}, density ${list(v.density)} (${v.channels.join(", ")})`;
}
