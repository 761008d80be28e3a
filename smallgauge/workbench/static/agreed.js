// What was agreed for an order: consents, extras, notices, and what it comes to.
import { html } from "./html.js";
import { useEffect, useState } from "preact/hooks";
import * as ask from "./ask.js";

/** The fields of a form by name. @param {Event} event */
function fieldsOf(event) {
  event.preventDefault();
  const form = /** @type {HTMLFormElement} */ (event.currentTarget);
  return { form, words: /** @type {Record<string, string>} */ (Object.fromEntries(new FormData(form))) };
}

/** Least and most, once where they are equal. @param {string[]} pair */
const span = ([low, high]) => (low === high ? low : `${low} to ${high}`);

/** @typedef {(where: string, body: object, words: string) => Promise<boolean>} Change */

/** @param {{o: any, paper: any, change: Change}} props */
export function Agreed({ o, paper, change }) {
  const [money, setMoney] = useState(/** @type {any} */ (null));
  const [open, setOpen] = useState(false);
  const [trouble, setTrouble] = useState("");
  const count = async () => {
    try {
      setMoney(await ask.json(`/api/counter/order/${o.number}/money`));
      setTrouble("");
    } catch (error) {
      setTrouble(/** @type {Error} */ (error).message);
    }
  };
  useEffect(() => {
    if (open) count();
  }, [open, o]);
  /** @param {string} where @param {(words: Record<string, string>) => object} body @param {string} said */
  const form = (where, body, said) => async (/** @type {Event} */ event) => {
    const { form: element, words } = fieldsOf(event);
    if (await change(where, body(words), said)) element.reset();
  };
  const how = html`<label>How <select name="how">${paper.how.map((/** @type {string} */ h) => html`<option>${h}</option>`)}</select></label>`;
  return html`<details id="agreed" onToggle=${(/** @type {any} */ e) => setOpen(e.currentTarget.open)}>
    <summary>Agreed, told, quote and invoice</summary>
    ${trouble ? html`<p role="alert" class="trouble">${trouble}</p>` : ""}
    <h3>Consents</h3>
    ${o.consents.map((/** @type {any} */ c) => html`<p>Consent ${c.id}, ${c.at.slice(0, 10)}: ${c.to} <span class="quiet">(${c.given_by}, ${c.how}${c.read_back_by ? `, read back by ${c.read_back_by}` : ""})</span></p>`)}
    <form id="consent" class="row" autocomplete="off" onSubmit=${form("consent", (w) => w, "The consent stands in the book.")}>
      <label>What is agreed to <input class="long" name="to" required /></label>
      <label>Who agrees <input name="given_by" required /></label>
      ${how}
      <label>Read back by <input class="short" name="read_back_by" /></label>
      <button>note the consent</button>
    </form>
    <h3>Beside the transfer</h3>
    ${o.extras.map(
      (/** @type {any} */ e) => html`<p>${e.number} x ${e.what} of ${e.reel || "the order"} <span class="quiet">${[e.words, e.consent ? `consent ${e.consent}` : ""].filter(Boolean).join(", ")}</span> <button type="button" aria-label=${`take out ${e.what} of ${e.reel || "the order"}`} onClick=${() => change("extra", { what: e.what, reel: e.reel, number: 0 }, `${e.what} is taken out.`)}>take out</button></p>`,
    )}
    <form id="extra" class="row" autocomplete="off" onSubmit=${form("extra", (w) => ({ what: w.what, reel: w.reel, number: Number(w.number), words: w.words, consent: Number(w.consent) }), "It is ordered.")}>
      ${
        money?.extras.length
          ? html`<label>What <select name="what">${money.extras.map((/** @type {string[]} */ [name, words]) => html`<option value=${name}>${words}</option>`)}</select></label>`
          : html`<label>What, by its name in the tariff <input name="what" required /></label>`
      }
      <label>Of <select name="reel"><option value="">the order</option>${o.reels.map((/** @type {any} */ r) => html`<option>${r.number}</option>`)}</select></label>
      <label>How many <input class="number" name="number" type="number" min="1" max="9999" value="1" required /></label>
      <label>What is to be done <input class="long" name="words" /></label>
      <label>Found later, under <select name="consent"><option value="0">no consent of its own</option>${o.consents.map((/** @type {any} */ c) => html`<option value=${c.id}>consent ${c.id}</option>`)}</select></label>
      <button>order it</button>
    </form>
    <h3>Told, and kept until</h3>
    ${(money?.keeping ?? []).map((/** @type {string} */ words) => html`<p>${words}</p>`)}
    ${o.client_words.map((/** @type {any} */ w) => html`<p>${w.what === "notice" ? "Told that files will be removed" : "Accepted what was delivered"} on ${w.on}, ${w.how} <span class="quiet">(${w.by})</span></p>`)}
    <form id="client-word" class="row" autocomplete="off" onSubmit=${form("client-word", (w) => w, "It stands in the book.")}>
      <label>The client <select name="what"><option value="accepted">accepts what was delivered</option><option value="notice">is told that files will be removed</option></select></label>
      ${how}
      <label>On <input name="on" type="date" /></label>
      <button>note it</button>
    </form>
    ${money ? html`<${Money} o=${o} money=${money} />` : ""}
  </details>`;
}

/** @param {{o: any, money: any}} props */
function Money({ o, money }) {
  const { quote, invoice } = money;
  const extras = (/** @type {any} */ of) => of.extras.map((/** @type {any} */ e) => [e.reel || "the order", e.words, `${e.number}`, span(e.price)]);
  const quoted = quote.lines ? [...quote.lines.map((/** @type {any} */ l) => [l.number, l.gauge, `${span(l.feet)} ft`, span(l.price)]), ...extras(quote)] : [];
  const charged = invoice.lines ? [...invoice.lines.map((/** @type {any} */ l) => [l.number, l.gauge, `${l.feet} ft${l.remark ? `; ${l.remark}` : ""}`, l.price]), ...extras(invoice)] : [];
  return html`<h3>Quote</h3>
    ${money.quote_trouble ? html`<p>${money.quote_trouble}</p>` : html`<${Lines} rows=${quoted} name="quote" sum=${`Together ${span(quote.price)} ${quote.currency}`} left=${quote.left_out} />`}
    <h3>Invoice, by what was captured</h3>
    ${money.invoice_trouble ? html`<p>${money.invoice_trouble}</p>` : html`<${Lines} rows=${charged} name="invoice" sum=${`Together ${invoice.price} ${invoice.currency}`} left=${invoice.left_out} />
      <p><a href=${`/api/counter/order/${o.number}/invoice.csv`} download=${`invoice-${o.number}.csv`}>the lines as CSV</a></p>`}`;
}

/** @param {{rows: string[][], name: string, sum: string, left: string[][]}} props */
function Lines({ rows, name, sum, left }) {
  return html`<table class="money" aria-label=${name}>
      <thead><tr><th scope="col">of</th><th scope="col">what</th><th scope="col">how much</th><th scope="col">price</th></tr></thead>
      <tbody>${rows.map((row) => html`<tr>${row.map((cell) => html`<td>${cell}</td>`)}</tr>`)}</tbody>
    </table>
    ${left.map(([number, why]) => html`<p class="quiet">${number} is in no sum: ${why}</p>`)}
    <p><strong>${sum}</strong></p>`;
}
