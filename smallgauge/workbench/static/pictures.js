// The picture that is drawn, and the one that is wanted. They are two things: everything said of a frame is said of the
// drawn one, and every decision carries its number and stamp.
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

export const LOOKS = [
  { key: "capture", title: "whole capture" },
  { key: "steadied", title: "steadied" },
  { key: "corrected", title: "steadied and corrected" },
  { key: "pixels", title: "pixel for pixel" },
];
export const PART = { width: 960, height: 480 }; // pixels of the page that a part of the capture takes
const ROUGH = "rough look";
const TRUE = "true look";
const KEPT = 200; // decoded rough looks
const RUN = 32; // rough looks in one answer
const PASSING_MS = 300; // while the pointer is drawn over the strip nothing but pictures is asked for until it has stood still so long
const REST_MS = 40; // after so long without a new wish the frames around are fetched too
const TRUE_REST_MS = 30; // after so long the true look is asked for

/** The picture window's state. */
export class Pictures {
  /** @param {string} reel @param {any} paper */
  constructor(reel, paper) {
    this.reel = reel;
    this.count = paper.frames;
    this.reducedBy = paper.reduced_by;
    this.digest = "";
    this.hasPack = paper.pack;
    this.scenes = paper.scenes;
    this.wanted = signal(0);
    this.look = signal("capture");
    this.wishedAt = 0;
    this.passing = signal(false); // the pointer is being drawn over the strip
    /** @type {import("@preact/signals").Signal<any>} */
    this.drawn = signal(null);
    this.trouble = signal("");
    this.draft = signal(null);
    this.size = paper.capture_size;
    this.part = signal({ x: Math.max(0, Math.floor(this.size[0] / 2 - PART.width / 2)), y: Math.max(0, Math.floor(this.size[1] / 2 - PART.height / 2)), scale: 1 });
    this.wipe = signal(false);
    this.wipeAt = signal(50);
    this.over = signal(/** @type {any} */ (null)); // the picture behind the wipe
    /** @type {HTMLCanvasElement|null} */
    this.overCanvas = null;
    this.overBusy = false;
    /** @type {Map<number, any>} */
    this.kept = new Map();
    /** @type {HTMLCanvasElement|null} */
    this.canvas = null;
    this.busy = false;
    this.rest = 0;
    this.trueRest = 0;
    this.trueBusy = false;
    this.serial = 0;
  }

  /** Wish for a frame. @param {number} row */
  go(row) {
    const to = Math.max(0, Math.min(this.count - 1, Math.round(row)));
    this.wanted.value = to;
    this.wishedAt = performance.now();
    this.show();
  }

  /** The pointer takes hold of the strip, or lets it go. @param {boolean} on */
  pass(on) {
    this.passing.value = on;
    if (!on) this.show();
  }

  /** Whether the pointer is being drawn over the strip and has not stood still. */
  get isPassing() {
    return this.passing.value && performance.now() - this.wishedAt < PASSING_MS - 20;
  }

  /** How long to wait before anything else than a picture is asked for. @param {number} ms */
  rested(ms) {
    return this.passing.value ? PASSING_MS : ms;
  }

  /** Look at the picture otherwise. @param {string} look */
  lookAs(look) {
    this.look.value = look;
    this.show();
  }

  /** The size of a part of the capture, pixels of it. */
  partSize() {
    const { scale } = this.part.value;
    return { width: Math.min(this.size[0], Math.floor(PART.width / scale)), height: Math.min(this.size[1], Math.floor(PART.height / scale)) };
  }

  /** Show another part of the capture. @param {number} x @param {number} y @param {number} scale */
  partAt(x, y, scale) {
    const before = this.partSize();
    const middle = { x: x + before.width / 2, y: y + before.height / 2 };
    this.part.value = { x, y, scale };
    const size = this.partSize();
    const kept = (/** @type {number} */ at, /** @type {number} */ long, /** @type {number} */ most) => Math.max(0, Math.min(most - long, Math.round(at - long / 2)));
    this.part.value = { x: kept(middle.x, size.width, this.size[0]), y: kept(middle.y, size.height, this.size[1]), scale };
    this.again();
  }

