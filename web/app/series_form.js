/**
 * A series as it is edited on its tape: the figures behind the holds and
 * rests, and what pulling at a notch or a key does to them. Pure; times are
 * whole seconds.
 */

import { PLAN_LIMITS } from '../rules/plan.js';
import { SERIES_LIMITS } from '../rules/series.js';

/** @typedef {import('../rules/series.js').Step} Step */

/** How a series is made: constant rest with growing holds, constant holds with shrinking rests, or each as it is pulled. */
export const MADE = Object.freeze(/** @type {const} */ ([['growing', 'growing holds'], ['shrinking', 'shrinking rests'], ['free', 'each by itself']]));

/** @typedef {'growing' | 'shrinking' | 'free'} Made */

/**
 * `step_s` is what each hold gains in `growing`, and what each rest loses in `shrinking`.
 * @typedef {object} SeriesForm
 * @property {Made} made
 * @property {number} count
 * @property {number} hold_s the first hold, or all
 * @property {number} rest_s the first rest, or all
 * @property {number} step_s
 * @property {Step[]} free holds and rests of their own, in `free`
 */

/** A notch: the end of a hold, or of the rest after it. @typedef {{no: number, end: 'hold' | 'rest'}} Notch */

/** Notches catch on whole five seconds. */
export const SNAP_S = 5;
/** Shortest rest that can be pulled (own). */
const REST_LEAST_S = 15;
const COUNT = Object.freeze([2, SERIES_LIMITS.steps]);

/** @param {number} v @param {number} least @param {number} most */
const within = (v, least, most) => Math.min(most, Math.max(least, v));
/** @param {number} s */
const snap = (s) => Math.round(s / SNAP_S) * SNAP_S;
/** @param {number} s */
const holdIn = (s) => within(snap(s), PLAN_LIMITS.planned_s.min, PLAN_LIMITS.planned_s.max);
/** @param {number} s */
const restIn = (s) => within(snap(s), REST_LEAST_S, SERIES_LIMITS.rest_s);

/**
 * The series proposed at first: from half the longest clean hold on, with rests
 * of twice the longest of its holds.
 * @param {number | null} longestS
 * @returns {SeriesForm}
 */
export function newSeries(longestS) {
  const hold = holdIn(longestS === null ? 60 : longestS / 2);
  return { made: 'growing', count: 6, hold_s: hold, rest_s: restIn(2 * (hold + 5 * 10)), step_s: 10, free: [] };
}

/**
 * The holds and rests; after the last hold there is no rest.
 * @param {SeriesForm} form
 * @returns {Step[]}
 */
export function stepsOf(form) {
  const { made, count, hold_s, rest_s, step_s, free } = form;
  return Array.from({ length: count }, (_, i) => {
    const last = i === count - 1;
    if (made === 'free') {
      const own = free[Math.min(i, free.length - 1)] ?? { planned_s: hold_s, rest_s };
      return { planned_s: own.planned_s, rest_s: last ? 0 : own.rest_s || rest_s };
    }
    if (made === 'growing') return { planned_s: holdIn(hold_s + i * step_s), rest_s: last ? 0 : restIn(rest_s) };
    return { planned_s: holdIn(hold_s), rest_s: last ? 0 : restIn(rest_s - i * step_s) };
  });
}

/**
 * The same holds made in another way.
 * @param {SeriesForm} form
 * @param {Made} made
 * @returns {SeriesForm}
 */
export function remade(form, made) {
  const steps = stepsOf(form);
  const first = steps[0];
  if (made === 'free') return { ...form, made, free: steps };
  // What grew shrinks now, and the other way: from rests that are long enough for the longest hold.
  const longest = Math.max(...steps.map((s) => s.planned_s));
  if (made === 'growing') return { ...form, made, hold_s: first.planned_s, rest_s: Math.max(...steps.map((s) => s.rest_s)), step_s: 10 };
  return { ...form, made, hold_s: longest, rest_s: restIn(2 * longest + 15 * (form.count - 2)), step_s: 15 };
}

