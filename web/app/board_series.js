/**
 * One series for all pairs: the same steps, filed under each pair's own
 * diver. Pure. A series is a proposal; each pair's plan sheet shows it.
 */

import { growingHolds } from '../rules/series.js';
import { parseClock } from './clock_text.js';

/**
 * What is typed, as it stands in the fields.
 * @typedef {{first: string, step: string, count: string, rest: string}} SeriesDraft
 */

/** @type {Readonly<SeriesDraft>} */
export const SERIES_DRAFT = Object.freeze({ first: '1:30', step: '0:15', count: '4', rest: '3:00' });

/**
 * @param {SeriesDraft} draft
 * @returns {{steps: import('../rules/series.js').Step[]} | {problem: string}}
 */
export function stepsOf(draft) {
  const first = parseClock(draft.first);
  const step = parseClock(draft.step);
  const rest = parseClock(draft.rest);
  const count = /^\d{1,2}$/.test(draft.count.trim()) ? Number(draft.count) : null;
  if (first === null || step === null || rest === null) return { problem: 'times as 1:30 or 90 s' };
  const steps = count === null ? null : growingHolds({ first_s: first, step_s: step, count, rest_s: rest });
  return steps ? { steps } : { problem: 'from 1 to 20 holds of 0:15 to 15:00' };
}

/**
 * The data of one pair's `series` event.
 * @param {Record<string, unknown>} plan data of the pair's newest plan
 * @param {import('../rules/series.js').Step[]} steps
 * @param {string} id
 */
export function seriesData(plan, steps, id) {
  const { diver, diver_id, buddy, buddy_id, setting } = plan;
  const known = Object.entries({ diver, diver_id, buddy, buddy_id, setting }).filter(([, value]) => typeof value === 'string' && value !== '');
  return { series: id, ...Object.fromEntries(known), made: 'growing-holds', steps };
}
