/**
 * One plain request to the host: JSON there, JSON back.
 */

/** A host that has not answered in this time is taken for absent (ms, own). */
export const POST_MS = 8000;
/** The same of a host that is only asked whether it is there. */
const THERE_MS = 3000;

/**
 * @param {string} url
 * @param {unknown} body
 * @returns {Promise<{status: number, json: any}>} `json` is null where the answer is none; rejects without a server
 */
export async function postJson(url, body) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), POST_MS);
  try {
    const answer = await fetch(url, {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify(body),
      cache: 'no-store',
      signal: stop.signal,
    });
    const text = await answer.text();
    /** @type {any} */
    let json = null;
    try {
      json = JSON.parse(text);
    } catch {
      // A proxy's own page, say: the status has to do.
    }
    return { status: answer.status, json };
  } finally {
    clearTimeout(timer);
  }
}

/**
 * Whether a host is there: rejects where none answers in time.
 * @param {string} url
 */
export async function knock(url) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), THERE_MS);
  try {
    const answer = await fetch(url, { cache: 'no-store', signal: stop.signal });
    if (!answer.ok) throw new Error(`the host answers with ${answer.status}`);
  } finally {
    clearTimeout(timer);
  }
}
