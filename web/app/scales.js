/**
 * Scales and shapes of the debrief's charts. Pure: numbers in, numbers out.
 * Times are ms since the start; heights are CSS px above a chart's foot.
 */

import { firstMs, stageAt } from '../rules/cadence.js';

/** Height of one second of answer, as long as the slowest fits. */
const PX_PER_SECOND = 21;
/** Highest an answer chart may grow. */
const ANSWER_MAX_PX = 136;

/**
 * The answer chart: px per second and the seconds that get a line.
 * @param {number} mostMs slowest answer or longest window
 * @returns {{pxPerSecond: number, height: number, lines_s: number[]}}
 */
export function answerScale(mostMs) {
  const most = Math.max(mostMs, 2000) / 1000;
  const pxPerSecond = Math.min(PX_PER_SECOND, ANSWER_MAX_PX / most);
  const step = [2, 5, 10, 30, 60].find((s) => s * pxPerSecond >= 24) ?? 120;
  const lines = [];
  for (let s = step; s <= most + 0.001 && lines.length < 6; s += step) lines.push(s);
  return { pxPerSecond, height: Math.round(most * pxPerSecond), lines_s: lines };
}

/**
 * The window that was allowed for an answer, over the part of a hold that asks
 * for taps: corners of a line, one a change, gliding where the rules glide.
 * @param {import('../rules/cadence.js').Cadence} cadence
 * @param {import('../rules/cadence.js').Boundaries} bounds
 * @param {number} toMs
 * @returns {{t: number, ms: number}[]}
 */
export function windowLine(cadence, bounds, toMs) {
  const from = bounds.struggle_at;
  if (from >= toMs) return [];
  /** @type {{t: number, ms: number}[]} */
  const points = [];
  const put = (/** @type {number} */ t) => points.push({ t, ms: firstMs(cadence, bounds, t) });
  const corners = [bounds.late_at, bounds.final_at].filter((t) => t > from && t < toMs);
  put(from);
  for (const t of corners) {
    put(t - 1);
    put(t);
  }
  put(stageAt(bounds, toMs) === 'final' && bounds.final_at === toMs ? toMs - 1 : toMs);
  return points.filter((p, i) => i === 0 || p.t > points[i - 1].t);
}

/**
 * A scale for readings: px a unit and the value at the foot, so that the curve
 * fills its height but small wobbles are not blown up.
 * @param {number[]} values
 * @param {number} height px between the lowest and the highest value, at most
 * @param {number} most px a unit, at most
 * @returns {{foot: number, px: number}}
 */
export function valueScale(values, height, most) {
  const low = Math.min(...values);
  const high = Math.max(...values);
  return { foot: low, px: high > low ? Math.min(most, height / (high - low)) : most };
}

/**
 * The instant of a tape that was touched, in whole seconds.
 * @param {number} x CSS px
 * @param {(ms: number) => number} xOf where an instant stands
 * @param {number} totalMs
 * @returns {number} ms
 */
export function msAt(x, xOf, totalMs) {
  const from = xOf(0);
  const to = xOf(totalMs);
  const part = to > from ? (x - from) / (to - from) : 0;
  return Math.round((Math.min(1, Math.max(0, part)) * totalMs) / 1000) * 1000;
}