  /** Larger or smaller pixels: 1, 2 or 4 of the page to one. @param {number} by */
  larger(by) {
    const { x, y, scale } = this.part.value;
    const next = by > 0 ? Math.min(4, scale * 2) : Math.max(1, scale / 2);
    if (this.look.value === "pixels" && next !== scale) this.partAt(x, y, next);
  }

  /** The look behind the wipe: the one of the two finished ones that is not in front. */
  other() {
    return this.look.value === "corrected" ? "steadied" : "corrected";
  }

  /** @param {boolean} on */
  wipeOn(on) {
    this.wipe.value = on;
    if (on && this.look.value !== "steadied" && this.look.value !== "corrected") this.look.value = "corrected";
    this.show();
  }

  /** The picture behind the wipe, of the drawn frame; the newest wish is next. */
  async fetchOver() {
    if (this.overBusy || !this.wipe.value) return;
    this.overBusy = true;
    try {
      for (;;) {
        const drawn = this.drawn.value;
        const [serial, look] = [this.serial, this.other()];
        const canvas = this.overCanvas;
        if (!canvas || !drawn || drawn.label !== TRUE || !this.wipe.value) break;
        const tried = this.draft.value && look === "corrected" ? this.draft.value : undefined;
        const got = await ask.picture(ask.at(this.reel, tried ? `/try/${drawn.row}` : `/true/${drawn.row}?look=${look}`), tried);
        if (this.drawn.value?.row === drawn.row && look === this.other()) {
          canvas.width = got.bitmap.width;
          canvas.height = got.bitmap.height;
          canvas.getContext("2d")?.drawImage(got.bitmap, 0, 0);
          canvas.dataset.row = String(drawn.row);
          this.over.value = { row: drawn.row, look };
          if (serial === this.serial) break;
        }
      }
    } catch (error) {
      this.trouble.value = /** @type {Error} */ (error).message;
    } finally {
      this.overBusy = false;
    }
  }

  /** The picture anew, after a decision or while one is tried. */
  again() {
    this.serial += 1;
    this.show();
  }

  show() {
    const row = this.wanted.value;
    clearTimeout(this.rest);
    clearTimeout(this.trueRest);
    const known = this.kept.get(row);
    if (this.look.value !== "capture") {
      const fresh = this.drawn.value?.row === row && this.drawn.value?.label !== ROUGH;
      if (!fresh && known) this.draw(known, "rough look", "capture");
      else if (!fresh && !known) this.fetch();
      if (fresh) this.fetchTrue();
      else this.trueRest = window.setTimeout(() => this.fetchTrue(), this.rested(TRUE_REST_MS));
    } else if (known) {
      this.draw(known, "rough look", "capture");
    } else {
      this.fetch();
    }
    this.rest = window.setTimeout(() => this.fetchAround(), this.rested(REST_MS));
  }

  /** One frame at a time; the newest wish is next, older ones are dropped. */
  async fetch() {
    if (this.busy) return;
    this.busy = true;
    try {
      while (!this.kept.has(this.wanted.value)) {
        const row = this.wanted.value;
        const got = await ask.picture(ask.at(this.reel, `/rough/${row}`));
        this.keep(row, got);
        if (this.mayDrawRough(row)) this.draw(got, "rough look", "capture");
      }
      const last = this.kept.get(this.wanted.value);
      if (last && this.mayDrawRough(last.row)) this.draw(last, "rough look", "capture");
      this.trouble.value = "";
    } catch (error) {
      this.trouble.value = /** @type {Error} */ (error).message;
    } finally {
      this.busy = false;
    }
  }

  /** A rough look never covers the true look of the same frame. @param {number} row */
  mayDrawRough(row) {
    const drawn = this.drawn.value;
    if (this.look.value === "capture") return true;
    return !(drawn && drawn.row === this.wanted.value && drawn.label !== ROUGH) || row !== drawn.row;
  }

  /** The frames around the wanted one, once the wishes rest. */
  async fetchAround() {
    if (!this.hasPack) return;
    const first = Math.max(0, Math.min(this.count - 1, this.wanted.value - 8));
    const stop = Math.min(this.count, first + RUN);
    let missing = first;
    while (missing < stop && this.kept.has(missing)) missing += 1;
    if (missing >= stop) return;
    try {
      await this.fetchRun(missing, stop);
    } catch {
      // the frame itself is fetched on its own, and says what is wrong
    }
  }

