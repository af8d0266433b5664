// A hold is a set of events; its state is a pure fold over them in (at, id) order.

import { compareEvents, deviceOf, sameContent, wholeIn, wordOf } from './event.js';
import { NO_PLAN, readPlan } from './plan.js';
import { boundariesOf, stageAt } from './cadence.js';
import {
  bringUpRungs, comingChecks, endHold, lookProves, newBringUp, newChecks, prove, reachCheck, standingCheck, touchProves, upAtOnce,
} from './ladder.js';
import { giveOk, seeThem, watchAfterIncident, watchAfterSurfacing, watchLocked, watchRungs } from './recovery.js';

/** @typedef {import('./event.js').HoldEvent} HoldEvent */
/** @typedef {import('./plan.js').Plan} Plan */
/** @typedef {import('./ladder.js').Due} Due */
/** @typedef {'start' | 'surfaced' | 'recovered'} Since */

/**
 * A rung reached or to come: `at` in shared ms, `at_ms` counted from `since`.
 * @typedef {{rung: Due['rung'], asks: Due['asks'], at: number, at_ms: number, since: Since}} Rung
 */

/**
 * An answer that was a proof, `t` ms since the start; `after` is the highest rung of the checks it came after.
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
 * @property {Answer[]} answers
 * @property {Rung[]} reached
 */

/**
 * The events of one hold and what has been folded of them. Made by newHold, changed only by addEvent.
 * @typedef {object} Hold
 * @property {string} id
 * @property {HoldEvent[]} events in (at, id) order
 * @property {Map<string, HoldEvent>} byId
 * @property {Map<string, HoldEvent[]>} drops amendments that drop, by the id they aim at
 * @property {State | null} whole state after all events; null until it is folded again
 * @property {{count: number, state: State} | null} part state after the first `count` events, the last one asked for
 */

/** No later than this after an event, its own device may take it back as a mis-press, ms. */
const MISPRESS_MS = 10000;
/** An answer that took this long or longer is slow, ms. */
const SLOW_MS = 3000;

/**
 * @param {string} holdId
 * @returns {Hold}
 */
export function newHold(holdId) {
  return { id: holdId, events: [], byId: new Map(), drops: new Map(), whole: null, part: null };
}

/**
 * Adds a decoded event. One at the end costs little; one that belongs earlier has the hold folded anew at the next question.
 * @param {Hold} hold
 * @param {HoldEvent} event
 * @returns {{added: boolean, conflict: boolean}} `conflict`: the id is known with other content, and the first content is kept.
 *   An event of another hold is not added.
 */
export function addEvent(hold, event) {
  if (event.hold !== hold.id) return { added: false, conflict: false };
  const known = hold.byId.get(event.id);
  if (known) return { added: false, conflict: !sameContent(known, event) };

  const { events } = hold;
  const atEnd = events.length === 0 || compareEvents(events[events.length - 1], event) < 0;
  if (atEnd) events.push(event);
  else events.splice(countWhere(events, (e) => compareEvents(e, event) < 0), 0, event);
  enter(hold, event);
  hold.part = null;
  if (!hold.whole || !atEnd || changesHistory(hold, event)) hold.whole = null;
  else if (!dropped(hold, event, event.at)) apply(hold.whole, event);
  return { added: true, conflict: false };
}

/**
 * The hold made of these events; of two with one id the first is kept.
 * @param {string} holdId
 * @param {Iterable<HoldEvent>} events in any order
 */
export function foldEvents(holdId, events) {
  const hold = newHold(holdId);
  for (const event of events) {
    if (event.hold !== holdId || hold.byId.has(event.id)) continue;
    hold.events.push(event);
    enter(hold, event);
  }
  hold.events.sort(compareEvents);
  return hold;
}

/**
 * @param {Hold} hold
 * @param {HoldEvent} event
 */
function enter(hold, event) {
  hold.byId.set(event.id, event);
  if (event.kind !== 'amend' || !event.data || event.data.drop !== true || typeof event.data.target !== 'string') return;
  const drops = hold.drops.get(event.data.target);
  if (drops) drops.push(event);
  else hold.drops.set(event.data.target, [event]);
}

/**
 * Does an event that comes last change what was folded before it? A mis-press taken back does, and so does a plan of
 * the start's own ms.
 * @param {Hold} hold
 * @param {HoldEvent} event
 */
function changesHistory(hold, event) {
  if (event.kind === 'plan') return true;
  const target = event.kind === 'amend' && typeof event.data?.target === 'string' && hold.byId.get(event.data.target);
  return target ? dropped(hold, target, event.at) : false;
}

/**
 * Is the event, seen at `atMs`, a mis-press that was taken back?
 * @param {Hold} hold
 * @param {HoldEvent} event
 * @param {number} atMs
 */
export function dropped(hold, event, atMs) {
  const device = deviceOf(event.id);
  if (event.kind === 'amend' || device === '') return false;
  return (hold.drops.get(event.id) ?? []).some((amend) =>
    amend.at <= atMs && amend.at <= event.at + MISPRESS_MS && deviceOf(amend.id) === device);
}

