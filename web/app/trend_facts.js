/**
 * Trends in words and on scales: what a chart draws and what its table says
 * are read from the same figures. Pure.
 */

import { LEAST_HOLDS } from '../rules/expect.js';
import { CONDITION_HOLDS } from '../rules/trends.js';
import { LINE_POINTS } from '../rules/stats.js';
import { clockText, dateWords, tenthsText } from './clock_text.js';

/** @typedef {import('../rules/trends.js').TrendField} TrendField */
/** @typedef {import('../rules/trends.js').Trend} Trend */
/** @typedef {import('../rules/trends.js').Condition} Condition */

/**
 * What is followed, in the order it is shown: its name, how a value reads, and
 * the words for more and less of it.
 * @type {Readonly<Record<TrendField, {name: string, words: (value: number) => string, step: number[], more: string, less: string}>>}
 */
export const FIELDS = Object.freeze({
  onset: { name: 'first contraction', words: clockText, step: [5000, 10_000, 15_000, 30_000, 60_000, 120_000], more: 'later', less: 'earlier' },
  hold: { name: 'hold', words: clockText, step: [5000, 10_000, 15_000, 30_000, 60_000, 120_000], more: 'longer', less: 'shorter' },
  easy: { name: 'easy share', words: (v) => `${Math.round(v / 10)} %`, step: [10, 20, 50, 100, 200], more: 'more', less: 'less' },
  answer: { name: 'answer', words: tenthsText, step: [100, 200, 500, 1000, 2000, 5000], more: 'slower', less: 'faster' },
  recovery: { name: '95 % again', words: clockText, step: [5000, 10_000, 15_000, 30_000, 60_000], more: 'later', less: 'earlier' },
});

/** @type {readonly TrendField[]} */
export const FIELD_NAMES = Object.freeze(/** @type {TrendField[]} */ (Object.keys(FIELDS)));

/**
 * A value as exactly as it can differ: answer times differ by hundredths.
 * @param {TrendField} field
 * @param {number} value
 */
const fine = (field, value) => (field === 'answer' ? `${(Math.round(value / 10) / 100).toFixed(2)} s` : FIELDS[field].words(value));

/** @param {TrendField} field @param {number} value */
const size = (field, value) => fine(field, Math.abs(value));

/**
 * A difference in words: `0:12 later`.
 * @param {TrendField} field
 * @param {number} value
 */
export function differenceWords(field, value) {
  const words = size(field, value);
  if (words === size(field, 0)) return 'no difference';
  return `${words} ${value > 0 ? FIELDS[field].more : FIELDS[field].less}`;
}

/**
 * What is usual now, as the plan has it: the median of the newest clean holds, with its spread and count. Of the holds'
 * lengths the longest clean one counts; an easy share has none.
 * @param {TrendField} field
 * @param {import('../rules/expect.js').Expectations} e
 * @param {'dry' | 'pool'} setting
 * @returns {string}
 */
export function usualWords(field, e, setting) {
  const { words } = FIELDS[field];
  const holds = (/** @type {number} */ n) => `${n} clean hold${n === 1 ? '' : 's'}`;
  if (field === 'easy') return '';
  if (field === 'hold') return e.longest.value === null ? '' : `longest clean ${words(e.longest.value)}${e.longest.setting === setting ? '' : `, ${e.longest.setting ?? 'setting not known'}`}`;
  const { value, low, high, count } = { onset: e.onset, answer: e.answer, recovery: e.recovery }[field];
  if (value === null || low === null || high === null) return `usual not known yet: ${holds(count)} of ${LEAST_HOLDS}`;
  return `usual ${fine(field, value)}, half of them ${fine(field, low)} to ${fine(field, high)}: ${holds(count)}`;
}

const DAY_MS = 86_400_000;

/**
 * A counted day as `12 May`.
 * @param {number} day as the phone's own zone counts
 */
export function dayName(day) {
  const d = new Date(day * DAY_MS);
  return dateWords(new Date(d.getUTCFullYear(), d.getUTCMonth(), d.getUTCDate(), 12).getTime());
}

