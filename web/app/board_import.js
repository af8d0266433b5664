/**
 * A log's file sent to the host, which says how far it is and what it refused.
 */

import { PlainError } from './access.js';

/**
 * What the host has made of a file so far.
 * @typedef {object} Taken
 * @property {number} read lines
 * @property {number} added
 * @property {number} known
 * @property {number} refused
 * @property {boolean} [done]
 * @property {{line: number, id?: string, code: string, reason: string}[]} [refusals]
 * @property {string} [error]
 */

/**
 * The last whole line of what came, read.
 * @param {string} text JSON Lines, the last one perhaps not whole yet
 * @returns {Taken | null}
 */
export function newestOf(text) {
  const end = text.lastIndexOf('\n');
  if (end < 0) return null;
  try {
    return JSON.parse(text.slice(text.lastIndexOf('\n', end - 1) + 1, end));
  } catch {
    return null;
  }
}

/**
 * @param {object} what
 * @param {string} what.url
 * @param {string} what.token
 * @param {Blob} what.file
 * @param {(so: Taken | null, part: number) => void} what.told `part` of the file that is sent, 0 to 1
 * @returns {{end: Promise<Taken>, stop: () => void}} what was taken until a stop stays; rejects with `{code, reason}`
 */
export function sendLog({ url, token, file, told }) {
  const request = new XMLHttpRequest();
  let part = 0;
  /** @type {Promise<Taken>} */
  const end = new Promise((resolve, reject) => {
    const no = (/** @type {string} */ code, /** @type {string} */ reason) => reject(new PlainError(code, reason));
    request.upload.onprogress = (e) => {
      part = e.total > 0 ? e.loaded / e.total : 1;
      told(newestOf(request.responseText), part);
    };
    request.onprogress = () => told(newestOf(request.responseText), part);
    request.onload = () => {
      const so = newestOf(request.responseText);
      if (request.status === 200 && so?.done) resolve(so);
      else if (request.status === 200) no('not-imported', so?.error ?? 'The host broke off.');
      else {
        const answer = newestOf(`${request.responseText}\n`);
        no(String(/** @type {any} */ (answer)?.code ?? 'no-server'), String(/** @type {any} */ (answer)?.reason ?? `The host answers with ${request.status}.`));
      }
    };
    request.onerror = () => no('no-server', 'The host does not answer.');
    request.onabort = () => no('stopped', 'Stopped. What the host has taken stays; the same file goes on there.');
  });
  request.open('POST', url);
  request.setRequestHeader('Authorization', `Bearer ${token}`);
  request.send(file);
  return { end, stop: () => request.abort() };
}
