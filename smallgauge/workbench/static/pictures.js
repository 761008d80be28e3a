// The picture that is drawn, and the one that is wanted. They are two things: everything said of a frame is said of the
// drawn one, and every decision carries its number and stamp.
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

export const LOOKS = [
  { key: "capture", title: "whole capture" },
  { key: "steadied", title: "steadied" },
  { key: "corrected", title: "steadied and corrected" },
];
const KEPT = 200; // decoded rough looks
const RUN = 32; // rough looks in one answer
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
    /** @type {import("@preact/signals").Signal<any>} */
    this.drawn = signal(null);
    this.trouble = signal("");
    this.draft = signal(null);
    /** @type {Map<number, any>} */
    this.kept = new Map();
    /** @type {HTMLCanvasElement|null} */
    this.canvas = null;
    this.busy = false;
    this.rest = 0;
    this.trueRest = 0;
    this.trueBusy = false;
    this.trueWish = "";
    this.serial = 0;
  }

  /** Wish for a frame. @param {number} row */
  go(row) {
    const to = Math.max(0, Math.min(this.count - 1, Math.round(row)));
    this.wanted.value = to;
    this.show();
  }

  /** Look at the picture otherwise. @param {string} look */
  lookAs(look) {
    this.look.value = look;
    this.show();
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
      const fresh = this.drawn.value?.row === row && this.drawn.value?.label === "true look";
      if (!fresh && known) this.draw(known, "rough look", "capture");
      else if (!fresh && !known) this.fetch();
      this.trueRest = window.setTimeout(() => this.fetchTrue(), fresh ? 0 : TRUE_REST_MS);
    } else if (known) {
      this.draw(known, "rough look", "capture");
    } else {
      this.fetch();
    }
    this.rest = window.setTimeout(() => this.fetchAround(), REST_MS);
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
    return !(drawn && drawn.row === this.wanted.value && drawn.label === "true look") || row !== drawn.row;
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
      const data = await ask.bytes(ask.at(this.reel, `/roughs?first=${missing}&count=${stop - missing}`));
      const view = new DataView(data);
      const count = view.getUint32(0, true);
      let place = 4 + 4 * count;
      for (let n = 0; n < count; n += 1) {
        const length = view.getUint32(4 + 4 * n, true);
        const row = missing + n;
        if (!this.kept.has(row)) {
          const bitmap = await createImageBitmap(new Blob([new Uint8Array(data, place, length)], { type: "image/jpeg" }));
          this.keep(row, { bitmap, stamp: this.stampOf(row), label: "rough look", reducedBy: this.reducedBy });
        }
        place += length;
      }
    } catch {
      // the frame itself is fetched on its own, and says what is wrong
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
          draft && look === "corrected"
            ? await ask.picture(ask.at(this.reel, `/try/${row}`), draft)
            : await ask.picture(ask.at(this.reel, `/true/${row}?look=${look}`));
        got.row = row;
        const still = row === this.wanted.value && look === this.look.value;
        if (still) this.draw(got, "true look", look);
        if (still && serial === this.serial) break;
      }
      this.trouble.value = "";
    } catch (error) {
      this.trouble.value = /** @type {Error} */ (error).message;
    } finally {
      this.trueBusy = false;
    }
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
    canvas.dataset.serial = String(this.serial);
    this.drawn.value = { row: got.row, stamp: got.stamp, label, look, reducedBy: got.reducedBy, tried: this.draft.value !== null };
  }
}