/**
 * What the line says, with its interval; or why there is none. Of years of days it says how many are shown.
 * @param {TrendField} field
 * @param {Trend & {days?: number}} trend `days` there are in all
 * @returns {string[]}
 */
export function lineWords(field, { points, line, days = points.length }) {
  if (points.length === 0) return ['nothing in the log yet'];
  if (!line) return [`no line: ${points.length} of ${LINE_POINTS} days`];
  const newest = days > points.length ? [`the newest ${points.length} of ${days} days`] : [];
  const words = (/** @type {number} */ v) => fine(field, v);
  const [low, high] = [line.low, line.high].map((slope) => differenceWords(field, slope));
  const interval = low === high ? `${low} at either end` : `between ${low} and ${high}`;
  return [
    `${words(line.from.value)} on ${dayName(line.from.day)}, ${words(line.to.value)} on ${dayName(line.to.day)}`,
    line.direction === 'level'
      ? `no clear change in 30 days: ${interval}`
      : `in 30 days ${differenceWords(field, line.per_30_days)}: ${interval}`,
    ...newest,
  ];
}

/**
 * The chart as a table: day, value, holds.
 * @param {TrendField} field
 * @param {Trend} trend
 * @returns {[string, string, string][]}
 */
export function tableRows(field, { points }) {
  return points.map((p) => [dayName(p.day), FIELDS[field].words(p.value), String(p.count)]);
}

/**
 * What went along with a condition. No word of it says why.
 * @param {TrendField} field
 * @param {Condition} found
 */
export function conditionWords(field, found) {
  return {
    words: differenceWords(field, found.difference),
    sub: `${fine(field, found.with.median)} in ${found.with.count} holds with, ${fine(field, found.without.median)} in ${found.without.count} without`,
  };
}

/** Said where no condition has holds enough on both sides. */
export const NO_CONDITIONS = `spoken of from ${CONDITION_HOLDS} holds with and ${CONDITION_HOLDS} without`;

/**
 * Places on a chart. x runs from the first to the last day; y holds every point
 * and the ends of the line, on a scale whose rules are whole steps.
 * @param {TrendField} field
 * @param {Trend} trend
 * @param {{left: number, right: number, top: number, foot: number}} box CSS px
 */
export function chartScale(field, { points, line }, { left, right, top, foot }) {
  const days = points.map((p) => p.day);
  const first = days[0];
  const last = days[days.length - 1];
  const values = [...points.map((p) => p.value), ...(line ? [line.from.value, line.to.value] : [])];
  const low = Math.min(...values);
  const high = Math.max(...values);
  const steps = FIELDS[field].step;
  let step = steps.find((s) => (high - low) / s <= 3) ?? steps[steps.length - 1];
  while ((high - low) / step > 3) step *= 2;
  const base = Math.floor(low / step) * step;
  const head = Math.max(base + step, Math.ceil(high / step) * step);
  const x = (/** @type {number} */ day) => (last > first ? left + ((day - first) * (right - left)) / (last - first) : (left + right) / 2);
  const y = (/** @type {number} */ value) => foot - ((value - base) * (foot - top)) / (head - base);
  const rules = [];
  for (let v = base; v <= head; v += step) rules.push(v);
  return { x, y, rules };
}

/**
 * The two lines between which the slope lies: through the middle of the line,
 * with the least and the greatest slope of its interval.
 * @param {NonNullable<Trend['line']>} line
 * @returns {{low: [number, number], high: [number, number]}} values at the line's first and last day
 */
export function intervalEnds(line) {
  const days = line.to.day - line.from.day;
  const middle = (line.from.value + line.to.value) / 2;
  const ends = (/** @type {number} */ per30) => {
    const half = (per30 * days) / 60;
    return /** @type {[number, number]} */ ([middle - half, middle + half]);
  };
  return { low: ends(line.low), high: ends(line.high) };
}
