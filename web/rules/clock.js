// Shared time: the offset between the server's clock and this device's, with a bound on its error.

/**
 * Four time stamps of one exchange, ms; fractions allowed. t1 and t4 by the device's clock, t2 and t3 by the server's.
 * @typedef {{t1: number, t2: number, t3: number, t4: number}} Exchange
 */

/**
 * `offset_ms` is server minus device, in steps of 0.001 ms, and lies within `doubt_ms` of the truth. Both are null while
 * nothing is known. `synced` is true once enough exchanges agree.
 * @typedef {{offset_ms: number | null, doubt_ms: number | null, synced: boolean}} ClockReading
 */

/** What one exchange tells, in whole µs. @typedef {{lo: number, hi: number, heard: number, delay: number}} Sample */

/** How many exchanges are kept, and how many must agree before the clock counts as synchronised. */
const KEPT = 64;
const ENOUGH = 4;
/** Beyond this a µs is no longer a whole number, ms. */
const LATEST_MS = Number.MAX_SAFE_INTEGER / 1000;

/** Round-trip delay of one exchange (RFC 5905, section 8), ms. @param {Exchange} e */
export const delayMs = ({ t1, t2, t3, t4 }) => t4 - t1 - (t3 - t2);

/** Offset of the server's clock by one exchange (RFC 5905, section 8), ms. @param {Exchange} e */
export const offsetMs = ({ t1, t2, t3, t4 }) => (t2 - t1 + (t3 - t4)) / 2;

/**
 * Estimates the offset by intersecting what each exchange proves. All work is in whole µs, so that every side that
 * follows these steps gets the same numbers:
 *
 * 1. A time stamp of t ms becomes floor(t × 1000 + 0.5) µs.
 * 2. An exchange proves lo = t3 − t4 − step ≤ offset ≤ t2 − t1 + step = hi, where step is the device clock's step.
 *    One with a stamp that is missing or beyond ±(2^53 − 1) µs, or with t4 < t1, t3 < t2 or hi < lo, is not taken.
 * 3. At device time d an exchange of age |d − t4| is widened on both sides by ceil(age × ppm / 1,000,000).
 * 4. A clock id other than that of the exchanges kept voids them all.
 * 5. When an exchange comes in, go from it to ever older ones at d = its own t4, intersecting, while the intersection is not
 *    empty; the first that does not fit and all older ones are forgotten. So a drift beyond the bound sheds the oldest, and
 *    a clock that jumped starts again with the newest alone. At most 64 are kept.
 * 6. The reading at d intersects all that are kept: [lo, hi]. With four or more it is synchronised, and the offset is
 *    floor((lo + hi) / 2). With fewer it is not, and the offset is that of the exchange with the smallest delay (of equal
 *    ones the newest), floor((its lo + its hi) / 2), moved into [lo, hi].
 * 7. The doubt is the larger of hi − offset and offset − lo. Offset and doubt are given in ms: µs / 1000.
 *
 * Exchanges are to be added in the order of their t4. A device that knows its own clock has jumped makes a new estimate.
 * @param {object} [options]
 * @param {number} [options.stepMs] step of the device's clock, ms
 * @param {number} [options.driftPpm] how far the two clocks may drift apart
 */
export function newClockEstimate({ stepMs = 1, driftPpm = 30 } = {}) {
  const step = micros(stepMs);
  /** Newest first. @type {Sample[]} */
  let kept = [];
  /** @type {string | null} */
  let keptId = null;

  /**
   * The intersection at device time `d`, newest first, and how many took part before one did not fit.
   * @param {number} d µs
   */
  const intersect = (d) => {
    let lo = -Infinity;
    let hi = Infinity;
    let count = 0;
    for (const sample of kept) {
      const widening = Math.ceil((Math.abs(d - sample.heard) * driftPpm) / 1e6);
      const nextLo = Math.max(lo, sample.lo - widening);
      const nextHi = Math.min(hi, sample.hi + widening);
      if (nextLo > nextHi) break;
      lo = nextLo;
      hi = nextHi;
      count++;
    }
    return { lo, hi, count };
  };

  return {
    /**
     * @param {Exchange} exchange
     * @param {string} clockId names the server's clock
     * @returns {boolean} was it taken?
     */
    add(exchange, clockId) {
      const stamps = [exchange.t1, exchange.t2, exchange.t3, exchange.t4];
      if (!stamps.every((t) => Math.abs(t) <= LATEST_MS)) return false;
      const [t1, t2, t3, t4] = stamps.map(micros);
      const sample = { lo: t3 - t4 - step, hi: t2 - t1 + step, heard: t4, delay: t4 - t1 - (t3 - t2) };
      if (t4 < t1 || t3 < t2 || sample.hi < sample.lo) return false;
      if (clockId !== keptId) kept = [];
      keptId = clockId;
      kept = [sample, ...kept.slice(0, KEPT - 1)];
      kept = kept.slice(0, intersect(t4).count);
      return true;
    },
    /**
     * @param {number} deviceMs the device's clock
     * @returns {ClockReading}
     */
    at(deviceMs) {
      if (kept.length === 0) return { offset_ms: null, doubt_ms: null, synced: false };
      const { lo, hi } = intersect(micros(deviceMs));
      const synced = kept.length >= ENOUGH;
      const best = synced ? { lo, hi } : kept.reduce((a, b) => (b.delay < a.delay ? b : a));
      const offset = Math.min(Math.max(Math.floor((best.lo + best.hi) / 2), lo), hi);
      return { offset_ms: offset / 1000, doubt_ms: Math.max(hi - offset, offset - lo) / 1000, synced };
    },
  };
}

/** Whole µs of a time in ms. @param {number} ms */
function micros(ms) {
  return Math.floor(ms * 1000 + 0.5);
}
