/**
 * What the plan sheet warns of before a hold begins (hazard H19), and who may
 * not dive for the rest of the day. Pure: the log comes in as plain facts.
 *
 * A guard that is `hard` has no "go on"; the others are gone over on a named
 * person's word, which is kept in the plan.
 */

import { dayEnd } from './clock_text.js';
import { usualEndS } from '../rules/plan.js';

/** A buddy whose own hold ended less than this ago is not fresh yet (own). */
export const BUDDY_REST_MS = 180_000;
/** Rest is at least this many times the last hold (common practice). */
export const REST_TIMES = 2;
/** A block lasts to the end of the day, and never less than this (own): midnight is no recovery. */
export const BLOCK_AT_LEAST_MS = 8 * 3_600_000;

/**
 * What the guards need to know of one earlier hold. Times are shared ms.
 * @typedef {object} HoldFacts
 * @property {string} hold
 * @property {string} diver
 * @property {string} buddy
 * @property {number} start_at
 * @property {number | null} end_at when the diver surfaced, or an incident ended; null while neither has come
 * @property {number | null} hold_ms
 * @property {boolean} over false while hold, recovery, watch or incident still runs
 * @property {'lmc' | 'blackout' | 'unknown' | null} incident
 * @property {number | null} incident_at
 * @property {'clean' | 'shaky' | 'passed-out' | null} verdict
 * @property {boolean} [passed_out] "passed out" was said and stood, whatever was said later
 */

/**
 * An instructor's word that lifts a diver's block.
 * @typedef {{diver: string, at: number, name: string, reason: string}} Lift
 */

/**
 * @typedef {object} Guard
 * @property {'running' | 'verdict' | 'blocked' | 'buddy-blocked' | 'over-longest' | 'rest' | 'buddy-rest'} what
 * @property {boolean} hard no "go on"
 * @property {string} [hold] the hold it speaks of
 * @property {string} [who] the person it speaks of
 * @property {number} [percent] how far the plan is over the longest clean hold
 * @property {number} [suggest_s] the planned time that would pass
 * @property {number} [until_ms] shared time from which it no longer holds
 * @property {number} [left_ms]
 * @property {number} [need_ms]
 */

/**
 * How far a plan may exceed the longest clean hold without a warning, and how
 * far the agreed end lies after the planned time unless changed: the larger of
 * 10 %, rounded down, and 15 s.
 * @param {number} s
 */
export function marginS(s) {
  return usualEndS(s) - s;
}

/**
 * Whether two typed names mean one person: spaces at the ends and case do not
 * matter. An empty name is nobody's.
 * @param {string} a
 * @param {string} b
 */
export function sameName(a, b) {
  const fold = (/** @type {string} */ s) => s.trim().replace(/\s+/g, ' ').normalize('NFC').toLowerCase();
  return fold(a) !== '' && fold(a) === fold(b);
}

/**
 * @param {number} plannedS
 * @param {number | null} longestS null where no clean hold is known
 * @returns {Guard | null}
 */
export function overLongest(plannedS, longestS) {
  if (longestS === null) return null;
  const over = plannedS - longestS;
  if (over <= marginS(longestS)) return null;
  return {
    what: 'over-longest',
    hard: false,
    percent: longestS > 0 ? Math.round((over * 100) / longestS) : 100,
    suggest_s: longestS + marginS(longestS),
  };
}

/**
 * Whether this hold keeps its diver out of the water for the day: an LMC or a
 * blackout, chosen or said at the debrief, and an incident of which nobody has
 * yet said what it was.
 * @param {HoldFacts} facts
 */
export function blocks(facts) {
  if (facts.verdict === 'passed-out' || facts.passed_out) return true;
  if (facts.incident === 'lmc' || facts.incident === 'blackout') return true;
  return facts.incident === 'unknown' && facts.verdict !== 'clean';
}

/**
 * When a person's block ends, or null where there is none at `nowMs`.
 * @param {string} name
 * @param {HoldFacts[]} holds
 * @param {Lift[]} lifts
 * @param {number} nowMs
 * @returns {{until_ms: number, hold: string} | null}
 */
