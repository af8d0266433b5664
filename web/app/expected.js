/**
 * What a diver's log lets one expect, in words: every figure with where it
 * comes from, and what is not known said to be so. Pure but for the log it is
 * given.
 */

import { LEAST_HOLDS } from '../rules/expect.js';
import { clockOf, clockText, dayWords, tenthsText } from './clock_text.js';
import { personNamed } from './people.js';

/** @typedef {import('../rules/expect.js').Expectations} Expectations */
/** @typedef {import('../rules/expect.js').Figure} Figure */

/**
 * @param {any} app
 * @param {string} name of the diver
 * @param {'dry' | 'pool'} setting
 * @returns {Expectations}
 */
export function expected(app, name, setting) {
  return app.log.expected(personNamed(name, app.log.people()), setting);
}

/** @param {Figure} figure */
const holdsWords = ({ count, setting }) => `${count} ${setting ?? ''} hold${count === 1 ? '' : 's'}`.replace('  ', ' ');

/**
 * Where the usual first contraction in the sheet comes from.
 * @param {Figure} figure
 * @param {string} typed as it stands in the sheet
 * @returns {string[]} one line, or with the spread two
 */
export function onsetOrigin(figure, typed) {
  if (figure.value !== null && typed === clockOf(figure.value)) {
    return [`median of ${holdsWords(figure)}`, `half of them ${clockOf(figure.low)} to ${clockOf(figure.high)}`];
  }
  if (typed.trim() !== '') return ['typed'];
  return [unknownWords(figure)];
}

/** @param {Figure} figure */
function unknownWords({ count }) {
  return count === 0 ? 'not known yet: cautious' : `not known yet, ${count} of ${LEAST_HOLDS} holds: cautious`;
}

/**
 * Where the longest clean hold in the sheet comes from.
 * @param {Figure} figure
 * @param {string} typed as it stands in the sheet
 * @param {string} setting of the sheet
 * @returns {string}
 */
export function longestOrigin(figure, typed, setting) {
  if (typed.trim() === '') return 'not known yet: cautious';
  if (!isFromLog(figure, typed)) return 'typed';
  return figure.setting === setting ? 'from the log' : `from the log, ${figure.setting ?? 'setting not known'}`;
}

/** @param {Figure} figure @param {string} typed */
export function isFromLog(figure, typed) {
  return figure.value !== null && typed === clockOf(figure.value);
}

/**
 * The other usual figures, a line each.
 * @param {Expectations} e
 * @returns {string[]}
 */
export function usualLines(e) {
  /** @type {[string, Figure, (v: number) => string][]} */
  const figures = [
    ['answer', e.answer, tenthsText], ['OK sign', e.ok, clockText], ['lowest SpO₂', e.spo2_lowest, String], ['lowest pulse', e.hr_lowest, String],
    ['95 % again', e.recovery, clockText],
  ];
  const known = figures.filter(([, f]) => f.value !== null)
    .map(([what, f, words]) => `${what} ${words(Number(f.value))}, median of ${holdsWords(f)}`);
  return known.length > 0 ? known : [unknownWords(e.answer)];
}

/**
 * What a profile tells a buddy before a hold.
 * @param {import('../rules/people.js').Profile | null} profile
 * @param {number} nowMs
 * @returns {string[]}
 */
export function profileLines(profile, nowMs) {
  if (!profile) return [];
  const day = (/** @type {string} */ what, /** @type {string | null} */ on) => {
    const [y, m, d] = on === null ? [] : on.split('-').map(Number);
    return on === null ? [] : [`${what} ${dayWords(new Date(y, m - 1, d, 12).getTime(), nowMs)}`];
  };
  return [
    ...(profile.remarks === '' ? [] : [profile.remarks]),
    ...day('last blackout', profile.blackout_on), ...day('last LMC', profile.lmc_on), ...day('last training', profile.trained_on),
  ];
}
