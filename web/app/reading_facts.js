/**
 * Typed oximeter readings: what is read from a field, what is asked about, and
 * how a reading is told. Pure.
 */

import { READING_LIMITS } from '../rules/readings.js';
import { clockText } from './clock_text.js';

/** @typedef {{at_ms: number, spo2: number | null, hr: number | null}} Reading `at_ms` since the start */
/** @typedef {import('../rules/readings.js').Doubt} Doubt */

/** @type {Record<'spo2' | 'hr', string>} */
const NAMES = { spo2: 'SpO₂', hr: 'pulse' };

/**
 * Reads one typed number of a reading.
 * @param {string} text
 * @param {'spo2' | 'hr'} what
 * @returns {{value: number | null, problem: string | null}} an empty field has neither
 */
export function readNumber(text, what) {
  const t = text.trim().replace(/\s*%$/, '');
  if (t === '') return { value: null, problem: null };
  const [least, most] = READING_LIMITS[what];
  const value = /^\d{1,3}$/.test(t) ? Number(t) : NaN;
  if (!(value >= least && value <= most)) {
    return { value: null, problem: `${NAMES[what]} from ${least} to ${most}` };
  }
  return { value, problem: null };
}

/**
 * The reading before an instant, for judging a leap.
 * @param {Reading[]} known in order
 * @param {number} atMs
 */
export function previousReading(known, atMs) {
  const before = known.filter((r) => r.at_ms <= atMs).at(-1);
  return before ? { spo2: before.spo2, hr: before.hr, at: before.at_ms } : null;
}

/** @type {Record<Doubt['code'], string>} */
const DOUBTS = { impossible: 'cannot be', low: 'is very low', high: 'is very high', leap: 'leaps from the one before' };

/**
 * What is asked about, in words.
 * @param {{spo2: number | null, hr: number | null}} reading
 * @param {Doubt[]} doubts
 */
export function askWords(reading, doubts) {
  return `${doubts.map((d) => `${NAMES[d.field]} ${reading[d.field]} ${DOUBTS[d.code]}`).join(', ')}.`;
}

/** What a person's second press confirms. @param {{spo2: number | null, hr: number | null, at: number}} reading */
export const doubtKey = (reading) => `${reading.spo2} ${reading.hr} ${reading.at}`;

/**
 * A reading with its place on the tape, and since surfacing.
 * @param {Reading} reading
 * @param {number | null} surfacedMs
 */
export function readingLine({ at_ms, spo2, hr }, surfacedMs) {
  const values = [spo2 === null ? '' : `${NAMES.spo2} ${spo2}`, hr === null ? '' : `${NAMES.hr} ${hr}`].filter(Boolean).join(', ');
  const since = surfacedMs !== null && at_ms >= surfacedMs ? `, ${clockText(at_ms - surfacedMs)} after surfacing` : '';
  return `${clockText(at_ms)}${since}: ${values}`;
}
