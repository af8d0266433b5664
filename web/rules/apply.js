// The state of a hold, how time passes in it, and what each event does to it.

import { wholeIn, wordOf } from './event.js';
import { NO_PLAN } from './plan.js';
import { boundariesOf, stageAt } from './cadence.js';
import {
  bringUpRungs, comingChecks, endHold, endPattern, lookProves, newBringUp, newChecks, prove, reachCheck, standingCheck, touchProves, upAtOnce,
} from './ladder.js';
import { askAwake, giveOk, sayAwake, seeThem, watchAfterIncident, watchAfterSurfacing, watchLocked, watchRungs } from './recovery.js';

/** @typedef {import('./event.js').HoldEvent} HoldEvent */
/** @typedef {import('./plan.js').Plan} Plan */
/** @typedef {import('./ladder.js').Due} Due */
/** @typedef {'start' | 'surfaced' | 'recovered'} Since */

/**
 * A rung reached or to come: `at` in shared ms, `at_ms` counted from `since`.
 * @typedef {{rung: Due['rung'], asks: Due['asks'], at: number, at_ms: number, since: Since}} Rung
 */

/**
 * An answer, and the highest rung of the checks that stood when it came. `t` is ms since the start.
 * @typedef {{id: string, t: number, took_ms: number | null, after: Due['rung'] | null}} Answer
 */

/**
 * @typedef {object} Incident
 * @property {'lmc' | 'blackout' | 'unknown'} what
 * @property {number} at shared ms
 * @property {boolean} with_them
 * @property {Since} since
 * @property {number} base what its time counts from, shared ms
 */

/**
 * The state after some events. Times in shared ms unless they say otherwise.
 * @typedef {object} State
 * @property {Readonly<Plan>} plan the plan in force
 * @property {boolean} planned did somebody make it?
 * @property {boolean} breathing has the breathe-up begun?
 * @property {number | null} zero_at zero of the countdown, as the newest breathe-up says
 * @property {number | null} start
 * @property {number} settled all rungs before this instant are in `reached`
 * @property {import('./cadence.js').Marks} marks
 * @property {import('./cadence.js').Boundaries} bounds
 * @property {import('./ladder.js').Checks} checks
 * @property {import('./ladder.js').BringUp} up
 * @property {number | null} surfaced
 * @property {import('./recovery.js').Watch | null} watch
 * @property {Incident | null} incident
 * @property {boolean} awake_missed did an incident begin because nobody said awake?
 * @property {number | null} over
 * @property {boolean} forced_end
 * @property {number} longest_silence ms, of the silences that have ended
 * @property {Answer[]} answers those that were a proof
 * @property {Answer[]} touches those on the diver's phone that proved nothing
 * @property {Rung[]} reached
 */

/** An answer that took this long or longer is slow, ms. */
const SLOW_MS = 3000;
/** Nobody takes longer; for the log a greater figure counts as missing, ms. It is a slow answer all the same. */
const LONGEST_ANSWER_MS = 3600000;

/**
 * The state before any event.
 * @param {Readonly<Plan> | null} plan the plan that counts, if somebody made a valid one
 * @returns {State}
 */
export function newState(plan) {
  const inForce = plan ?? NO_PLAN;
  const marks = { contraction: null, late: null, final: null };
  return {
    plan: inForce, planned: plan !== null, breathing: false, zero_at: null, start: null, settled: -Infinity,
    marks, bounds: boundariesOf(inForce, marks), checks: newChecks(), up: newBringUp(inForce.end_by_s * 1000),
    surfaced: null, watch: null, incident: null, awake_missed: false, over: null, forced_end: false, longest_silence: 0, answers: [], touches: [], reached: [],
  };
}

/**
 * A rung whose time counts from `base`.
 * @param {Due} due
 * @param {number} base shared ms
 * @param {Since} since
 * @returns {Rung}
 */
