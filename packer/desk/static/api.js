// Asking the server, and what it says when it refuses.

/** An answer that is no success: `status` of HTTP, `told` the document that came with it. */
export class Refused extends Error {
  /** @param {number} status @param {{error?: string, [key: string]: any}} told */
  constructor(status, told) {
    super(told.error ?? `The desk answered ${status}.`);
    this.status = status;
    this.told = told;
  }
}

/** @param {Response} answer */
async function read(answer) {
  if (answer.ok) return answer.json(); // what is no longer asked may end in the middle of it: no answer, not an empty one
  throw new Refused(answer.status, await answer.json().catch(() => ({})));
}

/**
 * @param {string} path
 * @param {AbortSignal} [signal] ends the question
 */
export async function get(path, signal) {
  return read(await fetch(path, { signal }));
}

/**
 * @param {string} path
 * @param {object} [body]
 */
export async function post(path, body = {}) {
  const headers = { "Content-Type": "application/json" };
  return read(await fetch(path, { method: "POST", headers, body: JSON.stringify(body) }));
}

/**
 * @param {string} name of the file
 * @param {Blob} content
 * @param {"ask"|"replace"|"both"} keep what to do where another file has this name
 */
export async function postFile(name, content, keep) {
  const headers = { "Content-Type": "application/octet-stream" };
  const path = `/api/file?${new URLSearchParams({ name, keep })}`;
  return read(await fetch(path, { method: "POST", headers, body: content }));
}
