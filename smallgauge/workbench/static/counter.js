// The counter: parcels, four questions a reel, labels, condition, holds, and film that goes back.
import { html } from "./html.js";
import { useEffect } from "preact/hooks";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { Agreed } from "./agreed.js";
import { Head, Told, by, readWriter } from "./desk.js";
import { Labels } from "./labels.js";

const paper = signal(/** @type {any} */ (null));
const order = signal(/** @type {any} */ (null));
const reel = signal(/** @type {any} */ (null));
const told = signal({ words: "", refused: false });
const notices = signal(/** @type {string[]} */ ([]));
const going = signal(/** @type {string[]} */ ([]));
const lifter = signal("");

/** @param {string} words @param {boolean} [refused] */
const say = (words, refused = false) => (told.value = { words, refused });

/** Do one thing; what goes wrong is said. @param {() => Promise<any>} doIt */
async function act(doIt) {
  try {
    return await doIt();
  } catch (error) {
    say(/** @type {Error} */ (error).message, true);
    return null;
  }
}

export async function lookAround() {
  readWriter();
  await act(async () => (paper.value = await ask.json("/api/counter")));
}

/** @param {string} number */
async function lay(number) {
  const found = await act(() => ask.json(`/api/counter/order/${encodeURIComponent(number)}`));
  if (!found) return;
  order.value = found;
  going.value = [];
  notices.value = [];
  say(`Order ${number} lies on the counter.`);
}

/** @param {string} number */
async function show(number) {
  const found = await act(() => ask.json(`/api/counter/reel/${encodeURIComponent(number)}`));
  if (!found) return;
  reel.value = found;
  notices.value = found.notices;
}

/** What a label says: the reel is shown; one of another order is refused aloud. @param {string} text */
async function scan(text) {
  const mine = order.value?.number ?? "";
  const found = await act(() => ask.json(`/api/counter/scan?text=${encodeURIComponent(text)}&order=${mine}`));
  if (!found) return;
  say(found.words, !found.belongs);
  if (!found.belongs) return;
  if (mine && !going.value.includes(found.reel)) going.value = [...going.value, found.reel];
  await show(found.reel);
}

/** Send a change; the form's words go with the name of who writes. @param {string} where @param {object} body */
const send = (where, body) => act(() => ask.send(`/api/counter/${where}`, { by: by.value, ...body }));

/** Note what was agreed for the order on the counter; true where it stands in the book. @param {string} where @param {object} body @param {string} words */
async function agree(where, body, words) {
  const made = await send(where, { order: order.value.number, ...body });
  if (!made) return false;
  order.value = made;
  say(words);
  return true;
}

/** The fields of a form by name. @param {Event} event */
function fieldsOf(event) {
  event.preventDefault();
  const form = /** @type {HTMLFormElement} */ (event.currentTarget);
  return { form, words: /** @type {Record<string, string>} */ (Object.fromEntries(new FormData(form))) };
}

/** Counts of a form as whole numbers; empty is none. @param {Record<string, string>} words */
const countsOf = (words) => Object.fromEntries(paper.value.kinds.filter((/** @type {string[]} */ [name]) => words[name]).map((/** @type {string[]} */ [name]) => [name, Number(words[name])]));

export function CounterPage() {
  document.title = order.value ? `Counter: order ${order.value.number}` : "Counter";
  return html`<main class="counter">
    <${Head} title="Counter" writes=${true} />
    <${Told} words=${told.value.words || "Scan a label, open an order, or take a parcel in."} refused=${told.value.refused} />
    <${Labels} scan=${scan} />
    ${notices.value.length ? html`<section class="notices" aria-label="To know"><h2>To know</h2>${notices.value.map((words) => html`<p>${words}</p>`)}</section>` : ""}
    ${paper.value ? html`<${Orders} />` : ""}
    ${order.value ? html`<${Order} />` : ""}
    ${reel.value ? html`<${Reel} />` : ""}
  </main>`;
}

