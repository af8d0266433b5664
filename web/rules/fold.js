// A hold is a set of events; its state is a pure fold over them in (at, id) order.

import { compareEvents, deviceOf, sameContent } from './event.js';
import { readPlan } from './plan.js';
import { apply, newState, settle } from './apply.js';

/** @typedef {import('./event.js').HoldEvent} HoldEvent */
/** @typedef {import('./plan.js').Plan} Plan */
/** @typedef {import('./apply.js').State} State */

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
export const MISPRESS_MS = 10000;
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
  const state = newState(planOf(past, start ? start.at : Infinity));
  for (const event of past) apply(state, event);
  // A start that is still to come lies after everything that has happened.
  if (start && start.at > atMs) apply(state, start);
  return state;
}

/**
 * The plan that counts: the last valid one no later than the start, by the buddy or an instructor.
 * @param {HoldEvent[]} past
 * @param {number} startAt
 * @returns {Plan | null}
 */
function planOf(past, startAt) {
  /** @type {Plan | null} */
  let plan = null;
  for (const e of past) {
    if (e.kind === 'plan' && e.at <= startAt && (e.by === 'buddy' || e.by === 'instructor')) plan = readPlan(e.data) ?? plan;
  }
  return plan;
}
