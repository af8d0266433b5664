// What a hold looks like at one instant: for the pages, for the sound queue, and for `buddyclock replay`.

import { stageAt as stageOf } from './cadence.js';
import { comingRungs, inOrder, standingRungs } from './apply.js';
import { rungsReached, stateAt } from './fold.js';
import { lookProves } from './ladder.js';
import { watchEnd, watchLocked, watchRungs } from './recovery.js';

/** @typedef {import('./fold.js').Hold} Hold */
/** @typedef {import('./apply.js').State} State */
/** @typedef {import('./apply.js').Rung} Rung */
/** @typedef {'planned' | 'breathe-up' | 'hold' | 'recovery' | 'watch' | 'over' | 'incident'} Phase */

/**
 * A rung at an absolute instant, shared ms.
 * @typedef {{rung: Rung['rung'], asks: Rung['asks'], at: number}} RungAt
 */

/**
 * Fields in `_ms` count from the start (in `next`, from `since`); fields in `_at` are shared ms.
 * @typedef {object} Status
 * @property {string} hold
 * @property {Phase} phase
 * @property {import('./cadence.js').Stage | null} stage null outside a hold
 * @property {number | null} silence_ms time since the last proof; null outside a hold
 * @property {{struggle_at_ms: number, late_at_ms: number, final_at_ms: number, end_at_ms: number}} boundaries
 * @property {{rung: Rung['rung'], asks: Rung['asks']} | null} standing the highest rung reached and not lifted
 * @property {{rung: Rung['rung'], asks: Rung['asks'], at_ms: number, since: Rung['since']}[]} next the rungs to come if
 *   nothing happens, up to the first alarm
 * @property {import('./plan.js').Plan | null} plan
 * @property {number | null} start_at
 * @property {number | null} surfaced_at
 * @property {number | null} ok_at
 * @property {number | null} recovered_at
 * @property {number | null} over_at
 * @property {number | null} zero_at zero of the countdown
 * @property {number | null} last_proof_at the last proof of the hold, kept when the hold is over
 * @property {number | null} asked_at the newest `asked` of the running silence
 * @property {RungAt | null} ladder what stands of the first ladder, or of recovery, watch and incident
 * @property {RungAt | null} bring_up what stands of "bring them up"
 * @property {number | null} prompt_at when the ladder that stands was prompted; null where it began with its alarm
 * @property {RungAt[]} next_abs all rungs to come of both ladders, beyond the first alarm too
 * @property {number | null} watch_end_at end of the watch; before the OK sign, the earliest it can be
 * @property {boolean} watch_locked in recovery and watch: may the watch not be ended yet?
 * @property {boolean} awake_due AWAKE? is being asked
 * @property {{what: string, at: number, with_them: boolean} | null} incident
 * @property {boolean} look_counts would a buddy's look at this instant be a proof?
 * @property {boolean} forced_end was a watch ended while it was locked?
 */

const HEIGHT = Object.freeze({ prompt: 1, again: 2, alarm: 3 });

/**
 * @param {Hold} hold
 * @param {number} atMs shared ms
 * @returns {Status}
 */
export function statusAt(hold, atMs) {
  const s = stateAt(hold, atMs);
  const phase = phaseOf(s, atMs);
  const coming = inOrder(comingRungs(s));
  const stands = standingRungs(s);
  const bringUpWins = stands.up !== null && (stands.first === null || HEIGHT[stands.up.rung] >= HEIGHT[stands.first.rung]);
  const standing = bringUpWins ? stands.up : stands.first;
  const firstAlarm = coming.findIndex((r) => r.rung === 'alarm');
  const begun = s.start !== null && s.start <= atMs ? s.start : null;
  const inHold = phase === 'hold' && begun !== null;
  const { watch, bounds, checks } = s;
  const watching = (phase === 'recovery' || phase === 'watch') && watch !== null;
  return {
    hold: hold.id,
    phase,
    stage: inHold ? stageOf(bounds, atMs - begun) : null,
    silence_ms: inHold ? atMs - begun - checks.proof : null,
    boundaries: {
      struggle_at_ms: bounds.struggle_at, late_at_ms: bounds.late_at, final_at_ms: bounds.final_at, end_at_ms: bounds.end_at,
    },
    standing: standing && { rung: standing.rung, asks: standing.asks },
    next: coming.slice(0, firstAlarm + 1).map(({ rung, asks, at_ms, since }) => ({ rung, asks, at_ms, since })),
    plan: s.planned ? s.plan : null,
    start_at: s.start,
    surfaced_at: s.surfaced,
    ok_at: watch?.since === 'surfaced' && watch.ok !== null ? watch.base + watch.ok : null,
    recovered_at: watch?.since === 'recovered' ? watch.base : null,
    over_at: s.over,
    zero_at: s.zero_at,
    last_proof_at: begun === null ? null : begun + checks.proof,
    asked_at: inHold && checks.asked !== null ? begun + checks.asked : null,
    ladder: rungAt(stands.first),
    bring_up: rungAt(stands.up),
    prompt_at: standing && promptAt(s, standing, bringUpWins),
    next_abs: coming.map(({ rung, asks, at }) => ({ rung, asks, at })),
    watch_end_at: watch && watch.base + watchEnd(watch),
    watch_locked: watching && watchLocked(watch, atMs - watch.base, standing !== null),
    awake_due: phase === 'recovery' && watch !== null && watch.awake_due,
    incident: s.incident && { what: s.incident.what, at: s.incident.at, with_them: s.incident.with_them },
    look_counts: inHold && stands.first?.rung !== 'alarm' && stands.up?.rung !== 'alarm' && lookProves(s, checks, atMs - begun),
    forced_end: s.forced_end,
  };
}

/**
 * Every rung reached up to and including `atMs`, in order of time, the first ladder before bring-up at the same ms.
 * @param {Hold} hold
 * @param {number} atMs shared ms
 * @returns {Rung[]}
 */
export function timelineAt(hold, atMs) {
  return rungsReached(hold, atMs);
}

/**
 * @param {State} s
 * @param {number} atMs
 * @returns {Phase}
 */
function phaseOf(s, atMs) {
  if (s.start === null || s.start > atMs) return s.breathing ? 'breathe-up' : 'planned';
  if (s.incident) return 'incident';
  if (s.over !== null) return 'over';
  if (!s.watch) return 'hold';
  return s.watch.ok === null ? 'recovery' : 'watch';
}

/** @param {Rung | null} r */
function rungAt(r) {
  return r && { rung: r.rung, asks: r.asks, at: r.at };
}

/**
 * When the ladder of a standing rung was prompted, shared ms; null where it began with its alarm.
 * @param {State} s
 * @param {Rung} standing
 * @param {boolean} bringUp
 */
function promptAt(s, standing, bringUp) {
  if (s.start === null || s.incident) return null;
  if (bringUp) return s.up.prompt < s.up.alarm ? s.start + s.up.prompt : null;
  if (s.watch) return s.watch.base + watchRungs(s.watch)[0].t;
  return s.checks.prompt && s.start + s.checks.prompt.t;
}
