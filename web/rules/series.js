// A series: several holds with rests between them. It is a proposal; each of its holds is a hold like any other.

import { compareEvents, isObject, wholeIn, wordOf } from './event.js';
import { nameKey, idIn } from './people.js';
import { PLAN_LIMITS } from './plan.js';

/** @typedef {import('./event.js').HoldEvent} HoldEvent */
/** @typedef {import('./log.js').LogHold} LogHold */

/** Limits of a series; a value outside voids it. */
export const SERIES_LIMITS = Object.freeze({ steps: 20, rest_s: 3600 });

/** A hold and the rest after it, whole seconds. @typedef {{planned_s: number, rest_s: number}} Step */

/**
 * @typedef {object} Series
 * @property {string} series its id
 * @property {string} diver
 * @property {string} diver_key
 * @property {string | null} diver_id
 * @property {string} buddy
 * @property {string | null} buddy_id
 * @property {'dry' | 'pool' | null} setting
 * @property {Step[]} steps
 * @property {boolean} ended by a person
 * @property {number | null} ended_at shared ms
 */

/**
 * Constant rest, growing holds. Null where a value leaves the limits.
 * @param {{first_s: number, step_s: number, count: number, rest_s: number}} made
 * @returns {Step[] | null}
 */
export function growingHolds({ first_s, step_s, count, rest_s }) {
  return stepsIn(Array.from({ length: count }, (_, i) => ({ planned_s: first_s + i * step_s, rest_s: i < count - 1 ? rest_s : 0 })));
}

/**
 * @param {unknown} value
 * @returns {Step[] | null}
 */
export function stepsIn(value) {
  if (!Array.isArray(value) || value.length === 0 || value.length > SERIES_LIMITS.steps) return null;
  /** @type {Step[]} */
  const steps = [];
  for (const step of value) {
    const planned = isObject(step) ? wholeIn(step.planned_s, PLAN_LIMITS.planned_s.min, PLAN_LIMITS.planned_s.max) : null;
    const rest = isObject(step) ? wholeIn(step.rest_s, 0, SERIES_LIMITS.rest_s) : null;
    if (planned === null || rest === null) return null;
    steps.push({ planned_s: planned, rest_s: rest });
  }
  return steps;
}

/** @param {unknown} value */
const textIn = (value) => (typeof value === 'string' ? value : '');

/**
 * The series among events: of each id the newest that has valid steps, sent by buddy or instructor; one ended by anybody
 * stays ended.
 * @param {HoldEvent[]} events in any order
 * @returns {Series[]} by the time of their first event, then by id
 */
export function seriesOf(events) {
  /** @type {Map<string, Series>} */
  const found = new Map();
  /** @type {Map<string, number>} */
  const ended = new Map();
  for (const { kind, by, at, data } of [...events].sort(compareEvents)) {
    const id = kind === 'series' && isObject(data) ? idIn(data.series) : null;
    if (id === null || !isObject(data)) continue;
    if (data.ended === true && !ended.has(id)) ended.set(id, at);
    const steps = by === 'buddy' || by === 'instructor' ? stepsIn(data.steps) : null;
    if (!steps) continue;
    found.set(id, {
      series: id,
      diver: textIn(data.diver),
      diver_key: nameKey(textIn(data.diver)),
      diver_id: idIn(data.diver_id),
      buddy: textIn(data.buddy),
      buddy_id: idIn(data.buddy_id),
      setting: wordOf(data.setting, /** @type {const} */ (['dry', 'pool'])),
      steps,
      ended: false,
      ended_at: null,
    });
  }
  return [...found.values()].map((s) => ({ ...s, ended: ended.has(s.series), ended_at: ended.get(s.series) ?? null }));
}

/**
 * What the place in a series is read from.
 * @typedef {Pick<LogHold, 'series' | 'series_no' | 'start_at' | 'end_at' | 'over' | 'incident' | 'passed_out' | 'verdict'>} SeriesHold
 */

/**
 * @typedef {object} SeriesNow
 * @property {'ready' | 'holding' | 'resting' | 'ended' | 'done'} state ready: the next hold may be planned and its rest is over
 * @property {number | null} next which step is next, or is being held; null where none is
 * @property {number | null} rest_until_at shared ms
 * @property {number} rest_left_ms
 * @property {'person' | 'incident' | null} ended_by
 */

/**
 * Where a series stands. The rest counts from surfacing, and its clock runs while the diver is watched. An incident or
 * *passed out* in one of its holds ends it; nothing begins it again.
 * @param {Series} series
 * @param {SeriesHold[]} log
 * @param {number} nowMs
 * @returns {SeriesNow}
 */
export function seriesAt(series, log, nowMs) {
  const mine = log.filter((h) => h.series === series.series && h.start_at <= nowMs);
  const none = { rest_until_at: null, rest_left_ms: 0, ended_by: null };
  if (mine.some((h) => h.incident !== null || h.passed_out || h.verdict === 'passed-out')) {
    return { ...none, state: 'ended', next: null, ended_by: 'incident' };
  }
  let last = null;
  for (const h of mine) if (!last || h.start_at > last.start_at) last = h;
  if (series.ended && series.ended_at !== null && series.ended_at <= nowMs) {
    return { ...none, state: 'ended', next: null, ended_by: 'person' };
  }
  if (!last) return { ...none, state: 'ready', next: 0 };
  const no = last.series_no ?? mine.length - 1;
  if (last.end_at === null || last.end_at > nowMs) return { ...none, state: 'holding', next: no };
  if (no + 1 >= series.steps.length) return { ...none, state: last.over ? 'done' : 'holding', next: last.over ? null : no };
  const until = last.end_at + series.steps[no].rest_s * 1000;
  const left = Math.max(0, until - nowMs);
  return {
    state: left > 0 || !last.over ? 'resting' : 'ready', next: no + 1, rest_until_at: until, rest_left_ms: left, ended_by: null,
  };
}
