// Spots that the operator says are grey, or skin: read from the capture, tried in the picture, recorded as a decision on colour.
import { html } from "./html.js";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

/** What was pointed at and is not recorded yet. */
export class Picks {
  /** @param {string} reel @param {import("./fields.js").Fields} fields */
  constructor(reel, fields) {
    this.reel = reel;
    this.fields = fields;
    this.kind = signal(/** @type {""|"grey"|"skin"} */ (""));
    this.told = signal(/** @type {any} */ (null));
    this.said = signal("");
    this.refused = signal(false);
    this.at = signal({ x: 0, y: 0 });
    this.busy = false;
  }

  /** Read a spot of the drawn picture and try what it would change. @param {{x: number, y: number, look: string}} spot */
  async pick({ x, y, look }) {
    const drawn = this.fields.pictures.drawn.value;
    if (!drawn || this.busy) return;
    this.busy = true;
    try {
      const earlier = encodeURIComponent(this.told.value?.text ?? "");
      const told = await ask.json(ask.at(this.reel, `/pick/${drawn.row}?x=${Math.max(0, x)}&y=${Math.max(0, y)}&look=${look}&kind=${this.kind.value}&earlier=${earlier}`));
      this.told.value = told;
      this.said.value = "";
      this.refused.value = false;
      this.fields.type(told.subject, told.text, true);
    } catch (error) {
      this.said.value = /** @type {Error} */ (error).message;
      this.refused.value = true;
    } finally {
      this.busy = false;
    }
  }

  /** Forget what was pointed at; the picture is as decided again. */
  forget() {
    const told = this.told.value;
    this.told.value = null;
    this.kind.value = "";
    this.said.value = "";
    this.refused.value = false;
    if (!told) return;
    this.fields.type(told.subject, "");
    this.fields.pictures.draft.value = null;
    this.fields.pictures.again();
  }

  async record() {
    const told = this.told.value;
    await this.fields.record({ subject: told.subject, title: told.title }, { text: told.text });
    this.said.value = this.fields.said.value;
    this.refused.value = this.fields.refused.value;
    if (this.refused.value) return;
    this.told.value = null;
    this.kind.value = "";
  }
}

/** @param {{picks: Picks}} props */
export function PickRow({ picks }) {
  const told = picks.told.value;
  const kind = picks.kind.value;
  const toggle = (/** @type {"grey"|"skin"} */ to) => (picks.kind.value = kind === to ? "" : to);
  const number = (/** @type {any} */ e) => Math.max(0, Math.round(Number(e.target.value) || 0));
  return html`<div class="caption picks">
    <div class="row">
      <button aria-pressed=${kind === "grey"} onClick=${() => toggle("grey")}>point at grey</button>
      <button aria-pressed=${kind === "skin"} onClick=${() => toggle("skin")}>point at skin</button>
      ${
        kind
          ? html`<span>Click a spot of the picture that was ${kind === "grey" ? "a neutral grey" : "somebody's skin"}, or give its place in the capture:</span>
            <label>across <input class="number" type="number" id="pick-across" min="0" value=${picks.at.value.x} onInput=${(/** @type {any} */ e) => (picks.at.value = { ...picks.at.value, x: number(e) })} /></label>
            <label>along <input class="number" type="number" id="pick-along" min="0" value=${picks.at.value.y} onInput=${(/** @type {any} */ e) => (picks.at.value = { ...picks.at.value, y: number(e) })} /></label>
            <button onClick=${() => picks.pick({ ...picks.at.value, look: "capture" })}>read it there</button>`
          : ""
      }
    </div>
    ${
      told
        ? html`<p id="picked">${told.spots} ${told.spots === 1 ? "spot" : "spots"}, the last ${told.kind} at ${told.place}: density ${told.density.join(" ")}. ${told.title}, now: ${told.now}. With what you pointed at: ${told.then}. Not recorded yet.</p>
            <div class="row"><button onClick=${() => picks.record()}>record what was pointed at</button> <button onClick=${() => picks.forget()}>forget it</button></div>`
        : ""
    }
    <p role="status" class=${picks.refused.value ? "trouble" : "quiet"} id="pick-said">${picks.said.value}</p>
  </div>`;
}
