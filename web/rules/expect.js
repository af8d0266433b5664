// What a diver's log lets one expect of the next hold, and where each figure comes from.

import { median, quarter } from './stats.js';

/** @typedef {import('./log.js').LogHold} LogHold */

/** A usual figure is taken from so many of the newest clean holds. */
export const USUAL_HOLDS = 20;
/** With fewer it is not known. */
export const LEAST_HOLDS = 3;

/**
 * @typedef {object} Figure
 * @property {number | null} value the median, or the longest; null where it is not known
 * @property {number | null} low a quarter of them is no greater; null with the value
 * @property {number | null} high three quarters of them are no greater
 * @property {number} count the holds it comes from, also where these are too few
 * @property {'log' | 'unknown'} from
 * @property {'dry' | 'pool' | null} setting of these holds
 * @property {string | null} hold of the longest
 * @property {number | null} start_at of that
 */

/**
 * Times are ms.
 * @typedef {object} Expectations
 * @property {Figure} onset usual first contraction
 * @property {Figure} longest longest clean hold: a fact from the first one on
 * @property {Figure} answer usual answer time: the median of the holds' medians
 * @property {Figure} ok usual time of the OK sign, since surfacing
 * @property {Figure} spo2_lowest percent
 * @property {Figure} hr_lowest beats a minute
 * @property {Figure} recovery since surfacing, to 95 %
 * @property {'close' | null} cadence close where too little is known or the last hold was in trouble, else the diver's choice
 */

/** @typedef {'first_contraction_ms' | 'answer_median_ms' | 'ok_ms' | 'spo2_lowest' | 'hr_lowest' | 'back_to_95_ms'} Field */

/**
 * @param {LogHold[]} clean of one setting, oldest first
 * @param {Field} field
 * @param {'dry' | 'pool' | null} setting
 * @returns {Figure}
 */
function usual(clean, field, setting) {
  /** @type {number[]} */
  const values = [];
  for (let i = clean.length - 1; i >= 0 && values.length < USUAL_HOLDS; i--) {
    const value = clean[i][field];
    if (value !== null) values.push(value);
  }
  const known = values.length >= LEAST_HOLDS;
  return {
    value: known ? median(values) : null,
    low: known ? quarter(values, 1) : null,
    high: known ? quarter(values, 3) : null,
    count: values.length,
    from: known ? 'log' : 'unknown',
    setting,
    hold: null,
    start_at: null,
  };
}

/**
 * The longest clean hold in the setting, or of all where that has none; the first of equal ones.
 * @param {LogHold[]} clean
 * @param {'dry' | 'pool' | null} setting
 * @returns {Figure}
 */
function longestOf(clean, setting) {
  const ended = clean.filter((h) => h.hold_ms !== null);
  const there = ended.filter((h) => h.setting === setting);
  const among = there.length > 0 ? there : ended;
  let best = null;
  for (const h of among) if (!best || Number(h.hold_ms) > Number(best.hold_ms)) best = h;
  return {
    value: best?.hold_ms ?? null, low: null, high: null, count: among.length, from: best ? 'log' : 'unknown',
    setting: best?.setting ?? setting, hold: best?.hold ?? null, start_at: best?.start_at ?? null,
  };
}

/** @param {LogHold} h */
const inTrouble = (h) => h.incident !== null || h.passed_out || h.verdict === 'shaky' || h.verdict === 'passed-out';

/**
 * @param {LogHold[]} log one diver's holds, oldest first
 * @param {'dry' | 'pool' | null} setting of the hold to come
 * @returns {Expectations}
 */
export function expectationsOf(log, setting) {
  const clean = log.filter((h) => h.clean);
  const here = clean.filter((h) => h.setting === setting);
  const newest = log[log.length - 1];
  return {
    onset: usual(here, 'first_contraction_ms', setting),
    longest: longestOf(clean, setting),
    answer: usual(here, 'answer_median_ms', setting),
    ok: usual(here, 'ok_ms', setting),
    spo2_lowest: usual(here, 'spo2_lowest', setting),
    hr_lowest: usual(here, 'hr_lowest', setting),
    recovery: usual(here, 'back_to_95_ms', setting),
    cadence: here.length < LEAST_HOLDS || (newest !== undefined && inTrouble(newest)) ? 'close' : null,
  };
}
