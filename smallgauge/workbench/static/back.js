// What the operator can take back of their own decisions, one by one, and put back. The server works it out from the log alone.
import { html } from "./html.js";
import { useEffect } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";

const TYPED_MS = 300; // after so long without another letter the initials are taken as written

/** The next step back and the next step forth. */
export class Back {
  /** @param {string} reel @param {import("./fields.js").Fields} fields */
  constructor(reel, fields) {
    this.reel = reel;
    this.fields = fields;
    this.paper = signal(/** @type {any} */ (null));
    this.busy = false;
  }

  async read() {
    try {
      this.paper.value = await ask.json(ask.at(this.reel, `/back?by=${encodeURIComponent(this.fields.by.value)}`));
    } catch (error) {
      this.fields.say(/** @type {Error} */ (error).message, true);
    }
  }

  /** @param {"undo"|"redo"} way */
  async step(way) {
    const seen = this.fields.paper.value;
    if (!seen || this.busy) return;
    this.busy = true;
    try {
      const told = await ask.send(ask.at(this.reel, "/back"), { way, by: this.fields.by.value, revision: seen.revision });
      this.paper.value = told;
      this.fields.at(told.revision);
      this.fields.say(told.said);
      this.fields.pictures.draft.value = null;
      this.fields.pictures.again();
      await this.fields.read(true);
    } catch (error) {
      this.fields.say(/** @type {Error} */ (error).message, true);
      if (/** @type {any} */ (error).status === 409) await this.fields.read();
    } finally {
      this.busy = false;
    }
  }
}

/** @param {{back: Back}} props */
export function BackRow({ back }) {
  const by = back.fields.by.value;
  const revision = back.fields.paper.value?.revision;
  useEffect(() => {
    const rest = setTimeout(() => revision !== undefined && back.read(), TYPED_MS);
    return () => clearTimeout(rest);
  }, [by, revision]);
  const paper = back.paper.value;
  if (!paper) return "";
  return html`<div class="back">
    <div class="row"><button disabled=${!paper.undo.can} onClick=${() => back.step("undo")}>take back</button> <span id="undo-words" class="quiet">${paper.undo.words}</span></div>
    <div class="row"><button disabled=${!paper.redo.can} onClick=${() => back.step("redo")}>put back</button> <span id="redo-words" class="quiet">${paper.redo.words}</span></div>
  </div>`;
}