function Orders() {
  const take = async (/** @type {Event} */ event) => {
    const { form, words } = fieldsOf(event);
    const { client, reach, delete_on, signed_by, promised_on, keep_until } = words;
    const made = await send("parcel", { client, reach, delete_on, signed_by, promised_on, keep_until, ...countsOf(words) });
    if (!made) return;
    form.reset();
    order.value = made;
    going.value = [];
    say(`Order ${made.number} is in the book: let ${signed_by} sign the count. ${made.to_take_in} reels to take in.`);
    await lookAround();
  };
  return html`<section aria-label="Orders in the house">
    <h2>Orders in the house</h2>
    <ul class="row plainlist">${paper.value.orders.map(
      (/** @type {any} */ o) => html`<li><button aria-pressed=${order.value?.number === o.number} onClick=${() => lay(o.number)}>${o.number} ${o.client}</button> <span class="quiet">came ${o.came}${o.promised ? `, promised for ${o.promised}` : ""}</span></li>`,
    )}</ul>
    ${paper.value.orders.length ? "" : html`<p class="quiet">None.</p>`}
    <details>
      <summary>A parcel comes in</summary>
      <form id="parcel" onSubmit=${take} autocomplete="off">
        <div class="row">
          <label>Client <input name="client" required /></label>
          <label>How the client is reached <input name="reach" required /></label>
          <label>Name removed on <input name="delete_on" type="date" required /></label>
          <label>Promised for <input name="promised_on" type="date" /></label>
          <label>Files kept until <input name="keep_until" type="date" /></label>
        </div>
        <div class="row">
          ${paper.value.kinds.map((/** @type {string[]} */ [name, words]) => html`<label>${words} <input name=${name} class="number" type="number" min="0" max="9999" /></label>`)}
        </div>
        <div class="row"><label>Who signs the count <input name="signed_by" required /></label><button>take the parcel in</button></div>
      </form>
    </details>
  </section>`;
}

function Order() {
  const o = order.value;
  return html`<section aria-label=${`Order ${o.number}`} class="order">
    <h2>Order ${o.number} <span class="quiet">${o.client}, came ${o.came_at.slice(0, 10)}, count signed by ${o.signed_by}</span></h2>
    <p>${Object.entries(o.counted).filter(([, n]) => n.came).map(([kind, n]) => `${kind}: ${n.came}${n.went ? ` (${n.went} went back)` : ""}`).join(", ")}</p>
    ${o.to_take_in > 0 ? html`<${Intake} key=${o.number} />` : ""}
    <ul class="reels">${o.reels.map(
      (/** @type {any} */ r) => html`<li key=${r.number}>
        <div><button class="plain" onClick=${() => show(r.number)}>${r.number}</button> ${r.box_words}${r.held ? html`<div class="held">${r.held}</div>` : ""}</div>
        <div>${gaugeWords(r.gauge)}</div>
        <div>${r.state}${r.place ? `, ${r.place}` : ""}</div>
        <div>${going.value.includes(r.number) ? "scanned" : ""}</div>
      </li>`,
    )}</ul>
    <${Agreed} key=${`agreed ${o.number}`} o=${o} paper=${paper.value} change=${agree} />
    ${o.reels.length ? html`<${HandBack} key=${`back ${o.number}`} />` : ""}
  </section>`;
}

/** A gauge as the trade writes it; the book keeps its key. @param {string} key @returns {string} */
function gaugeWords(key) {
  return paper.value.gauges.find((/** @type {string[]} */ [known]) => known === key)?.[1] ?? key;
}

