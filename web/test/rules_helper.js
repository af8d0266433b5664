// Builds holds for the tests of the rules.

import { addEvent, foldEvents, newHold } from '../rules/fold.js';
import { statusAt, timelineAt } from '../rules/status.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

/** When the holds of the tests start, shared ms. */
export const START = 1790000000000;

/**
 * A hold and its writer. All times are ms since the start.
 * @param {Record<string, unknown> | null} plan data of the plan, or null for none
 */
export function holdWith(plan) {
  const hold = newHold('test-h01');
  /** @type {HoldEvent[]} */
  const events = [];
  /** @type {Map<string, number>} */
  const counters = new Map();
  const h = {
    hold,
    events,
    /**
     * @param {string} kind @param {number} t @param {Record<string, unknown>} [data]
     * @param {{by?: string, device?: string}} [from]
     */
    add(kind, t, data, { by = 'buddy', device = by } = {}) {
      const n = (counters.get(device) ?? 0) + 1;
      counters.set(device, n);
      /** @type {HoldEvent} */
      const event = { id: `${device}-${String(n).padStart(6, '0')}`, hold: hold.id, kind, at: START + t, by };
      if (data) event.data = data;
      events.push(event);
      addEvent(hold, event);
      return event;
    },
    /** Takes an event back, as its own device does. @param {HoldEvent} target @param {number} t */
    takeBack(target, t) {
      return h.add('amend', t, { target: target.id, drop: true }, { by: target.by, device: target.id.slice(0, -7) });
    },
    /** @param {number} t */
    at(t) {
      return statusAt(hold, START + t);
    },
    /** The rungs reached up to `t`, as words. @param {number} t */
    rungs(t) {
      return timelineAt(hold, START + t).map(words);
    },
    /** The rungs to come after `t` up to the first alarm, as words. @param {number} t */
    next(t) {
      return h.at(t).next.map(words);
    },
    /** What stands at `t`, as words. @param {number} t */
    stands(t) {
      const { standing } = h.at(t);
      return standing && `${standing.rung} ${standing.asks}`;
    },
  };
  if (plan) h.add('plan', -60000, plan);
  h.add('start', 0);
  return h;
}

/** @param {{rung: string, asks: string, at_ms: number, since: string}} r */
export function words({ rung, asks, at_ms, since }) {
  return `${rung} ${asks} ${at_ms}${since === 'start' ? '' : ` after ${since}`}`;
}

/**
 * The same numbers from 0 to below 1 at each run (a linear congruence modulo 2^32).
 * @param {number} seed
 */
export function randomFrom(seed) {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return state / 2 ** 32;
  };
}

/**
 * @template T
 * @param {T[]} items
 * @param {() => number} random
 */
export function shuffled(items, random) {
  const out = items.slice();
  for (let i = out.length - 1; i > 0; i--) {
    const j = Math.floor(random() * (i + 1));
    [out[i], out[j]] = [out[j], out[i]];
  }
  return out;
}

/**
 * What two holds of the same events must have in common at an instant.
 * @param {import('../rules/fold.js').Hold} hold
 * @param {number} at shared ms
 */
export function picture(hold, at) {
  return { status: statusAt(hold, at), timeline: timelineAt(hold, at) };
}

/** @param {HoldEvent[]} events */
export function folded(events) {
  return foldEvents('test-h01', events);
}
