// What is to be said before a hold, and who does not dive for the rest of the day. A guard warns or forbids; none clears.

import { diverIn } from './log.js';
import { maybeSamePerson } from './people.js';
import { usualEndS } from './plan.js';

/** @typedef {import('./log.js').LogHold} LogHold */
/** @typedef {import('./log.js').Zone} Zone */
/** @typedef {import('./people.js').Person} Person */

/** A buddy whose own hold ended less than this ago is not fresh yet, ms (own). */
export const BUDDY_REST_MS = 180_000;
/** Rest is at least this many times the last hold (common practice). */
export const REST_TIMES = 2;
/** A block lasts to the end of the day, and never less than this, ms (own): midnight is no recovery. */
export const BLOCK_AT_LEAST_MS = 8 * 3_600_000;
/** More training days in a row than these are spoken of (own). */
export const DAYS_IN_ROW = 3;

/**
 * What the guards read of a hold.
 * @typedef {Pick<LogHold, 'hold' | 'start_at' | 'day' | 'day_end_at' | 'end_at' | 'hold_ms' | 'over' | 'diver_id' | 'diver_key' |
 *   'buddy_id' | 'buddy_key' | 'series' | 'verdict' | 'passed_out' | 'incident' | 'incident_at'>} GuardHold
 */

/** An instructor's word that lifts a diver's block. @typedef {{diver: Person, at: number}} Lift */

/**
 * @typedef {object} Guard
 * @property {'running' | 'verdict' | 'blocked' | 'buddy-blocked' | 'over-longest' | 'end-over-longest' | 'rest' | 'series-rest' |
 *   'buddy-rest' | 'days-in-row'} what
 * @property {boolean} hard no "go on"
 * @property {'log' | 'typed' | 'common practice' | 'own'} source where it comes from
 * @property {string} [hold] the hold it speaks of
 * @property {number} [percent] how far over the longest clean hold
 * @property {number} [suggest_s] what would pass
 * @property {number} [until_ms] shared time from which it no longer holds
 * @property {number} [left_ms]
 * @property {number} [need_ms]
 * @property {number} [days]
 * @property {number} [rests] how many rests of the series are too short
 */

/**
 * How far a plan may exceed the longest clean hold without a warning, and how far the agreed end lies after the planned time
 * unless changed: the larger of 10 %, rounded down, and 15 s.
 * @param {number} s
 */
export const marginS = (s) => usualEndS(s) - s;

/** @param {number} over @param {number} of @returns {number} whole percent, half up */
const percentOf = (over, of) => (of > 0 ? Math.floor((over * 200 + of) / (2 * of)) : 100);

/**
 * The planned time against the longest clean hold, and, where that passes, the agreed end against what it would be then.
 * @param {number | null} plannedS
 * @param {number | null} endS
 * @param {number | null} longestS null where no clean hold is known
 * @param {'log' | 'typed'} source of the longest
 * @returns {Guard | null}
 */
export function overLongest(plannedS, endS, longestS, source) {
  if (longestS === null) return null;
  const most = usualEndS(longestS);
  if (plannedS !== null && plannedS > most) {
    return { what: 'over-longest', hard: false, source, percent: percentOf(plannedS - longestS, longestS), suggest_s: most };
  }
  const mostEnd = usualEndS(most);
  if (endS !== null && endS > mostEnd) {
    return { what: 'end-over-longest', hard: false, source, percent: percentOf(endS - longestS, longestS), suggest_s: mostEnd };
  }
  return null;
}

/**
 * Whether a hold keeps its diver from diving for the day: an LMC or a blackout, named or said at the debrief, and an incident
 * of which nobody has said what it was.
 * @param {GuardHold} h
 */
export function blocks(h) {
  if (h.passed_out || h.verdict === 'passed-out' || h.incident === 'lmc' || h.incident === 'blackout') return true;
  return h.incident === 'unknown' && h.verdict !== 'clean';
}

/**
 * A person's block at `nowMs`, the one that lasts longest.
 * @param {Person} person
 * @param {GuardHold[]} log
 * @param {Lift[]} lifts
 * @param {Zone} zone
 * @param {number} nowMs
 * @returns {{until_ms: number, hold: string} | null}
 */
export function blockOf(person, log, lifts, zone, nowMs) {
  let found = null;
  for (const h of log) {
    if (!maybeSamePerson(diverIn(h), person) || !blocks(h)) continue;
    const at = h.incident_at ?? h.end_at ?? h.start_at;
    if (lifts.some((l) => maybeSamePerson(l.diver, person) && l.at >= at)) continue;
    const until = Math.max(zone.dayEnd(at), at + BLOCK_AT_LEAST_MS);
    if (nowMs < until && (!found || until > found.until_ms)) found = { until_ms: until, hold: h.hold };
  }
  return found;
}

/**
 * @param {GuardHold[]} log
 * @param {Person} person
 * @returns {GuardHold | null} that diver's newest hold that has ended
 */
