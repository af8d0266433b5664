/**
 * What the log of a pair says about its holds and divers, as plain facts for
 * the sheets. Pure: the rules do the counting, this gathers it.
 */

import { graveOf } from '../rules/log.js';
import { idIn } from '../rules/people.js';
import { statusAt } from '../rules/status.js';
import { summarize } from '../rules/summary.js';
import { isAbandoned } from './book.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../rules/status.js').Status} Status */
/** @typedef {import('../rules/summary.js').Summary} Summary */
/** @typedef {import('./guards.js').HoldFacts} HoldFacts */

/**
 * @typedef {object} HoldRecord
 * @property {Hold} hold
 * @property {Status} status
 * @property {Summary} summary
 * @property {ReturnType<typeof graveOf>} grave what can keep the diver from diving on
 */

/** @type {WeakMap<Hold, {count: number, record: HoldRecord}>} holds that are over change only with their events */
const finished = new WeakMap();

/**
 * Status and summary of a hold at `nowMs`, kept while nothing can change them.
 * @param {Hold} hold
 * @param {number} nowMs
 * @returns {HoldRecord}
 */
export function recordOf(hold, nowMs) {
  const kept = finished.get(hold);
  if (kept && kept.count === hold.events.length) return kept.record;
  const status = statusAt(hold, nowMs);
  const summary = summarize(hold, nowMs);
  const record = { hold, status, summary, grave: graveOf(hold, status.start_at ?? Infinity, summary.incident, nowMs) };
  // What another phone's clock stamped a little ahead is still to come.
  if (status.phase === 'over' && hold.events[hold.events.length - 1].at <= nowMs) finished.set(hold, { count: hold.events.length, record });
  return record;
}

/**
 * Whether a hold runs no more: it has ended, or was left without an end.
 * @param {HoldRecord} record
 * @param {number} nowMs
 */
export function isOver({ hold, status }, nowMs) {
  return status.phase === 'over' || isAbandoned(hold, nowMs);
}

/** @param {HoldRecord} record */
export function diverOf({ status }) {
  return status.plan?.diver ?? '';
}

/**
 * The started holds as the guards need them.
 * @param {Hold[]} holds
 * @param {number} nowMs
 * @returns {HoldFacts[]}
 */
export function factsOf(holds, nowMs) {
  /** @type {HoldFacts[]} */
  const facts = [];
  for (const hold of holds) {
    const record = recordOf(hold, nowMs);
    const { status, summary, grave } = record;
    if (status.start_at === null || status.start_at > nowMs) continue;
    facts.push({
      hold: hold.id,
      diver: diverOf(record),
      buddy: status.plan?.buddy ?? '',
      diver_id: status.plan?.diver_id ?? null,
      buddy_id: status.plan?.buddy_id ?? null,
      series: status.plan?.series ?? null,
      start_at: status.start_at,
      end_at: status.surfaced_at ?? status.recovered_at ?? null,
      hold_ms: summary.hold_ms,
      over: isOver(record, nowMs),
      verdict: /** @type {HoldFacts['verdict']} */ (summary.verdict),
      ...grave,
    });
  }
  return facts;
}

/**
 * The newest `plan` event of all holds, of those whose data pass.
 * @param {Hold[]} holds
 * @param {(data: Record<string, any>) => boolean} [passes]
 * @returns {{id: string, hold: string, at: number, data: Record<string, any>} | null}
 */
export function newestPlan(holds, passes = () => true) {
  let newest = null;
  for (const hold of holds) {
    for (const event of hold.events) {
      if (event.kind !== 'plan' || !event.data || !passes(event.data)) continue;
      if (!newest || event.at >= newest.at) newest = { id: event.id, hold: hold.id, at: event.at, data: event.data };
    }
  }
  return newest;
}

/**
 * Blocks that an instructor lifted.
 * @param {Hold[]} holds
 * @returns {import('./guards.js').Lift[]}
 */
export function liftsOf(holds) {
  /** @type {import('./guards.js').Lift[]} */
  const lifts = [];
  for (const hold of holds) {
    for (const event of hold.events) {
      const data = event.data;
      if (event.kind !== 'note' || event.by !== 'instructor' || data?.lifts !== 'block') continue;
      const texts = [data.diver, data.name, data.text];
      if (texts.every((t) => typeof t === 'string' && t.trim() !== '')) {
        lifts.push({ diver: String(data.diver), diver_id: idIn(data.diver_id), at: event.at, name: String(data.name), reason: String(data.text) });
      }
    }
  }
  return lifts;
}
