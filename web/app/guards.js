/**
 * The guards of the rules (hazard H19) as the sheets ask for them: by the names
 * that people typed, with the days of this device. Pure.
 *
 * A guard that is `hard` has no "go on"; the others are gone over on a named
 * person's word, which is kept in the plan.
 */

import { localZone } from './clock_text.js';
import * as rules from '../rules/guards.js';
import { nameKey } from '../rules/people.js';

export { BLOCK_AT_LEAST_MS, BUDDY_REST_MS, REST_TIMES, marginS } from '../rules/guards.js';

/**
 * What the guards need to know of one earlier hold. Times are shared ms.
 * @typedef {object} HoldFacts
 * @property {string} hold
 * @property {string} diver
 * @property {string} buddy
 * @property {string | null} [diver_id]
 * @property {string | null} [buddy_id]
 * @property {string | null} [series]
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
 * @typedef {{diver: string, diver_id?: string | null, at: number, name: string, reason: string}} Lift
 */

/** A guard, with the person it speaks of. @typedef {import('../rules/guards.js').Guard & {who?: string}} Guard */

/**
 * Whether two typed names mean one person: spaces at the ends and case do not
 * matter. An empty name is nobody's.
 * @param {string} a
 * @param {string} b
 */
export function sameName(a, b) {
  return nameKey(a) !== '' && nameKey(a) === nameKey(b);
}

/**
 * @param {string} name
 * @param {string | null} [id]
 * @returns {import('../rules/people.js').Person}
 */
const person = (name, id = null) => ({ id, key: nameKey(name) });

/**
 * @param {HoldFacts} f
 * @returns {import('../rules/guards.js').GuardHold}
 */
function guardHold(f) {
  return {
    hold: f.hold, start_at: f.start_at, day: localZone.dayOf(f.start_at), day_end_at: localZone.dayEnd(f.start_at),
    end_at: f.end_at, hold_ms: f.hold_ms, over: f.over, series: f.series ?? null,
    diver_id: f.diver_id ?? null, diver_key: nameKey(f.diver), buddy_id: f.buddy_id ?? null, buddy_key: nameKey(f.buddy),
    verdict: f.verdict, passed_out: f.passed_out ?? false, incident: f.incident, incident_at: f.incident_at,
  };
}

/** @param {Lift[]} lifts */
const liftsIn = (lifts) => lifts.map((l) => ({ diver: person(l.diver, l.diver_id ?? null), at: l.at }));

/** @param {HoldFacts} facts */
export const blocks = (facts) => rules.blocks(guardHold(facts));

/**
 * When a person's block ends, or null where there is none at `nowMs`.
 * @param {string} name
 * @param {HoldFacts[]} holds
 * @param {Lift[]} lifts
 * @param {number} nowMs
 * @param {string | null} [id]
 */
export function blockOf(name, holds, lifts, nowMs, id = null) {
  return rules.blockOf(person(name, id), holds.map(guardHold), liftsIn(lifts), localZone, nowMs);
}

/**
 * The rest a diver still owes.
 * @param {string} name
 * @param {HoldFacts[]} holds
 * @param {number} nowMs
 */
export function restOf(name, holds, nowMs) {
  return rules.restOf(person(name), holds.map(guardHold), nowMs);
}

/**
 * All guards that stand at `nowMs`, the gravest first.
 * @param {object} input
 * @param {number} input.now_ms
 * @param {string} input.diver
 * @param {string} input.buddy
 * @param {string | null} [input.diver_id]
 * @param {string | null} [input.buddy_id]
 * @param {number | null} input.planned_s null while the field makes no sense
 * @param {number | null} [input.end_by_s]
 * @param {number | null} input.longest_s
 * @param {'log' | 'typed'} [input.longest_from]
 * @param {HoldFacts[]} input.holds started holds of this pair
 * @param {HoldFacts[]} [input.log] all started holds that are known, this pair's among them
 * @param {Lift[]} [input.lifts]
 * @param {string[]} [input.others] names of further buddies and instructors present
 * @param {{series: string, steps: {planned_s: number, rest_s: number}[]} | null} [input.series] the one the plan belongs to
 * @returns {Guard[]}
 */
export function guardsOf(input) {
  const { diver, buddy, holds, lifts = [], others = [] } = input;
  const guards = rules.guardsOf({
    now_ms: input.now_ms,
    zone: localZone,
    diver: person(diver, input.diver_id ?? null),
    buddy: person(buddy, input.buddy_id ?? null),
    planned_s: input.planned_s,
    end_by_s: input.end_by_s ?? null,
    longest_s: input.longest_s,
    longest_from: input.longest_from ?? 'typed',
    holds: holds.map(guardHold),
    log: (input.log ?? holds).map(guardHold),
    lifts: liftsIn(lifts),
    others: others.map((name) => person(name)),
    series: input.series ?? null,
  });
  /** @param {import('../rules/guards.js').Guard} g */
  const whoOf = (g) => {
    switch (g.what) {
      case 'running':
      case 'verdict':
        return holds.find((h) => h.hold === g.hold)?.diver;
      case 'buddy-blocked':
      case 'buddy-rest':
        return buddy;
      case 'blocked':
      case 'rest':
      case 'days-in-row':
        return diver;
      default:
        return undefined;
    }
  };
  return guards.map((g) => {
    const who = whoOf(g);
    return who === undefined ? g : { ...g, who };
  });
}