function lastEnded(log, person) {
  let last = null;
  for (const h of log) {
    if (h.end_at === null || !maybeSamePerson(diverIn(h), person)) continue;
    if (!last || h.end_at > Number(last.end_at)) last = h;
  }
  return last;
}

/**
 * The rest a diver still owes.
 * @param {Person} person
 * @param {GuardHold[]} log
 * @param {number} nowMs
 * @returns {{rest_ms: number, need_ms: number, until_ms: number, left_ms: number} | null} null where that diver has no hold
 */
export function restOf(person, log, nowMs) {
  const last = lastEnded(log, person);
  if (!last || last.end_at === null || last.hold_ms === null) return null;
  const need = REST_TIMES * last.hold_ms;
  const until = last.end_at + need;
  return { rest_ms: nowMs - last.end_at, need_ms: need, until_ms: until, left_ms: Math.max(0, until - nowMs) };
}

/**
 * Training days in a row up to today, which counts: a hold is being planned.
 * @param {Person} person
 * @param {GuardHold[]} log
 * @param {number} today
 */
export function daysInRow(person, log, today) {
  const days = new Set(log.filter((h) => maybeSamePerson(diverIn(h), person)).map((h) => h.day));
  let row = 1;
  while (days.has(today - row)) row++;
  return row;
}

/**
 * The rests of a series that are shorter than twice the hold before them. After the last hold none is needed.
 * @param {{planned_s: number, rest_s: number}[]} steps
 */
export function shortRests(steps) {
  return steps.filter((s, i) => i < steps.length - 1 && s.rest_s < REST_TIMES * s.planned_s).length;
}

/**
 * All guards that stand at `nowMs`, the gravest first.
 * @param {object} input
 * @param {number} input.now_ms shared ms
 * @param {Zone} input.zone
 * @param {Person} input.diver
 * @param {Person} input.buddy
 * @param {number | null} input.planned_s null while the field makes no sense
 * @param {number | null} [input.end_by_s]
 * @param {number | null} input.longest_s
 * @param {'log' | 'typed'} [input.longest_from]
 * @param {GuardHold[]} input.holds this pair's
 * @param {GuardHold[]} [input.log] all that are known, this pair's among them
 * @param {Lift[]} [input.lifts]
 * @param {Person[]} [input.others] further buddies and instructors present
 * @param {{series: string, steps: {planned_s: number, rest_s: number}[]} | null} [input.series] the one the plan belongs to
 * @returns {Guard[]}
 */
export function guardsOf(input) {
  const { now_ms: now, zone, diver, buddy, holds, log = holds, lifts = [], others = [], series = null } = input;
  /** @type {Guard[]} */
  const guards = [];
  /** @type {GuardHold | null} */
  let previous = null;
  for (const h of holds) if (!previous || h.start_at > previous.start_at) previous = h;
  if (previous && !previous.over) guards.push({ what: 'running', hard: true, source: 'log', hold: previous.hold });
  else if (previous && previous.verdict === null) guards.push({ what: 'verdict', hard: true, source: 'log', hold: previous.hold });

  const block = blockOf(diver, log, lifts, zone, now);
  if (block) guards.push({ what: 'blocked', hard: true, source: 'common practice', ...block });
  const buddyBlock = blockOf(buddy, log, lifts, zone, now);
  const another = others.some((o) => (o.key !== '' || o.id !== null) && !maybeSamePerson(o, buddy) && !maybeSamePerson(o, diver)
    && !blockOf(o, log, lifts, zone, now));
  if (buddyBlock && !another) guards.push({ what: 'buddy-blocked', hard: true, source: 'common practice', ...buddyBlock });

  const over = overLongest(input.planned_s, input.end_by_s ?? null, input.longest_s, input.longest_from ?? 'typed');
  if (over) guards.push(over);

  const begun = series !== null && log.some((h) => h.series === series.series);
  const rest = restOf(diver, log, now);
  // Of a series it was said before its first hold.
  if (rest && rest.left_ms > 0 && !begun) {
    guards.push({
      what: 'rest', hard: false, source: 'common practice', until_ms: rest.until_ms, left_ms: rest.left_ms, need_ms: rest.need_ms,
    });
  }
  const short = series !== null && !begun ? shortRests(series.steps) : 0;
  if (short > 0) guards.push({ what: 'series-rest', hard: false, source: 'common practice', rests: short });

  const buddyLast = lastEnded(log, buddy);
  if (buddyLast && buddyLast.end_at !== null && now - buddyLast.end_at < BUDDY_REST_MS) {
    const until = buddyLast.end_at + BUDDY_REST_MS;
    guards.push({ what: 'buddy-rest', hard: false, source: 'own', until_ms: until, left_ms: until - now });
  }
  const days = daysInRow(diver, log, zone.dayOf(now));
  if (days > DAYS_IN_ROW) guards.push({ what: 'days-in-row', hard: false, source: 'own', days });
  return guards;
}
