// Specks of the drawn frame: which are repaired, and which are left by somebody's word; one by one, or a sort of them in the scene.
import { html } from "./html.js";
import { signal } from "@preact/signals";

export const pointed = signal(""); // the speck whose button has the pointer or the keyboard
const open = signal(false);
const MOST = 60; // specks of a frame that have a button of their own

const SORT_WORDS = /** @type {Record<string, string>} */ ({ dark: "dark specks", light: "light specks", long: "hairs", lines: "scratches" });

/** The words of a decision on dirt. @param {{repair: boolean, but: string[]}} dirt */
export const dirtText = (dirt) => (!dirt.repair ? "leave" : dirt.but.length ? `repair but ${dirt.but.join(" ")}` : "repair");

/** @param {{told: any, fields: any}} props */
export function Specks({ told, fields }) {
  const { dirt } = told;
  if (!dirt) return "";
  const may = told.specks.filter((/** @type {any} */ s) => s.kind === "dirt" || s.kind === "scratch");
  const other = told.specks.length - may.length;
  return html`<details class="specks" open=${open.value} onToggle=${(/** @type {any} */ e) => (open.value = e.target.open)}>
    <summary>Specks and scratches: ${may.length ? `${may.filter((/** @type {any} */ s) => s.repaired).length} of ${may.length} on this frame are repaired` : "none on this frame that is dirt"}${other ? `, ${other} more are left as no dirt` : ""}</summary>
    ${open.value ? html`<${Choices} told=${told} may=${may} fields=${fields} />` : ""}
  </details>`;
}

/** @param {any} props */
function Choices({ told, may, fields }) {
  const { dirt } = told;
  const decide = (/** @type {any} */ change) => fields.record({ subject: "dirt", title: "Dirt" }, { text: dirtText({ ...dirt, ...change }) });
  const turn = (/** @type {string} */ word) => decide({ repair: true, but: dirt.but.includes(word) ? dirt.but.filter((/** @type {string} */ each) => each !== word) : [...dirt.but, word] });
  return html`<div>
    <p class="row">
      <label><input type="checkbox" id="specks-repair" checked=${dirt.repair} onChange=${() => decide({ repair: !dirt.repair })} /> repair the dirt of this scene</label>
      ${dirt.sorts.map(
        (/** @type {string} */ sort) => html`<label><input type="checkbox" disabled=${!dirt.repair} checked=${dirt.repair && !dirt.but.includes(sort)} onChange=${() => turn(sort)} /> ${SORT_WORDS[sort] ?? sort}</label>`,
      )}
      <span class="quiet">${fields.said.value}</span>
    </p>
    <ul class="row">
      ${may.slice(0, MOST).map((/** @type {any} */ s) => {
        const sort = s.sorts.find((/** @type {string} */ each) => dirt.but.includes(each));
        const point = { onMouseEnter: () => (pointed.value = s.name), onFocus: () => (pointed.value = s.name), onMouseLeave: () => (pointed.value = ""), onBlur: () => (pointed.value = "") };
        return html`<li><button aria-pressed=${s.repaired} disabled=${!dirt.repair || Boolean(sort)} ...${point} onClick=${() => turn(s.name)}>${s.kind === "scratch" ? "scratch" : "speck"} ${s.name.split(":")[1]}, ${s.width} x ${s.height} px: ${s.repaired ? "repaired" : "left"}</button></li>`;
      })}
    </ul>
    ${may.length > MOST ? html`<p class="quiet">${may.length - MOST} more have no button here; decide on them by sort, or with smallgauge treat.</p>` : ""}
  </div>`;
}
