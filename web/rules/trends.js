// What changes over weeks, and what goes with it.

import { compareBytes } from './event.js';
import { median, middle, robustLine } from './stats.js';

/** @typedef {import('./log.js').LogHold} LogHold */
/** @typedef {import('./stats.js').Line} Line */

/** A condition is spoken of from so many holds on each side. */
export const CONDITION_HOLDS = 8;

/** What is followed, and the figure of a hold that it is read from. */
export const TREND_FIELDS = Object.freeze({
  onset: 'first_contraction_ms',
  hold: 'hold_ms',
  easy: 'easy_permille',
  answer: 'answer_median_ms',
  recovery: 'back_to_95_ms',
});

/** @typedef {keyof typeof TREND_FIELDS} TrendField */

/**
 * One series. A point is a day: its value the median of that day's holds, rounded down, and their count.
 * @typedef {{points: {day: number, value: number, count: number}[], line: Line | null}} Trend
 */

/**
 * @param {LogHold[]} log
 * @param {'dry' | 'pool'} setting
 * @param {TrendField} field
 * @returns {{hold: LogHold, value: number}[]}
 */
function valuesOf(log, setting, field) {
  const read = TREND_FIELDS[field];
  /** @type {{hold: LogHold, value: number}[]} */
  const values = [];
  for (const hold of log) {
    const value = hold.setting === setting && hold.over ? hold[read] : null;
    if (value !== null) values.push({ hold, value });
  }
  return values;
}

/**
 * @param {LogHold[]} log one diver's holds, in any order
 * @param {'dry' | 'pool'} setting
 * @returns {Record<TrendField, Trend>}
 */
export function trendsOf(log, setting) {
  const of = (/** @type {TrendField} */ field) => {
    /** @type {Map<number, number[]>} */
    const days = new Map();
    for (const { hold, value } of valuesOf(log, setting, field)) {
      const day = days.get(hold.day);
      if (day) day.push(value);
      else days.set(hold.day, [value]);
    }
    const points = [...days]
      .map(([day, values]) => ({ day, value: Number(median(values)), count: values.length }))
      .sort((a, b) => a.day - b.day);
    return { points, line: robustLine(points) };
  };
  return { onset: of('onset'), hold: of('hold'), easy: of('easy'), answer: of('answer'), recovery: of('recovery') };
}

/**
 * What goes with a condition. It tells of no cause.
 * @typedef {object} Condition
 * @property {string} condition
 * @property {{count: number, median: number}} with
 * @property {{count: number, median: number}} without
 * @property {number} difference of the medians, with minus without
 */

/**
 * The conditions that stood in at least eight holds and did not in at least eight, the greatest difference first. Only holds
 * of which something was said count, since silence is no "without".
 * @param {LogHold[]} log one diver's holds, in any order
 * @param {'dry' | 'pool'} setting
 * @param {TrendField} field
 * @returns {Condition[]}
 */
export function conditionsOf(log, setting, field) {
  // Sorted once: each side then is in order too.
  const values = valuesOf(log, setting, field)
    .filter(({ hold }) => hold.conditions.length > 0 || hold.felt.length > 0)
    .sort((a, b) => a.value - b.value);
  const words = new Set(values.flatMap(({ hold }) => hold.conditions));
  /** @type {Condition[]} */
  const found = [];
  for (const condition of words) {
    /** @type {number[]} */
    const there = [];
    /** @type {number[]} */
    const absent = [];
    for (const { hold, value } of values) (hold.conditions.includes(condition) ? there : absent).push(value);
    if (there.length < CONDITION_HOLDS || absent.length < CONDITION_HOLDS) continue;
    const [w, o] = [there, absent].map((side) => ({ count: side.length, median: Number(middle(side)) }));
    found.push({ condition, with: w, without: o, difference: w.median - o.median });
  }
  return found.sort((a, b) => Math.abs(b.difference) - Math.abs(a.difference) || compareBytes(a.condition, b.condition));
}