function rungFrom({ rung, asks, t }, base, since) {
  return { rung, asks, at: base + t, at_ms: t, since };
}

/**
 * The rungs to come if nothing happens, by ladder, each in order of time: those not before `settled`.
 * @param {State} s
 * @returns {{first: Rung[], up: Rung[]}}
 */
export function comingRungs(s) {
  if (s.start === null || (s.over !== null && !s.incident)) return { first: [], up: [] };
  const { start } = s;
  const toCome = (/** @type {Rung} */ r) => r.at >= s.settled;
  if (s.incident) return { first: [incidentRung(s.incident)].filter(toCome), up: [] };
  if (s.watch) {
    const { base, since } = s.watch;
    return { first: watchRungs(s.watch).map((due) => rungFrom(due, base, since)).filter(toCome), up: [] };
  }
  return {
    first: comingChecks(s, s.checks).map((due) => rungFrom(due, start, 'start')),
    up: bringUpRungs(s.up).map((due) => rungFrom(due, start, 'start')).filter(toCome),
  };
}

/** @param {Incident} incident */
function incidentRung({ at, base, since }) {
  return rungFrom({ rung: 'alarm', asks: 'help', t: at - base }, base, since);
}

/**
 * The highest rung of each ladder that was reached before `settled` and is not lifted.
 * @param {State} s
 * @returns {{first: Rung | null, up: Rung | null}}
 */
export function standingRungs(s) {
  const none = { first: null, up: null };
  if (s.start === null || (s.over !== null && !s.incident)) return none;
  const { start } = s;
  const highest = (/** @type {Rung[]} */ rungs) => rungs.filter((r) => r.at < s.settled).pop() ?? null;
  if (s.incident) return { first: highest([incidentRung(s.incident)]), up: null };
  if (s.watch) {
    const { base, since } = s.watch;
    return { first: highest(watchRungs(s.watch).map((due) => rungFrom(due, base, since))), up: null };
  }
  const check = standingCheck(s.checks);
  return {
    first: check && rungFrom(check, start, 'start'),
    up: highest(bringUpRungs(s.up).map((due) => rungFrom(due, start, 'start'))),
  };
}

/**
 * Rungs of both ladders in order of time; at the same ms the first ladder's come first.
 * @param {{first: Rung[], up: Rung[]}} rungs
 */
export function inOrder({ first, up }) {
  return [...first, ...up].sort((a, b) => a.at_ms - b.at_ms);
}

/**
 * Lets time pass to just before `until`: rungs before it are reached. An event at the same ms as a rung comes before it.
 * @param {State} s
 * @param {number} until shared ms
 */
export function settle(s, until) {
  if (s.start === null || until <= s.settled) return;
  const inHold = !s.watch && !s.incident;
  for (const rung of inOrder(comingRungs(s))) {
    if (rung.at >= until) break;
    s.reached.push(rung);
    if (inHold && rung.asks !== 'up') reachCheck(s.checks, { rung: rung.rung, asks: rung.asks, t: rung.at_ms });
    if (!s.incident && rung.asks === 'help') {
      s.awake_missed = true;
      beginIncident(s, rung.at, 'unknown');
    }
  }
  s.settled = until;
}

/**
 * @param {State} s
 * @param {number} at shared ms
 * @param {Incident['what']} what
 */
function beginIncident(s, at, what) {
  const { since, base } = s.watch ?? { since: /** @type {const} */ ('start'), base: s.start ?? at };
  if (!s.watch) s.longest_silence = Math.max(s.longest_silence, at - base - s.checks.proof);
  s.incident = { what, at, with_them: false, since, base };
}

/**
 * Applies the next event in order.
 * @param {State} s
 * @param {HoldEvent} e
 */
