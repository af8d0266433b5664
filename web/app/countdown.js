/**
 * The breathe-up as numbers and words: from the `breathe-up` events and the
 * clock, never counted. Pure.
 */

/** How long a breathe-up lasts before its zero unless changed (own). */
export const BREATHE_MS = 180_000;
/** What one press of "more" adds. */
export const MORE_MS = 60_000;
/** Without a press for this long after zero the hold counts from zero. */
export const GRACE_MS = 15_000;
/** The tape is in sight from this long before zero, at 4 px a second. */
export const TAPE_FROM_MS = 65_000;

/**
 * Cautions of the breathe-up, as the page's rows read: what stands left of the
 * axis, and what right of it. How to breathe stands below them all the time.
 */
export const CAUTIONS = Object.freeze([
  Object.freeze(['never', 'alone']),
  Object.freeze(['blackout, LMC', 'no more holds that day']),
  Object.freeze(['first', 'your training, local rules']),
  Object.freeze(['this is not', 'a medical device']),
]);

/**
 * Where the breathe-up stands.
 * @param {{begun_at: number | null, zero_at: number | null, now: number}} facts shared ms
 * @returns {{elapsed_ms: number, to_zero_ms: number | null, after_ms: number | null, starts_in_ms: number | null, tape: boolean}}
 *   `to_zero_ms` until zero, `after_ms` since; `starts_in_ms` until it counts from zero by itself
 */
export function countdownAt({ begun_at, zero_at, now }) {
  const elapsed = begun_at === null ? 0 : Math.max(0, now - begun_at);
  if (zero_at === null) return { elapsed_ms: elapsed, to_zero_ms: null, after_ms: null, starts_in_ms: null, tape: false };
  const left = zero_at - now;
  return {
    elapsed_ms: elapsed,
    to_zero_ms: left > 0 ? left : null,
    after_ms: left > 0 ? null : now - zero_at,
    starts_in_ms: left > 0 ? null : Math.max(0, GRACE_MS + left),
    tape: left <= TAPE_FROM_MS,
  };
}

/**
 * Beginning and signal check of the newest breathe-up. One that was stopped
 * does not count.
 * @param {readonly {kind: string, at: number, by?: string, data?: Record<string, any>}[]} events in order
 * @returns {{begun_at: number | null, asked_at: number | null, took_ms: number | null, answered: boolean}}
 */
export function breathing(events) {
  let begun = null;
  let asked = null;
  let took = null;
  let answered = false;
  for (const e of events) {
    if (e.kind === 'breathe-up') {
      if (!Number.isInteger(e.data?.zero_at)) begun = null;
      else begun ??= e.at;
    } else if (e.kind === 'start') break;
    else if (e.kind === 'asked') {
      asked = e.at;
      answered = false;
    } else if (e.kind === 'answered' && asked !== null) {
      answered = true;
      took = Number.isInteger(e.data?.took_ms) ? Number(e.data?.took_ms) : Math.max(0, e.at - asked);
    }
  }
  return { begun_at: begun, asked_at: answered ? null : asked, took_ms: took, answered };
}
