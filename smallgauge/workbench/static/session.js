// Who asks: on a bench that a shop opened to its network, the account that came in; on one of this machine, nobody by name.
import { html } from "./html.js";
import { signal } from "@preact/signals";
import * as ask from "./ask.js";
import { offerTour } from "./tour.js";

export const operator = signal("");

/** The account signs whatever is recorded, so its name stands in the field for it. */
export async function whoAsks() {
  const told = await ask.json("/api/session");
  operator.value = told.operator ?? "";
  offerTour(told.tour);
  if (operator.value) sessionStorage.setItem("who decides", operator.value);
}

/** The name, and the way out. */
export function Who() {
  if (!operator.value) return "";
  const leave = async () => {
    await fetch("/leave", { method: "POST", headers: { "content-type": "application/json" }, body: "{}" });
    sessionStorage.clear();
    location.href = "/enter";
  };
  return html`<span>${operator.value} <button onClick=${leave}>leave</button></span>`;
}