export function apply(s, e) {
  if (s.start === null) {
    if (e.kind === 'start') {
      s.start = e.at;
      s.settled = e.at;
    } else if (e.kind === 'breathe-up') {
      s.breathing = true;
      s.zero_at = wholeIn(e.data?.zero_at, -Number.MAX_SAFE_INTEGER);
    }
    return;
  }
  settle(s, e.at);
  if (s.incident) applyInIncident(s, s.incident, e);
  else if (e.kind === 'incident') beginIncident(s, e.at, incidentOf(e) ?? 'unknown');
  else if (s.over !== null) return;
  else if (s.watch) applyInWatch(s, s.watch, e);
  else applyInHold(s, e, e.at - s.start);
}

/** @param {HoldEvent} e */
function incidentOf(e) {
  return wordOf(e.data?.what, /** @type {const} */ (['lmc', 'blackout', 'unknown']));
}

/**
 * @param {State} s
 * @param {Incident} incident
 * @param {HoldEvent} e
 */
function applyInIncident(s, incident, e) {
  switch (e.kind) {
    case 'incident':
      // What it was may be said later.
      s.incident = { ...incident, what: incidentOf(e) ?? incident.what };
      break;
    case 'with-them':
      s.incident = { ...incident, with_them: true };
      break;
    case 'surfaced':
      if (e.by === 'buddy' && !s.watch) s.surfaced ??= e.at;
      break;
    case 'recovered':
      if (e.by !== 'buddy') break;
      s.incident = null;
      s.over = null;
      s.watch = watchAfterIncident(e.at, s.plan);
      break;
  }
}

/**
 * @param {State} s
 * @param {import('./recovery.js').Watch} watch
 * @param {HoldEvent} e
 */
function applyInWatch(s, watch, e) {
  const x = e.at - watch.base;
  const next = { ...watch };
  // Pressed on a device that had not heard yet that they are up.
  if (callsUpAtOnce(e)) askAwake(next, x, s.plan);
  else if (e.by !== 'buddy') return;
  switch (e.kind) {
    case 'awake':
      s.reached.push(...sayAwake(next, x).map((due) => rungFrom(due, watch.base, watch.since)));
      break;
    case 'ok':
      giveOk(next, x);
      break;
    case 'look':
      seeThem(next, x);
      break;
    case 'watch-ended':
      s.forced_end ||= watchLocked(watch, x, standingRungs(s).first !== null);
      s.over = e.at;
      break;
  }
  s.watch = next;
}

/**
 * @param {State} s
 * @param {HoldEvent} e
 * @param {number} t since the start
 */
function applyInHold(s, e, t) {
  const buddy = e.by === 'buddy';
  const alarm = s.checks.alarm !== null || s.up.alarm < t;
  switch (e.kind) {
    case 'look':
      if (buddy && !alarm && lookProves(s, s.checks, t)) proveAt(s, t, false, false);
      break;
    case 'asked':
      if (!buddy) break;
      s.checks.asks++;
      s.checks.asked = t;
      s.checks.last_asked = t;
      if (s.checks.asks >= 2) raise(s, 'final', t);
      break;
    case 'answered':
      applyAnswer(s, e, t, alarm);
      break;
    case 'contraction':
      applyContraction(s, e, t, alarm);
      break;
    case 'sign':
      applySign(s, e, t);
      break;
    case 'no-answer':
      callUp(s, t);
      break;
    case 'end-hold':
      if (!buddy && e.by !== 'instructor') break;
      s.up = { ...s.up };
      endHold(s.up, t);
      break;
    case 'surfaced':
      if (!buddy) break;
      s.longest_silence = Math.max(s.longest_silence, t - s.checks.proof);
      s.surfaced = e.at;
      // Late news may have ended an alarm that sounded on there.
      s.watch = watchAfterSurfacing(e.at, s.plan, { easy: stageAt(s.bounds, t) === 'easy', alarm: alarm || e.data?.alarm === true });
      break;
  }
}

/**
 * @param {State} s
 * @param {number} t since the start
 * @param {boolean} isAnswer
 * @param {boolean} touchSpent was it the diver's unasked touch?
 */