/**
 * How many of the sorted items come before the first that does not fit.
 * @template T
 * @param {T[]} items
 * @param {(item: T) => boolean} fits
 */
function countWhere(items, fits) {
  let lo = 0;
  let hi = items.length;
  while (lo < hi) {
    const middle = (lo + hi) >> 1;
    if (fits(items[middle])) lo = middle + 1;
    else hi = middle;
  }
  return lo;
}

/**
 * The state as seen at `atMs`: later events do not exist, except a start. Rungs up to and including `atMs` are reached.
 * A copy of its own, without the rungs reached before its newest event (see `rungsReached`).
 * @param {Hold} hold
 * @param {number} atMs shared ms
 * @returns {State}
 */
export function stateAt(hold, atMs) {
  const state = foldedAt(hold, atMs);
  const view = { ...state, checks: { ...state.checks }, reached: [] };
  settle(view, atMs + 1);
  return view;
}

/**
 * All rungs reached up to and including `atMs`, in order of time, the first ladder before bring-up.
 * @param {Hold} hold
 * @param {number} atMs shared ms
 */
export function rungsReached(hold, atMs) {
  return foldedAt(hold, atMs).reached.concat(stateAt(hold, atMs).reached);
}

/**
 * @param {Hold} hold
 * @param {number} atMs
 * @returns {State}
 */
function foldedAt(hold, atMs) {
  const count = countWhere(hold.events, (e) => e.at <= atMs);
  if (count === hold.events.length) return (hold.whole ??= fold(hold, count, atMs));
  if (hold.part?.count !== count) hold.part = { count, state: fold(hold, count, atMs) };
  return hold.part.state;
}

/**
 * @param {Hold} hold
 * @param {number} count events at or before `atMs`
 * @param {number} atMs
 */
function fold(hold, count, atMs) {
  const counts = (/** @type {HoldEvent} */ e) => !dropped(hold, e, atMs);
  const past = hold.events.slice(0, count).filter(counts);
  const start = past.find((e) => e.kind === 'start') ?? hold.events.slice(count).find((e) => e.kind === 'start' && counts(e));
  const state = newState(past, start ? start.at : Infinity);
  for (const event of past) apply(state, event);
  // A start that is still to come lies after everything that has happened.
  if (start && start.at > atMs) apply(state, start);
  return state;
}

/**
 * @param {HoldEvent[]} past
 * @param {number} startAt
 * @returns {State}
 */
function newState(past, startAt) {
  /** @type {Readonly<Plan> | null} */
  let plan = null;
  for (const e of past) {
    if (e.kind === 'plan' && e.at <= startAt && (e.by === 'buddy' || e.by === 'instructor')) plan = readPlan(e.data) ?? plan;
  }
  const inForce = plan ?? NO_PLAN;
  const marks = { contraction: null, late: null, final: null };
  return {
    plan: inForce, planned: plan !== null, breathing: false, zero_at: null, start: null, settled: -Infinity,
    marks, bounds: boundariesOf(inForce, marks), checks: newChecks(), up: newBringUp(inForce.end_by_s * 1000),
    surfaced: null, watch: null, incident: null, awake_missed: false, over: null, forced_end: false, longest_silence: 0, answers: [], reached: [],
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
function settle(s, until) {
  if (s.start === null || until <= s.settled) return;
  const inHold = !s.watch && !s.incident;
  for (const rung of inOrder(comingRungs(s))) {
    if (rung.at >= until) break;
    s.reached.push(rung);
    if (inHold && rung.asks !== 'up') reachCheck(s.checks, { rung: rung.rung, asks: rung.asks, t: rung.at_ms });
    if (s.watch?.awake_due && rung.asks === 'help') {
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
function apply(s, e) {
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
  if (e.by !== 'buddy') return;
  const x = e.at - watch.base;
  const next = { ...watch };
  switch (e.kind) {
    case 'awake':
      next.awake_due = false;
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
      s.up = { ...s.up };
      upAtOnce(s.up, t);
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
      s.watch = watchAfterSurfacing(e.at, s.plan, { easy: stageAt(s.bounds, t) === 'easy', alarm });
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
  s.checks.raised ??= t;
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
 * @param {State} s
 * @param {HoldEvent} e
 * @param {number} t since the start
 * @param {boolean} alarm does any alarm stand?
 */
function applyAnswer(s, e, t, alarm) {
  const touch = e.by === 'diver' && !alarm ? touchProves(s, s.checks, t) : null;
  if (e.by !== 'buddy' && !touch) return;
  const tookMs = wholeIn(e.data?.took_ms, 0);
  s.answers.push({ id: e.id, t, took_ms: tookMs, after: standingCheck(s.checks)?.rung ?? null });
  proveAt(s, t, true, touch === 'unasked');
  if (alarm || (tookMs !== null && tookMs >= SLOW_MS)) raise(s, 'final', t);
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
    case 'shaking':
    case 'air':
    case 'limp':
      s.up = { ...s.up };
      upAtOnce(s.up, t);
      break;
  }
}
