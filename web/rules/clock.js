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

/** What one exchange tells, in whole µs. @typedef {{lo: number, hi: number, asked: number, heard: number, delay: number}} Sample */

/** How many exchanges are kept, and how many must agree before the clock counts as synchronised. */
const KEPT = 128;
const ENOUGH = 4;
/**
 * Two clocks may drift apart by the worst, which cheap and hot or cold quartz stays within; the usual is what most pairs of
 * them do.
 */
export const WORST_DRIFT_PPM = 200;
const USUAL_DRIFT_PPM = 30;
/** Beyond this a µs is no longer a whole number, ms. */
const LATEST_MS = Number.MAX_SAFE_INTEGER / 1000;

/**
 * Estimates the offset by intersecting what each exchange proves. All work is in whole µs, so that every side that
 * follows these steps gets the same numbers:
 *
 * 1. A time stamp of t ms becomes floor(t × 1000 + 0.5) µs.
 * 2. An exchange proves offset ≥ t3 − t4 − step = lo at t4, and offset ≤ t2 − t1 + step = hi at t1, where step is the device
 *    clock's step. One with a stamp that is missing or beyond ±(2^53 − 1) µs, or with t4 < t1, t3 < t2 or hi < lo, is not
 *    taken.
 * 3. At device time d its lo is lowered by ceil(|d − t4| × ppm / 1,000,000), and its hi raised by ceil(|d − t1| × ppm /
 *    1,000,000).
 * 4. A clock id other than that of the exchanges kept voids them all.
 * 5. When an exchange comes in, go from it to ever older ones at d = its own t4, intersecting, while the intersection is not
 *    empty; the first that does not fit and all older ones are forgotten. So a drift beyond the bound sheds the oldest, and
 *    a clock that jumped starts again with the newest alone. At most 128 are kept.
 * 6. The reading at d intersects all that are kept: [lo, hi]. With four or more it is synchronised. Then they are
 *    intersected once more, in the order of step 5, with the smaller of ppm and 30 for ppm, up to the first that does not
 *    fit; the offset is the middle of that, floor((lo + hi) / 2), moved into [lo, hi]. With fewer it is not synchronised,
 *    and the offset is that of the exchange with the smallest delay (of equal ones the newest), floor((its lo + its hi) /
 *    2), moved into [lo, hi].
 * 7. The doubt is the larger of hi − offset and offset − lo. Offset and doubt are given in ms: µs / 1000.
 *
 * So the offset supposes clocks as they usually are, and the doubt the worst.
 *
 * Exchanges are to be added in the order of their t4. A device that knows its own clock has jumped makes a new estimate.
 * @param {object} [options]
 * @param {number} [options.stepMs] step of the device's clock, ms
 * @param {number} [options.driftPpm] how far the two clocks may drift apart
 */
export function newClockEstimate({ stepMs = 1, driftPpm = WORST_DRIFT_PPM } = {}) {
  const step = micros(stepMs);
  /** Newest first. @type {Sample[]} */
  let kept = [];
  /** @type {string | null} */
  let keptId = null;

  /**
   * The intersection at device time `d`, newest first, and how many took part before one did not fit.
   * @param {number} d µs
   * @param {number} ppm how far the clocks may drift apart
   */
  const intersect = (d, ppm) => {
    let lo = -Infinity;
    let hi = Infinity;
    let count = 0;
    for (const sample of kept) {
      const nextLo = Math.max(lo, sample.lo - drifted(d - sample.heard, ppm));
      const nextHi = Math.min(hi, sample.hi + drifted(d - sample.asked, ppm));
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
      const sample = { lo: t3 - t4 - step, hi: t2 - t1 + step, asked: t1, heard: t4, delay: t4 - t1 - (t3 - t2) };
      if (t4 < t1 || t3 < t2 || sample.hi < sample.lo) return false;
      if (clockId !== keptId) kept = [];
      keptId = clockId;
      kept = [sample, ...kept.slice(0, KEPT - 1)];
      kept = kept.slice(0, intersect(t4, driftPpm).count);
      return true;
    },
    /**
     * @param {number} deviceMs the device's clock
     * @returns {ClockReading}
     */
    at(deviceMs) {
      if (kept.length === 0) return { offset_ms: null, doubt_ms: null, synced: false };
      const d = micros(deviceMs);
      const { lo, hi } = intersect(d, driftPpm);
      const synced = kept.length >= ENOUGH;
      const best = synced
        ? intersect(d, Math.min(driftPpm, USUAL_DRIFT_PPM))
        : kept.reduce((a, b) => (b.delay < a.delay ? b : a));
      const offset = Math.min(Math.max(Math.floor((best.lo + best.hi) / 2), lo), hi);
      return { offset_ms: offset / 1000, doubt_ms: Math.max(hi - offset, offset - lo) / 1000, synced };
    },
  };
}

/** How far the clocks may have drifted apart in a time, µs. @param {number} age µs @param {number} ppm */
function drifted(age, ppm) {
  return Math.ceil((Math.abs(age) * ppm) / 1e6);
}

/** Whole µs of a time in ms. @param {number} ms */
function micros(ms) {
  return Math.floor(ms * 1000 + 0.5);
}
