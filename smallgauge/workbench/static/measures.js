// Measures of the true look: brightness by column, colour direction and strength, tone counts; worked out in the page.
import { html } from "./html.js";
import { useEffect, useRef } from "preact/hooks";
import { signal } from "@preact/signals";

export const open = signal(false);
const told = signal(/** @type {any} */ (null));
export const SIZE = { width: 320, height: 240 }; // what the true look is reduced to for them
const STEPS = 64; // of brightness, along the picture of brightness by column
const BANDS = 8; // columns of the tables
const CHANNELS = ["red", "green", "blue"];
// ITU-R BT.709-6, item 3.2 and 3.3: luma, and difference signals divided so that each reaches from -0.5 to 0.5
const LUMA = [0.2126, 0.7152, 0.0722];
const BLUE_BY = 1.8556;
const RED_BY = 1.5748;

/**
 * Everything that is told of a picture of 8 bits.
 * @param {Uint8ClampedArray} data red, green, blue and a fourth value a pixel @param {number} width @param {number} height
 */
export function measure(data, width, height) {
  const columns = new Uint32Array(width * STEPS);
  const counts = CHANNELS.map(() => new Uint32Array(256));
  const plane = new Uint32Array(64 * 64);
  const bands = Array.from({ length: BANDS }, () => /** @type {number[]} */ ([]));
  let towardsBlue = 0;
  let towardsRed = 0;
  for (let y = 0; y < height; y += 1) {
    for (let x = 0; x < width; x += 1) {
      const at = 4 * (y * width + x);
      const [r, g, b] = [data[at], data[at + 1], data[at + 2]];
      counts[0][r] += 1;
      counts[1][g] += 1;
      counts[2][b] += 1;
      const luma = LUMA[0] * r + LUMA[1] * g + LUMA[2] * b;
      columns[Math.min(STEPS - 1, Math.floor((luma / 256) * STEPS)) * width + x] += 1;
      bands[Math.floor((x * BANDS) / width)].push(luma);
      const blue = (b - luma) / 255 / BLUE_BY;
      const red = (r - luma) / 255 / RED_BY;
      towardsBlue += blue;
      towardsRed += red;
      plane[Math.min(63, Math.floor((0.5 - red) * 64)) * 64 + Math.min(63, Math.floor((blue + 0.5) * 64))] += 1;
    }
  }
  const pixels = width * height;
  const blue = towardsBlue / pixels;
  const red = towardsRed / pixels;
  return {
    columns,
    counts,
    plane,
    bands: bands.map((values) => [0.05, 0.5, 0.95].map((share) => percent(quantile(Float64Array.from(values).sort(), share)))),
    tones: counts.map((count) => [0.01, 0.25, 0.5, 0.75, 0.99].map((share) => percent(below(count, pixels * share)))),
    ends: counts.map((count) => [(100 * count[0]) / pixels, (100 * count[255]) / pixels]),
    direction: (Math.atan2(red, blue) * 180) / Math.PI,
    strength: 200 * Math.hypot(red, blue),
  };
}

/** @param {Float64Array} sorted @param {number} share */
const quantile = (sorted, share) => sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))];

/** @param {number} code */
const percent = (code) => Math.round((1000 * code) / 255) / 10;

/** The code that so many pixels do not exceed. @param {Uint32Array} count @param {number} many */
function below(count, many) {
  let sum = 0;
  for (let code = 0; code < 256; code += 1) {
    sum += count[code];
    if (sum >= many) return code;
  }
  return 255;
}

/** Where a direction points, in words. @param {number} degrees @param {number} strength */
export function directionWords(degrees, strength) {
  if (strength < 0.5) return "neutral in the mean";
  const names = ["blue", "blue and red", "red", "red and yellow", "yellow", "yellow and cyan", "cyan", "cyan and blue"];
  return `towards ${names[Math.round(((degrees + 360) % 360) / 45) % 8]}`;
}

/** Counts as greys, the most frequent white, by their square root. @param {HTMLCanvasElement} canvas @param {Uint32Array} counts @param {number} width @param {boolean} upwards */
function paint(canvas, counts, width, upwards) {
  const height = counts.length / width;
  canvas.width = width;
  canvas.height = height;
  const context = canvas.getContext("2d");
  if (!context) return;
  const image = context.createImageData(width, height);
  let most = 1;
  for (const count of counts) most = Math.max(most, count);
  for (let n = 0; n < counts.length; n += 1) {
    const y = Math.floor(n / width);
    const at = 4 * ((upwards ? height - 1 - y : y) * width + (n % width));
    const grey = counts[n] ? 60 + 195 * Math.sqrt(counts[n] / most) : 20;
    image.data[at] = grey;
    image.data[at + 1] = grey;
    image.data[at + 2] = grey;
    image.data[at + 3] = 255;
  }
  context.putImageData(image, 0, 0);
}