  /** Rough looks of a stretch, from one answer. @param {number} first @param {number} stop */
  async fetchRun(first, stop) {
    const data = await ask.bytes(ask.at(this.reel, `/roughs?first=${first}&count=${stop - first}`));
    const view = new DataView(data);
    const count = view.getUint32(0, true);
    let place = 4 + 4 * count;
    for (let n = 0; n < count; n += 1) {
      const length = view.getUint32(4 + 4 * n, true);
      const row = first + n;
      if (!this.kept.has(row)) {
        const bitmap = await createImageBitmap(new Blob([new Uint8Array(data, place, length)], { type: "image/jpeg" }));
        this.keep(row, { bitmap, stamp: this.stampOf(row), label: "rough look", reducedBy: this.reducedBy });
      }
      place += length;
    }
  }

  /** Have the rough looks of a stretch at hand, so that each can be drawn at once. @param {number} first @param {number} stop */
  async hold(first, stop) {
    for (let row = first; row < stop; row += 1) {
      if (this.kept.has(row)) continue;
      if (this.hasPack) await this.fetchRun(row, Math.min(stop, row + RUN));
      else this.keep(row, await ask.picture(ask.at(this.reel, `/rough/${row}`)));
    }
  }

  /** The stamp of a row of this reel. @param {number} row */
  stampOf(row) {
    return `${this.digest}.${row}`;
  }

  /** @param {number} row @param {any} got */
  keep(row, got) {
    got.row = row;
    if (!this.digest) this.digest = got.stamp.split(".")[0];
    this.kept.set(row, got);
    while (this.kept.size > KEPT) {
      let far = -1;
      for (const each of this.kept.keys()) {
        if (each === row || each === this.drawn.value?.row) continue;
        if (far < 0 || Math.abs(each - this.wanted.value) > Math.abs(far - this.wanted.value)) far = each;
      }
      this.kept.get(far).bitmap.close();
      this.kept.delete(far);
    }
  }

  /** The finished picture, rendered by the server; the newest wish is next. */
  async fetchTrue() {
    if (this.trueBusy) return;
    this.trueBusy = true;
    try {
      for (;;) {
        const row = this.wanted.value;
        const look = this.look.value;
        const serial = this.serial;
        const draft = this.draft.value;
        if (look === "capture") break;
        /** @type {any} */
        const got =
          look === "pixels"
            ? await this.fetchPart(row)
            : draft && look === "corrected"
            ? await ask.picture(ask.at(this.reel, `/try/${row}`), draft)
            : await ask.picture(ask.at(this.reel, `/true/${row}?look=${look}`));
        Object.assign(got, { row, serial, tried: draft !== null && look === "corrected" });
        const still = row === this.wanted.value && look === this.look.value;
        if (still) this.draw(got, look === "pixels" ? "pixel for pixel" : TRUE, look);
        if (still && serial === this.serial) break;
      }
      this.trouble.value = "";
    } catch (error) {
      this.trouble.value = /** @type {Error} */ (error).message;
    } finally {
      this.trueBusy = false;
    }
    this.fetchOver();
  }

  /** A part of a captured frame, from its own samples. @param {number} row */
  async fetchPart(row) {
    const { x, y } = this.part.value;
    const { width, height } = this.partSize();
    const got = await ask.picture(ask.at(this.reel, `/pixels/${row}?x=${x}&y=${y}&width=${width}&height=${height}`));
    return { ...got, stamp: this.stampOf(row), part: { x, y } };
  }

  /** @param {any} got @param {string} label @param {string} look */
  draw(got, label, look) {
    const canvas = this.canvas;
    if (!canvas) return;
    const { bitmap } = got;
    if (canvas.width !== bitmap.width || canvas.height !== bitmap.height) {
      canvas.width = bitmap.width;
      canvas.height = bitmap.height;
    }
    canvas.getContext("2d", { willReadFrequently: true })?.drawImage(bitmap, 0, 0);
    canvas.dataset.row = String(got.row);
    canvas.dataset.look = look;
    canvas.dataset.serial = String(got.serial ?? this.serial);
    this.drawn.value = { row: got.row, stamp: got.stamp, label, look, reducedBy: got.reducedBy, part: got.part, tried: Boolean(got.tried) };
  }
}
