/**
 * What is said over a whole log, made once and kept: who is known, what each
 * diver's log lets one expect, and their trends. No hold needs it, so it is
 * loaded later. Pure.
 */

import { LINE_NEWEST } from '../rules/stats.js';
import { conditionsOf, trendsOf } from '../rules/trends.js';

/** @typedef {import('../rules/log.js').LogHold} LogHold */
/** @typedef {import('../rules/people.js').Person} Person */
/** @typedef {import('../rules/expect.js').Expectations} Expectations */
/** @typedef {import('../rules/trends.js').Trend} Trend */
/** @typedef {import('../rules/trends.js').TrendField} TrendField */
/** @typedef {import('../rules/trends.js').Condition} Condition */
/** @typedef {import('./people.js').Known} Known */
/** @typedef {'dry' | 'pool'} Setting */

/** A trend as it is shown: its newest points, and how many days there are in all. @typedef {Trend & {days: number}} ShownTrend */

/**
 * What changes over weeks in one setting, and what goes along with each figure.
 * @typedef {{trends: Record<TrendField, ShownTrend>, along: Record<TrendField, Condition[]>}} Told
 */

/** The big part of a diver's digest, read when somebody looks. @typedef {{v: number, made: string} & Record<Setting, Told>} Part */

/**
 * The part that is read as the page opens.
 * @typedef {object} Head
 * @property {number} v LOG_VERSION
 * @property {Known[]} people
 * @property {{key: string, made: string, expected: Record<Setting, Expectations>}[]} divers `made` names the Part that belongs to it
 */

/**
 * What is told of one diver's holds in a setting, in pieces: thousands of holds take a while to count.
 * @param {LogHold[]} mine
 * @param {Setting} setting
 * @returns {Generator<void, Told>}
 */
export function* tellingOf(mine, setting) {
  const trends = trendsOf(mine, setting);
  const fields = /** @type {TrendField[]} */ (Object.keys(trends));
  /** @type {[TrendField, Condition[]][]} */
  const along = [];
  for (const f of fields) {
    yield;
    along.push([f, conditionsOf(mine, setting, f)]);
  }
  return {
    trends: /** @type {any} */ (Object.fromEntries(fields.map((f) => [f, newest(trends[f])]))),
    along: /** @type {any} */ (Object.fromEntries(along)),
  };
}

/** The same in one go. @param {LogHold[]} mine @param {Setting} setting @returns {Told} */
export function toldOf(mine, setting) {
  const telling = tellingOf(mine, setting);
  let step = telling.next();
  while (!step.done) step = telling.next();
  return step.value;
}

/** The days that the line goes through; years of them are no chart. @param {Trend} trend @returns {ShownTrend} */
const newest = ({ points, line }) => ({ points: points.slice(-LINE_NEWEST), line, days: points.length });