function proveAt(s, t, isAnswer, touchSpent) {
  s.longest_silence = Math.max(s.longest_silence, t - s.checks.proof);
  prove(s, s.checks, t, isAnswer);
  s.checks.touch_spent = touchSpent;
}

/**
 * Moves a boundary to `t` where it lies later. Any raise ends an announced pattern.
 * @param {State} s
 * @param {'late' | 'final'} to
 * @param {number} t since the start
 */
function raise(s, to, t) {
  endPattern(s, s.checks, t);
  mark(s, to, t);
}

/**
 * @param {State} s
 * @param {'contraction' | 'late' | 'final'} what
 * @param {number} t since the start
 */
function mark(s, what, t) {
  if (s.marks[what] !== null) return;
  s.marks = { ...s.marks, [what]: t };
  s.bounds = boundariesOf(s.plan, s.marks);
}

/**
 * How long an answer took, ms, or null.
 * @param {HoldEvent} e
 */
export function tookMsOf(e) {
  return wholeIn(e.data?.took_ms, 0, LONGEST_ANSWER_MS);
}

/**
 * Was the answer slow? Any number will do, also one that is too large or too fine to be kept as an answer time.
 * @param {HoldEvent} e
 */
function isSlow(e) {
  const took = e.data?.took_ms;
  return typeof took === 'number' && took >= SLOW_MS;
}

/**
 * @param {State} s
 * @param {HoldEvent} e
 * @param {number} t since the start
 * @param {boolean} alarm does any alarm stand?
 */
function applyAnswer(s, e, t, alarm) {
  if (e.by !== 'buddy' && e.by !== 'diver') return;
  const touch = e.by === 'diver' && !alarm ? touchProves(s, s.checks, t) : null;
  const proves = e.by === 'buddy' || touch !== null;
  (proves ? s.answers : s.touches).push({ id: e.id, t, took_ms: tookMsOf(e), after: standingCheck(s.checks)?.rung ?? null });
  if (!proves) return;
  proveAt(s, t, true, touch === 'unasked');
  if (alarm || isSlow(e)) raise(s, 'final', t);
}

/**
 * @param {State} s
 * @param {HoldEvent} e
 * @param {number} t since the start
 * @param {boolean} alarm does any alarm stand?
 */
function applyContraction(s, e, t, alarm) {
  const signalled = e.data?.signalled === true;
  const byDiver = e.by === 'diver';
  if (signalled && e.by !== 'buddy' && !byDiver) return;
  // The diver's own signal shares the allowance of the touches.
  const touch = signalled && byDiver && !alarm ? touchProves(s, s.checks, t) : null;
  if (signalled && !alarm && (!byDiver || touch)) proveAt(s, t, false, touch === 'unasked');
  mark(s, 'contraction', t);
  if (e.data?.site === 'throat' && (!signalled || !byDiver || touch)) raise(s, 'late', t);
}

/**
 * @param {State} s
 * @param {HoldEvent} e
 * @param {number} t since the start
 */
function applySign(s, e, t) {
  switch (e.data?.what) {
    case 'tense':
      raise(s, 'late', t);
      break;
    case 'blue':
      raise(s, 'final', t);
      break;
  }
  if (callsUpAtOnce(e)) callUp(s, t);
}

/** Signs by which the diver is to come up at once. */
export const GRAVE_SIGNS = Object.freeze(['shaking', 'air', 'limp']);

/** Does it tell that the diver is to come up at once? @param {HoldEvent} e */
function callsUpAtOnce(e) {
  return e.kind === 'no-answer' || (e.kind === 'sign' && wordOf(e.data?.what, GRAVE_SIGNS) !== null);
}

/**
 * @param {State} s
 * @param {number} t since the start
 */
function callUp(s, t) {
  s.up = { ...s.up };
  upAtOnce(s.up, t);
}