/** Three rows of counts, one a channel. @param {HTMLCanvasElement} canvas @param {Uint32Array[]} counts */
function paintTones(canvas, counts) {
  canvas.width = 256;
  canvas.height = 96;
  const context = canvas.getContext("2d");
  if (!context) return;
  context.fillStyle = "#141414";
  context.fillRect(0, 0, 256, 96);
  context.fillStyle = "#d2d2d2";
  counts.forEach((count, row) => {
    const most = Math.max(1, ...count.subarray(1, 255));
    for (let code = 0; code < 256; code += 1) {
      const tall = Math.min(28, Math.ceil(28 * Math.sqrt(count[code] / most)));
      context.fillRect(code, 32 * row + 30 - tall, 1, tall);
    }
    context.fillRect(0, 32 * row + 31, 256, 1);
  });
}

/** @param {{pictures: import("./pictures.js").Pictures}} props */
export function Measures({ pictures }) {
  const drawn = pictures.drawn.value;
  const columns = useRef(/** @type {any} */ (null));
  const plane = useRef(/** @type {any} */ (null));
  const tones = useRef(/** @type {any} */ (null));
  const apt = drawn && drawn.label === "true look";
  useEffect(() => {
    if (!open.value || !apt || !pictures.canvas) return;
    const small = new OffscreenCanvas(SIZE.width, SIZE.height);
    const context = small.getContext("2d", { willReadFrequently: true });
    if (!context) return;
    context.drawImage(pictures.canvas, 0, 0, SIZE.width, SIZE.height);
    const found = measure(context.getImageData(0, 0, SIZE.width, SIZE.height).data, SIZE.width, SIZE.height);
    told.value = { ...found, row: drawn.row, look: drawn.look };
    paint(columns.current, found.columns, SIZE.width, true);
    paint(plane.current, found.plane, 64, false);
    paintTones(tones.current, found.counts);
  }, [drawn, open.value]);
  const m = told.value && drawn && told.value.row === drawn.row && told.value.look === drawn.look ? told.value : null;
  return html`<details class="measures" open=${open.value} onToggle=${(/** @type {any} */ e) => (open.value = e.target.open)}>
    <summary>Measures</summary>
    ${apt ? html`<p class="quiet" id="measured-from">Worked out in this page from the true look of frame ${drawn.row} (${drawn.look === "corrected" ? "steadied and corrected" : "steadied"}), reduced to ${SIZE.width} x ${SIZE.height} pixels of 8 bits.</p>` : html`<p class="quiet">They are taken from a true look: choose steadied, or steadied and corrected.</p>`}
    <div class="row scopes" hidden=${!apt}>
      <figure><figcaption>Brightness by column, black below, white above</figcaption><canvas ref=${columns} class="wide-scope" role="img" aria-label="brightness by column, as numbers in the table"></canvas></figure>
      <figure><figcaption>Colour direction: right blue, left yellow, up red, down cyan; strength from the middle</figcaption><canvas ref=${plane} class="scope" role="img" aria-label="colour direction, in words beside it"></canvas></figure>
      <figure><figcaption>Tone counts, dark to light: red, green, blue</figcaption><canvas ref=${tones} class="wide-scope" role="img" aria-label="tone counts, as numbers in the table"></canvas></figure>
    </div>
    ${apt && m ? html`<${Twin} m=${m} />` : ""}
  </details>`;
}

/** The same as numbers. @param {any} props */
function Twin({ m }) {
  return html`<p id="direction">Colour in the mean: ${directionWords(m.direction, m.strength)}, ${Math.round((m.direction + 360) % 360)} degrees from blue by way of red, strength ${m.strength.toFixed(1)} %.</p>
    <div class="numbers" tabindex="0" aria-label="Measures as numbers">
      <table id="tones">
        <caption>Tones in per cent of full scale: so many pixels are no lighter</caption>
        <thead><tr><th scope="col">channel</th>${[1, 25, 50, 75, 99].map((n) => html`<th scope="col">${n} %</th>`)}<th scope="col">at black</th><th scope="col">at white</th></tr></thead>
        <tbody>${CHANNELS.map((name, n) => html`<tr><th scope="row">${name}</th>${m.tones[n].map((/** @type {number} */ v) => html`<td>${v}</td>`)}${m.ends[n].map((/** @type {number} */ v) => html`<td>${v.toFixed(2)} %</td>`)}</tr>`)}</tbody>
      </table>
      <table id="columns">
        <caption>Brightness by column, eight bands from left to right, per cent of full scale</caption>
        <thead><tr><th scope="col">of its pixels</th>${m.bands.map((/** @type {any} */ _, /** @type {number} */ n) => html`<th scope="col">band ${n + 1}</th>`)}</tr></thead>
        <tbody>${["5 % darker than", "half darker than", "95 % darker than"].map((words, n) => html`<tr><th scope="row">${words}</th>${m.bands.map((/** @type {number[]} */ b) => html`<td>${b[n]}</td>`)}</tr>`)}</tbody>
      </table>
    </div>`;
}
