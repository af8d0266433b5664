/**
 * When to ask the server what time it is, and how long to wait before
 * dialling again. Pure; all times are ms of the worker's own clock.
 */

/**
 * A burst right after connecting and after a clock jump; then a few at a time. In a hold twice as many as were measured at
 * first (own): in a model of a Wi-Fi of 10 ± 7.5 ms up and 40 ± 30 ms down the error is then within 4.7 ms at 19 in 20 instants
 * instead of 5.2, of which nobody can see 3.75.
 */
export const BURST = 32;
export const FEW = 4;
export const FEW_HOLD = 8;
export const GAP_MS = 50;
export const EVERY_IDLE_MS = 10_000;
export const EVERY_HOLD_MS = 2000;
/** With nothing heard for this long one exchange is made to see whether the link lives. */
export const BEAT_IDLE_MS = 2500;
export const BEAT_HOLD_MS = 1000;
/** A reply later than this is worth nothing. */
const REPLY_MS = 5000;

/**
 * @typedef {object} Exchanges
 * @property {(now: number, burst: number) => void} begin starts a run of that many at once
 * @property {(now: number, lastHeard: number, inHold: boolean) => boolean} due whether one should be sent now
 * @property {(now: number) => number} sent notes one and gives its `t1`
 * @property {(t1: unknown) => boolean} answered whether this reply was waited for
 * @property {(now: number, lastHeard: number, inHold: boolean) => number} nextAt
 * @property {() => void} clear
 */

/** @returns {Exchanges} */
export function newExchanges() {
  /** @type {Set<number>} */
  const open = new Set();
  let left = 0;
  let nextOne = Infinity;
  let lastRun = -Infinity;
  let lastSent = -Infinity;

  /** @param {number} lastHeard @param {boolean} inHold */
  const beatAt = (lastHeard, inHold) => {
    const beat = inHold ? BEAT_HOLD_MS : BEAT_IDLE_MS;
    return Math.max(lastHeard, lastSent) + beat;
  };
  /** @param {boolean} inHold */
  const runAt = (inHold) => (left > 0 ? nextOne : lastRun + (inHold ? EVERY_HOLD_MS : EVERY_IDLE_MS));

  return {
    begin(now, burst) {
      left = Math.max(left, burst);
      nextOne = now;
      lastRun = now;
    },
    due(now, lastHeard, inHold) {
      if (left === 0 && now >= runAt(inHold)) {
        left = inHold ? FEW_HOLD : FEW;
        nextOne = now;
        lastRun = now;
      }
      if (left > 0) return now >= nextOne;
      return now >= beatAt(lastHeard, inHold);
    },
    sent(now) {
      if (left > 0) {
        left -= 1;
        nextOne = now + GAP_MS;
      }
      lastSent = now;
      // Three decimals survive any JSON; the reply is matched by this very number.
      const t1 = Math.round(now * 1000) / 1000;
      for (const t of open) if (now - t > REPLY_MS) open.delete(t);
      open.add(t1);
      return t1;
    },
    answered: (t1) => typeof t1 === 'number' && open.delete(t1),
    nextAt: (now, lastHeard, inHold) => Math.max(now, Math.min(runAt(inHold), beatAt(lastHeard, inHold))),
    clear() {
      open.clear();
      left = 0;
    },
  };
}

/** A dial that is not open in this time is dropped (ms). */
export const DIAL_MS = 3000;
/** Nothing heard for this long on an open socket: it is dead, whatever it says (ms). */
export const DEAD_HOLD_MS = 5000;
export const DEAD_IDLE_MS = 8000;
const FIRST_MS = 250;
export const CAP_HOLD_MS = 2000;
const CAP_IDLE_MS = 15_000;

/**
 * Wait before the next dial: 0.25, 0.5, 1, 2 s … with a quarter of jitter
 * either way, so that a hall of phones does not come back in step.
 * @param {number} failed dials in a row that came to nothing, from 0
 * @param {boolean} inHold
 * @param {number} random 0 to 1
 */
export function redialMs(failed, inHold, random) {
  const cap = inHold ? CAP_HOLD_MS : CAP_IDLE_MS;
  const base = Math.min(FIRST_MS * 2 ** Math.min(failed, 10), cap);
  return Math.min(base * (0.75 + random / 2), cap);
}