export function blockOf(name, holds, lifts, nowMs) {
  let found = null;
  for (const facts of holds) {
    if (!sameName(facts.diver, name) || !blocks(facts)) continue;
    const at = facts.incident_at ?? facts.end_at ?? facts.start_at;
    if (lifts.some((l) => sameName(l.diver, name) && l.at >= at)) continue;
    const until = Math.max(dayEnd(at), at + BLOCK_AT_LEAST_MS);
    if (nowMs < until && (!found || until > found.until_ms)) found = { until_ms: until, hold: facts.hold };
  }
  return found;
}

/**
 * @param {HoldFacts[]} holds
 * @param {string} name
 * @returns {HoldFacts | null} that diver's newest hold that has ended
 */
function lastEnded(holds, name) {
  let last = null;
  for (const facts of holds) {
    if (facts.end_at === null || !sameName(facts.diver, name)) continue;
    if (!last || facts.end_at > /** @type {number} */ (last.end_at)) last = facts;
  }
  return last;
}

/**
 * The rest a diver still owes.
 * @param {string} name
 * @param {HoldFacts[]} holds
 * @param {number} nowMs
 * @returns {{rest_ms: number, need_ms: number, until_ms: number, left_ms: number} | null} null where that diver has no hold
 */
export function restOf(name, holds, nowMs) {
  const last = lastEnded(holds, name);
  if (!last || last.end_at === null || last.hold_ms === null) return null;
  const need = REST_TIMES * last.hold_ms;
  const until = last.end_at + need;
  return { rest_ms: nowMs - last.end_at, need_ms: need, until_ms: until, left_ms: Math.max(0, until - nowMs) };
}

/**
 * All guards that stand at `nowMs`, the gravest first.
 * @param {object} input
 * @param {number} input.now_ms
 * @param {string} input.diver
 * @param {string} input.buddy
 * @param {number | null} input.planned_s null while the field makes no sense
 * @param {number | null} input.longest_s
 * @param {HoldFacts[]} input.holds started holds of this pair
 * @param {Lift[]} [input.lifts]
 * @param {string[]} [input.others] names of further buddies and instructors present
 * @returns {Guard[]}
 */
export function guardsOf({ now_ms, diver, buddy, planned_s, longest_s, holds, lifts = [], others = [] }) {
  /** @type {Guard[]} */
  const guards = [];
  const previous = holds.reduce(
    (/** @type {HoldFacts | null} */ a, b) => (!a || b.start_at > a.start_at ? b : a),
    null,
  );
  if (previous && !previous.over) guards.push({ what: 'running', hard: true, hold: previous.hold, who: previous.diver });
  else if (previous && previous.verdict === null) {
    guards.push({ what: 'verdict', hard: true, hold: previous.hold, who: previous.diver });
  }

  const block = blockOf(diver, holds, lifts, now_ms);
  if (block) guards.push({ what: 'blocked', hard: true, who: diver, ...block });
  const buddyBlock = blockOf(buddy, holds, lifts, now_ms);
  const another = others.some(
    (name) => name.trim() !== '' && !sameName(name, buddy) && !sameName(name, diver) && !blockOf(name, holds, lifts, now_ms),
  );
  if (buddyBlock && !another) guards.push({ what: 'buddy-blocked', hard: true, who: buddy, ...buddyBlock });

  const over = planned_s === null ? null : overLongest(planned_s, longest_s);
  if (over) guards.push(over);

  const rest = restOf(diver, holds, now_ms);
  if (rest && rest.left_ms > 0) {
    guards.push({ what: 'rest', hard: false, who: diver, until_ms: rest.until_ms, left_ms: rest.left_ms, need_ms: rest.need_ms });
  }
  const buddyLast = lastEnded(holds, buddy);
  if (buddyLast && buddyLast.end_at !== null && now_ms - buddyLast.end_at < BUDDY_REST_MS) {
    const until = buddyLast.end_at + BUDDY_REST_MS;
    guards.push({ what: 'buddy-rest', hard: false, who: buddy, until_ms: until, left_ms: until - now_ms });
  }
  return guards;
}
