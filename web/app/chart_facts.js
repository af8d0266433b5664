/**
 * What the debrief's charts draw of a hold, on the screen and on paper. Pure.
 */

import { marksOf } from './log_marks.js';

/** @typedef {import('./reading_facts.js').Reading} Reading */

/**
 * The readings of a hold as they count, in order.
 * @param {import('../rules/fold.js').Hold} hold
 * @param {number} start shared ms
 * @param {number} nowMs shared ms
 * @returns {Reading[]}
 */
export function readingsOf(hold, start, nowMs) {
  return marksOf(hold, start, nowMs).filter((m) => m.kind === 'reading' && !m.gone).map((m) => {
    const data = hold.byId.get(m.id)?.data ?? {};
    return { at_ms: m.now_ms, spo2: wholeOr(data.spo2), hr: wholeOr(data.hr) };
  }).sort((a, b) => a.at_ms - b.at_ms);
}

/** @param {unknown} value */
function wholeOr(value) {
  return Number.isInteger(value) ? Number(value) : null;
}

/**
 * @param {import('./log_facts.js').HoldRecord} record of a hold that has begun
 * @param {import('../tape/tape.js').TapeModel} model the hold's tape
 * @param {{readings: Reading[], sites: {site: string, at_ms: number}[], usual_ms: number | null}} more
 * @returns {import('../views/debrief_charts.js').ChartFacts}
 */
export function chartFacts({ status, summary }, model, { readings, sites, usual_ms }) {
  const { struggle_at_ms, late_at_ms, final_at_ms, end_at_ms } = status.boundaries;
  return {
    marks: model.marks ?? [],
    total_ms: model.total_ms ?? summary.hold_ms ?? 0,
    surfaced_ms: status.surfaced_at === null ? null : status.surfaced_at - Number(status.start_at),
    cadence: status.plan?.cadence ?? 'close',
    bounds: { struggle_at: struggle_at_ms, late_at: late_at_ms, final_at: final_at_ms, end_at: end_at_ms, glide_end: model.glide_end_ms ?? final_at_ms },
    readings,
    rates: summary.contraction_rates,
    sites,
    usual_ms,
  };
}
