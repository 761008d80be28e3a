// Labels: typed, by a wedge scanner (which types like a keyboard, faster than a person), or by the camera where the browser reads codes itself.
import { html } from "./html.js";
import { useEffect, useRef } from "preact/hooks";
import { signal } from "@preact/signals";

const FAST_MS = 60; // between two characters of a scanner; common practice, no source
const LOOK_MS = 150;
const looking = signal(false);
const trouble = signal("");

/** Whether this browser reads codes in pictures by itself. */
const reads = () => "BarcodeDetector" in window && Boolean(navigator.mediaDevices?.getUserMedia);

/** A scanner's characters come faster than a person's; taken wherever no field has the focus. @param {(text: string) => void} scan */
function listen(scan) {
  let typed = "";
  let last = 0;
  const key = (/** @type {KeyboardEvent} */ event) => {
    const inField = /** @type {HTMLElement} */ (event.target).closest?.("input, select, textarea");
    if (inField || event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.timeStamp - last > FAST_MS) typed = ""; // when the key was struck, not when a busy page came to it
    last = event.timeStamp;
    if (event.key === "Enter" && typed.length >= 10) {
      event.preventDefault();
      scan(typed);
      typed = "";
    } else if (event.key.length === 1) typed += event.key;
  };
  window.addEventListener("keydown", key, true);
  return () => window.removeEventListener("keydown", key, true);
}

/** @param {{scan: (text: string) => void}} props */
export function Labels({ scan }) {
  const video = useRef(/** @type {any} */ (null));
  const field = useRef(/** @type {any} */ (null));
  useEffect(() => listen(scan), []);
  useEffect(() => {
    if (!looking.value) return undefined;
    let stream = /** @type {MediaStream | null} */ (null);
    let over = false;
    const end = () => {
      over = true;
      stream?.getTracks().forEach((track) => track.stop());
    };
    const look = async () => {
      try {
        stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
        if (over) return end();
        video.current.srcObject = stream;
        await video.current.play();
        const detector = new /** @type {any} */ (window).BarcodeDetector({ formats: ["qr_code", "code_128"] });
        while (!over) {
          const found = await detector.detect(video.current);
          const label = found.map((/** @type {any} */ code) => code.rawValue).find((/** @type {string} */ text) => /^(SG)?\d{7}-R\d{2}-\d$/.test(text));
          if (label) {
            looking.value = false;
            scan(label);
            return end();
          }
          await new Promise((rest) => setTimeout(rest, LOOK_MS));
        }
      } catch (error) {
        trouble.value = `The camera can't be used (${/** @type {Error} */ (error).message}); scan the label or type its number.`;
        looking.value = false;
      }
      return end();
    };
    look();
    return end;
  }, [looking.value]);
  const typed = (/** @type {Event} */ event) => {
    event.preventDefault();
    const text = field.current.value.trim();
    field.current.value = "";
    if (text) scan(text);
  };
  return html`<section aria-label="Labels" class="labels">
    <form class="row" onSubmit=${typed} autocomplete="off">
      <label>Label <input id="scan" ref=${field} placeholder="scan, or type the number" autocomplete="off" /></label>
      <button>show the reel</button>
      ${
        reads()
          ? html`<button type="button" onClick=${() => {
              trouble.value = "";
              looking.value = !looking.value;
            }}>${looking.value ? "close the camera" : "read with the camera"}</button>`
          : html`<span class="quiet">This browser does not read labels by camera: use a scanner, or type the number.</span>`
      }
    </form>
    ${trouble.value ? html`<p role="alert" class="trouble">${trouble.value}</p>` : ""}
    ${looking.value ? html`<video ref=${video} class="camera" muted playsinline aria-label="What the camera sees"></video>` : ""}
  </section>`;
}
