// The agreed plan of a hold.

import { isObject, wholeIn, wordOf } from './event.js';
import { idIn } from './people.js';

/** @typedef {'standard' | 'close' | 'announced'} Cadence */

/**
 * A plan with its defaults filled in. Fields in `_s` are whole seconds.
 * @typedef {object} Plan
 * @property {string} diver name, or ''
 * @property {string} buddy name, or ''
 * @property {'dry' | 'pool' | null} setting null where the plan does not say; only `dry` lets the diver's phone answer
 * @property {number} planned_s planned time
 * @property {number} end_by_s agreed end, since the start
 * @property {number | null} onset_s usual first contraction
 * @property {number | null} longest_s longest clean hold
 * @property {Cadence} cadence
 * @property {string} signal the agreed hand signal, or ''
 * @property {number} ok_within_s window of the OK sign
 * @property {number} recovery_s length of the paced recovery breaths
 * @property {number} watch_s length of the watch after surfacing
 * @property {unknown[] | null} hears what the diver wants to hear, as the plan sheet wrote it, or null
 * @property {string | null} diver_id the diver's id over outings, or null
 * @property {string | null} buddy_id the buddy's
 * @property {string | null} series the series the hold belongs to, or null
 * @property {number | null} series_no its place in it, counted from 0
 */

/** Limits of a plan, in whole seconds; a value outside voids the plan. The agreed end starts at the planned time. */
export const PLAN_LIMITS = Object.freeze({
  planned_s: Object.freeze({ min: 15, max: 900 }),
  end_by_s: Object.freeze({ max: 1200 }),
  history_s: Object.freeze({ min: 0, max: 86400 }),
  watch_s: Object.freeze({ min: 30, max: 300 }),
  recovery_s: Object.freeze({ min: 30, max: 300 }),
  ok_within_s: Object.freeze([15, 20]),
});

/** Highest place in a series. */
const SERIES_NO_MAX = 99;

const CADENCES = /** @type {const} */ (['standard', 'close', 'announced']);
const SETTINGS = /** @type {const} */ (['dry', 'pool']);

/** What holds where nobody made a valid plan: final from the start, agreed end at 15 s. @type {Readonly<Plan>} */
export const NO_PLAN = Object.freeze({
  diver: '', buddy: '', setting: null, planned_s: 0, end_by_s: 15, onset_s: null, longest_s: null,
  cadence: 'close', signal: '', ok_within_s: 15, recovery_s: 30, watch_s: 60, hears: null,
  diver_id: null, buddy_id: null, series: null, series_no: null,
});

/**
 * The agreed end where the plan names none: the planned time and the larger of a tenth of it and 15 s.
 * @param {number} plannedS
 */
export function usualEndS(plannedS) {
  return plannedS + Math.max(Math.floor(plannedS / 10), 15);
}

/**
 * Reads the data of a `plan` event.
 * @param {unknown} data
 * @returns {Plan | null} null where the plan is void: no planned time, or a value out of its limits
 */
export function readPlan(data) {
  if (!isObject(data)) return null;
  let valid = true;
  /**
   * A whole number of seconds within limits; the default where it is missing; any other value voids the plan.
   * @template D
   * @param {string} field @param {number} min @param {number} max @param {D} missing
   */
  const seconds = (field, min, max, missing) => {
    const value = data[field];
    if (value === undefined || value === null) return missing;
    const whole = wholeIn(value, min, max);
    if (whole === null) valid = false;
    return whole ?? missing;
  };
  const { planned_s: planned, end_by_s: end, history_s: history, watch_s: watch } = PLAN_LIMITS;
  const plannedS = seconds('planned_s', planned.min, planned.max, null);
  if (plannedS === null) return null;
  const okWithinS = seconds('ok_within_s', 0, Infinity, NO_PLAN.ok_within_s);
  if (!PLAN_LIMITS.ok_within_s.includes(okWithinS)) return null;
  /** @type {Plan} */
  const plan = {
    diver: textOf(data.diver),
    buddy: textOf(data.buddy),
    setting: wordOf(data.setting, SETTINGS),
    planned_s: plannedS,
    end_by_s: seconds('end_by_s', plannedS, end.max, usualEndS(plannedS)),
    onset_s: seconds('onset_s', history.min, history.max, null),
    longest_s: seconds('longest_s', history.min, history.max, null),
    cadence: wordOf(data.cadence, CADENCES) ?? 'close',
    signal: textOf(data.signal),
    ok_within_s: okWithinS,
    recovery_s: wholeIn(data.recovery_s, PLAN_LIMITS.recovery_s.min, PLAN_LIMITS.recovery_s.max) ?? NO_PLAN.recovery_s,
    watch_s: seconds('watch_s', watch.min, watch.max, NO_PLAN.watch_s),
    hears: Array.isArray(data.hears) ? data.hears : null,
    diver_id: idIn(data.diver_id),
    buddy_id: idIn(data.buddy_id),
    series: idIn(data.series),
    series_no: wholeIn(data.series_no, 0, SERIES_NO_MAX),
  };
  return valid ? plan : null;
}

/** @param {unknown} value */
function textOf(value) {
  return typeof value === 'string' ? value : '';
}
