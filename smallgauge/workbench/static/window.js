// The picture window: the drawn picture, what it is, and the captured values under the pointer.
import { html } from "./html.js";
import { useEffect, useRef } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { LOOKS } from "./pictures.js";

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
    while (pictures.drawn.value && about.value?.row !== pictures.drawn.value.row) {
      about.value = await ask.json(ask.at(pictures.reel, `/frame/${pictures.drawn.value.row}`));
    }
  } catch (error) {
    pictures.trouble.value = /** @type {Error} */ (error).message;
  } finally {
    asking = false;
  }
}

/** @param {any} pictures @param {PointerEvent} event */
async function point(pictures, event) {
  const canvas = /** @type {HTMLCanvasElement} */ (event.currentTarget);
  const drawn = pictures.drawn.value;
  if (!drawn || pointing) return;
  const area = canvas.getBoundingClientRect();
  const x = Math.floor(((event.clientX - area.left) / area.width) * canvas.width * drawn.reducedBy);
  const y = Math.floor(((event.clientY - area.top) / area.height) * canvas.height * drawn.reducedBy);
  pointing = true;
  try {
    under.value = await ask.json(ask.at(pictures.reel, `/values/${drawn.row}?x=${Math.max(0, x)}&y=${Math.max(0, y)}&look=${drawn.look}`));
  } catch {
    under.value = null;
  } finally {
    pointing = false;
  }
}

/** @param {{pictures: import("./pictures.js").Pictures, keys: (event: KeyboardEvent) => void}} props */
export function PictureWindow({ pictures, keys }) {
  const canvas = useRef(/** @type {any} */ (null));
  const drawn = pictures.drawn.value;
  useEffect(() => {
    pictures.canvas = canvas.current;
    pictures.show();
    canvas.current.closest("section").focus({ preventScroll: true });
  }, []);
  useEffect(() => {
    tell(pictures);
  }, [drawn?.row]);
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
    <div class="surround">
      <canvas ref=${canvas} role="img" aria-label=${drawn ? `frame ${drawn.row}, ${drawn.label}` : "no picture yet"} onPointerMove=${(/** @type {PointerEvent} */ e) => point(pictures, e)} onPointerLeave=${() => (under.value = null)}></canvas>
    </div>
    <p class="caption">
      ${
        drawn
          ? html`<strong>frame <span id="drawn">${drawn.row}</span></strong>${said ? html` <span>${said.file}</span> <span>scene ${said.scene + 1}</span> <span>film position ${said.film_position}</span> <span>${said.time}</span>` : ""}
              <span class="label">${drawn.label}${drawn.label === "rough look" ? ": whole capture, reduced" : drawn.tried ? ": rendered at full size with a value that is not recorded yet" : ": rendered at full size, then reduced"}</span>
              ${behind ? html`<span class="quiet">(frame ${pictures.wanted.value} is on its way)</span>` : ""}`
          : "No picture yet."
      }
    </p>
    <p class="caption values">${under.value ? valuesWords(under.value) : html`<span class="quiet">Point at the picture for the captured values there.</span>`}</p>
    ${said && said.flags.length ? html`<ul class="said">${said.flags.map((/** @type {any} */ f) => html`<li><span aria-hidden="true">▲ </span><strong>${f.name}.</strong> ${f.words}</li>`)}</ul>` : ""}
  </section>`;
}

/** @param {any} v */
function valuesWords(v) {
  const list = (/** @type {any[]} */ numbers) => numbers.map((n) => (n === null ? "not known" : n)).join(" ");
  return `captured pixel ${v.x}, ${v.y}: code ${list(v.code)} of ${v.bits} bits, light ${list(v.light)}, density ${list(v.density)} (${v.channels.join(", ")})`;
}
