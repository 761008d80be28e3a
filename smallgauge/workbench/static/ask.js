// Questions to the server of this page. Everything that goes wrong comes as one sentence.

/** A refusal: the sentence to show, and the status it came with. */
export class Refusal extends Error {
  /** @param {string} sentence @param {number} status */
  constructor(sentence, status) {
    super(sentence);
    this.status = status;
  }
}

/** @param {string} address @param {RequestInit} [how] @returns {Promise<Response>} */
async function ask(address, how) {
  let answer;
  try {
    answer = await fetch(address, how);
  } catch (error) {
    if (how?.signal?.aborted) throw error;
    throw new Refusal("The bench does not answer; look whether `smallgauge workbench` still runs, then load this page again.", 0);
  }
  if (answer.ok) return answer;
  const text = await answer.text();
  let sentence = text;
  try {
    sentence = JSON.parse(text).error ?? text;
  } catch {
    // the guard answers in plain words
  }
  throw new Refusal(sentence, answer.status);
}

/** The address of a reel's twin. @param {string} reel @param {string} [rest] */
export const at = (reel, rest = "") => `/api/reel/${encodeURIComponent(reel)}${rest}`;

/** @param {string} address @param {AbortSignal} [signal] */
export const json = async (address, signal) => (await ask(address, { signal })).json();

/** @param {string} address @param {AbortSignal} [signal] */
export const bytes = async (address, signal) => (await ask(address, { signal })).arrayBuffer();

/** A picture with its stamp. @param {string} address @param {object} [body] @param {AbortSignal} [signal] */
export async function picture(address, body, signal) {
  const how = body === undefined ? { signal } : { signal, ...change(body) };
  const answer = await ask(address, how);
  const bitmap = await createImageBitmap(await answer.blob());
  return {
    bitmap,
    stamp: answer.headers.get("x-stamp") ?? "",
    label: decodeURIComponent(answer.headers.get("x-look") ?? ""),
    reducedBy: Number(answer.headers.get("x-reduced-by") ?? "1"),
  };
}

/** @param {object} body @returns {RequestInit} */
const change = (body) => ({
  method: "POST",
  headers: { "content-type": "application/json" },
  body: JSON.stringify(body),
});

/** @param {string} address @param {object} body */
export const send = async (address, body) => (await ask(address, change(body))).json();