/** @param {SeriesForm} form @param {1 | -1} by @returns {SeriesForm} */
export function recounted(form, by) {
  const count = within(form.count + by, COUNT[0], COUNT[1]);
  if (form.made !== 'free') return { ...form, count };
  const steps = stepsOf({ ...form, count });
  return { ...form, count, free: steps.map((s, i) => (i < count - 1 && s.rest_s === 0 ? { ...s, rest_s: form.rest_s } : s)) };
}

/** @param {SeriesForm} form @param {Notch} notch @param {(step: Step) => Step} change */
const own = (form, { no }, change) => ({ ...form, free: stepsOf(form).map((s, i) => (i === no ? change(s) : s)) });

/**
 * A notch pulled to a place of the tape. What it changes follows from how the
 * series is made: the first hold, what each gains, the rest of all, and so on.
 * @param {SeriesForm} form
 * @param {Notch} notch
 * @param {number} atS seconds since the series' start
 * @returns {SeriesForm}
 */
export function pulled(form, notch, atS) {
  const { made, hold_s: hold, rest_s: rest } = form;
  const { no, end } = notch;
  const steps = stepsOf(form);
  const sum = (/** @type {number} */ n, /** @type {keyof Step} */ what) => steps.slice(0, n).reduce((a, s) => a + s[what], 0);
  if (made === 'free') {
    const begin = sum(no, 'planned_s') + sum(no, 'rest_s') + (end === 'rest' ? steps[no].planned_s : 0);
    return own(form, notch, (s) => (end === 'hold' ? { ...s, planned_s: holdIn(atS - begin) } : { ...s, rest_s: restIn(atS - begin) }));
  }
  if (made === 'growing') {
    if (end === 'rest') return { ...form, rest_s: restIn((atS - sum(no + 1, 'planned_s')) / (no + 1)) };
    if (no === 0) return { ...form, hold_s: holdIn(atS) };
    // Hold no ends after no first holds with their rests, its own, and all that was gained up to it.
    const gained = (no * (no - 1)) / 2 + no;
    return { ...form, step_s: within(snap((atS - no * (hold + rest) - hold) / gained), 0, 120) };
  }
  if (end === 'hold') return { ...form, hold_s: holdIn((atS - sum(no, 'rest_s')) / (no + 1)) };
  if (no === 0) return { ...form, rest_s: restIn(atS - hold) };
  const lost = (no * (no + 1)) / 2;
  return { ...form, step_s: within(snap(((no + 1) * (hold + rest) - atS) / lost), 0, 120) };
}

/**
 * A notch moved by a key: the figure behind it changes by so many seconds.
 * @param {SeriesForm} form
 * @param {Notch} notch
 * @param {number} byS
 * @returns {SeriesForm}
 */
export function nudged(form, notch, byS) {
  const { made } = form;
  const { no, end } = notch;
  if (made === 'free') {
    return own(form, notch, (s) => (end === 'hold' ? { ...s, planned_s: holdIn(s.planned_s + byS) } : { ...s, rest_s: restIn(s.rest_s + byS) }));
  }
  if (made === 'growing' && end === 'hold' && no > 0) return { ...form, step_s: within(form.step_s + byS, 0, 120) };
  if (made === 'shrinking' && end === 'rest' && no > 0) return { ...form, step_s: within(form.step_s - byS, 0, 120) };
  return end === 'hold' ? { ...form, hold_s: holdIn(form.hold_s + byS) } : { ...form, rest_s: restIn(form.rest_s + byS) };
}

/**
 * Where each hold begins and ends, and where its rest ends.
 * @param {Step[]} steps
 * @returns {{start_s: number, hold_end_s: number, rest_end_s: number}[]}
 */
export function placesOf(steps) {
  let at = 0;
  return steps.map((s) => {
    const place = { start_s: at, hold_end_s: at + s.planned_s, rest_end_s: at + s.planned_s + s.rest_s };
    at = place.rest_end_s;
    return place;
  });
}