function Intake() {
  const { before } = order.value;
  useEffect(() => document.getElementById(before.gauge ? "box-words" : "gauge")?.focus(), []);
  const take = async (/** @type {Event} */ event) => {
    const { form, words } = fieldsOf(event);
    const { gauge, box_words, forbids, own, decides } = words;
    if (/^(SG)?\d{7}\W?R\d{2}\W?\d$/i.test(box_words.trim())) {
      form.box_words.value = "";
      return scan(box_words); // a label was scanned while the words were asked for
    }
    const made = await send("intake", { order: order.value.number, gauge, box_words, forbids: own.trim() || forbids, decides, ...(lifter.value ? { lifter: lifter.value } : {}) });
    if (!made) return;
    order.value = made.order;
    notices.value = made.notices;
    form.box_words.value = "";
    form.own.value = "";
    say(made.words);
    form.box_words.focus();
  };
  return html`<form id="intake" class="row asked" onSubmit=${take} autocomplete="off">
    <h3>Reel ${order.value.reels.length + 1} of ${order.value.counted.reels.came}</h3>
    <label>Gauge <select id="gauge" name="gauge">${paper.value.gauges.map((/** @type {string[]} */ [key, words]) => html`<option value=${key} selected=${key === before.gauge}>${words}</option>`)}</select></label>
    <label>Words on the box <input id="box-words" class="long" name="box_words" /></label>
    <label>What forbids running <select name="forbids">${paper.value.reasons.map((/** @type {string[]} */ [key, words]) => html`<option value=${key} selected=${key === before.forbids}>${words}</option>`)}</select></label>
    <label>or in own words <input name="own" /></label>
    <label>Who may decide <input name="decides" value=${before.decides} required /></label>
    ${paper.value.needs_lifter ? html`<label>Who lifts holds <input value=${lifter.value} onInput=${(/** @type {any} */ e) => (lifter.value = e.target.value)} /></label>` : ""}
    <button>take the reel in</button>
    <span class="quiet">Answers stay as they were for the reel before; only the words are asked anew.</span>
  </form>`;
}

function HandBack() {
  const o = order.value;
  const give = async (/** @type {Event} */ event) => {
    const { form, words } = fieldsOf(event);
    const { reels: _, ...counts } = countsOf(words);
    const made = await send("hand-back", { order: o.number, reels: going.value, to: words.to, part: words.part === "on", ...counts });
    if (!made) return;
    form.reset();
    say(`${going.value.length} reels went back; let ${words.to} sign.`);
    going.value = [];
    order.value = made;
    await lookAround();
  };
  return html`<details>
    <summary>Hand back (${going.value.length} scanned)</summary>
    <form id="hand-back" onSubmit=${give} autocomplete="off">
      <p class="quiet">Scan the label of each reel that goes; count the rest. What does not agree with what came is refused, and then nothing goes.</p>
      <ul class="row plainlist">${going.value.map((number) => html`<li>${number} <button type="button" aria-label=${`leave ${number} here`} onClick=${() => (going.value = going.value.filter((n) => n !== number))}>leave here</button></li>`)}</ul>
      <div class="row">
        ${paper.value.kinds.filter((/** @type {string[]} */ [name, kind]) => name !== "reels" && o.counted[kind].came > o.counted[kind].went).map((/** @type {string[]} */ [name, kind]) => html`<label>${kind} <input name=${name} class="number" type="number" min="0" max="9999" /></label>`)}
        <label>Who takes it <input name="to" required /></label>
        <label><input type="checkbox" name="part" /> the rest stays</label>
        <button>hand back</button>
      </div>
    </form>
  </details>`;
}

/** One form of a reel: its fields become a change. @param {{what: string, button: string, body: (words: Record<string, string>) => object, children?: any}} props */
function ReelForm({ what, button, body, children }) {
  const go = async (/** @type {Event} */ event) => {
    const { form, words } = fieldsOf(event);
    const made = await send(what, body(words));
    if (!made) return;
    form.reset();
    reel.value = made;
    notices.value = made.notices;
    say(`Reel ${made.number}: written in the book.`);
    if (order.value) order.value = await ask.json(`/api/counter/order/${order.value.number}`);
  };
  return html`<form data-what=${what} class="row" onSubmit=${go} autocomplete="off">${children}<button>${button}</button></form>`;
}

function Reel() {
  const r = reel.value;
  const seen = Object.entries(r.condition);
  const looked = seen.filter(([, words]) => words !== "not looked at");
  return html`<section aria-label=${`Reel ${r.number}`} class="order" id="reel">
    <h2>Reel ${r.number} <span class="quiet">order ${r.order_number}, ${gaugeWords(r.gauge)}, ${r.state}${r.place ? `, ${r.place}` : ""}; ${r.decides} decides</span></h2>
    <p>${r.box_words}</p>
    ${r.holds.map(
      (/** @type {any} */ h) => html`<div class="held">On the ${h.kind}: ${h.why}. Only ${h.lifter} may lift that.
        <${ReelForm} what="lift" button="lift" body=${(/** @type {any} */ w) => ({ hold: h.id, why: w.why })}><label>Why it is lifted <input class="long" name="why" required /></label></${ReelForm}></div>`,
    )}
    <h3>Condition</h3>
    ${looked.length ? html`<dl class="seen">${looked.map(([subject, words]) => html`<div><dt>${subject}</dt><dd>${words}</dd></div>`)}</dl>` : ""}
    <p class="quiet">Not looked at: ${seen.filter(([, words]) => words === "not looked at").map(([subject]) => subject).join(", ")}.</p>
    ${r.advice.map((/** @type {any} */ a) => html`<p>${a.subject}: ${a.said} <span class="quiet">(${a.source})</span></p>`)}
    ${r.transports.map((/** @type {any} */ t) => html`<p>On ${t.transport}: ${t.says}${t.why.length ? `: ${t.why.join("; ")}` : ""}</p>`)}
    <${ReelForm} what="condition" button="note" body=${(/** @type {any} */ w) => ({ reel: r.number, seen: w.subject === "strip level" ? [`strip level=${w.words}`, `strip hours=${w.hours}`, `strip temperature=${w.temperature}`] : [`${w.subject}=${w.words}`], ...(w.lifter ? { lifter: w.lifter } : {}) })}>
      <label>What was looked at <select name="subject">${paper.value.subjects.filter((/** @type {string} */ s) => s !== "strip hours" && s !== "strip temperature").map((/** @type {string} */ s) => html`<option>${s}</option>`)}</select></label>
      <label>What was seen <input class="long" name="words" required /></label>
      <label>strip: hours <input class="number" name="hours" /></label>
      <label>temperature <input class="number" name="temperature" /></label>
      ${paper.value.needs_lifter ? html`<label>Who lifts a hold that follows <input name="lifter" /></label>` : ""}
    </${ReelForm}>
    <h3>What happened</h3>
    <${ReelForm} what="note" button="note" body=${(/** @type {any} */ w) => ({ reel: r.number, step: w.step, place: w.place, words: w.words, ...(w.transport ? { transport: w.transport } : {}) })}>
      <label>Step <select name="step">${paper.value.steps.map((/** @type {string} */ s) => html`<option>${s}</option>`)}</select></label>
      <label>Where it lies now <input name="place" required /></label>
      <label>What was done <input class="long" name="words" /></label>
      ${paper.value.transports.length ? html`<label>Transport <select name="transport"><option value="">none</option>${paper.value.transports.map((/** @type {string} */ t) => html`<option>${t}</option>`)}</select></label>` : ""}
    </${ReelForm}>
    <h3>Verdict</h3>
    ${r.verdicts.map((/** @type {any} */ v) => html`<p>${v.at.slice(0, 10)} ${v.by}: ${v.verdict} <span class="quiet">(${v.seen})</span></p>`)}
    <${ReelForm} what="verdict" button="note" body=${(/** @type {any} */ w) => ({ reel: r.number, verdict: w.verdict, seen: w.seen })}>
      <label>What a second person says <select name="verdict">${paper.value.verdicts.map((/** @type {string} */ v) => html`<option>${v}</option>`)}</select></label>
      <label>What was watched <input class="long" name="seen" required /></label>
    </${ReelForm}>
    <h3>Hold</h3>
    <${ReelForm} what="hold" button="hold" body=${(/** @type {any} */ w) => ({ reel: r.number, kind: w.kind, why: w.why, ...(w.lifter ? { lifter: w.lifter } : {}) })}>
      <label>What is held <select name="kind"><option>film</option><option>files</option></select></label>
      <label>Why <input class="long" name="why" required /></label>
      <label>Who may lift it <input name="lifter" required=${paper.value.needs_lifter} placeholder=${paper.value.lifters[0] ?? ""} /></label>
    </${ReelForm}>
    <details>
      <summary>Events (${r.events.length})</summary>
      <ol class="log">${r.events.map((/** @type {any} */ e) => html`<li>${e.at} ${e.by}: ${e.what}. <span class="quiet">${e.words}</span></li>`)}</ol>
    </details>
  </section>`;
}
