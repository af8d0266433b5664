/**
 * The board's model: every pair of the outing, as its host tells of it, and
 * what an instructor records. It reads no element and draws none.
 */

import { decodeEvent } from '../rules/event.js';
import { newSealer } from '../sync/seal.js';
import { PlainError } from './access.js';
import { newestPlan } from './log_facts.js';
import { eventId, holdId } from './device.js';
import { newNumbers } from './numbers.js';
import { newKeeper } from './voice.js';
import { statusAt } from '../rules/status.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */
/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('./board_facts.js').BoardPair} BoardPair */
/** @typedef {import('./device.js').Identity} Identity */

/** A disk that takes longer than this holds up no press (ms, own). */
const DISK_MS = 200;
/** What an instructor records outside any hold. */
const WITHOUT_HOLD = new Set(['place', 'series', 'note']);

/**
 * What the host found by folding a pair's events itself.
 * @typedef {{hold: string, standing: {rung: string, asks: string, at: number} | null}} Told
 */

/**
 * @typedef {object} PairEntry
 * @property {string} pair
 * @property {number} number
 * @property {any[]} present
 * @property {number} presentAt shared ms at which `present` was so
 * @property {Told | null} told
 * @property {ReturnType<typeof newKeeper>} keeper
 */

/**
 * @typedef {object} BoardEnv
 * @property {() => Identity} identity
 * @property {import('./book.js').Book} book
 * @property {{now: () => number, err: () => number | null}} clock
 * @property {Pick<import('../store/db.js').Store, 'add' | 'mark'>} store
 * @property {Pick<import('./device.js').DeviceStore, 'counter' | 'setCounter' | 'mayBeUsed'>} devices
 * @property {number} awayMs for how long no page of this device has run, Infinity where nobody knows
 * @property {(events: HoldEvent[], pair: string) => void} send
 * @property {() => boolean} first whether this tab may record
 * @property {(ms: number) => Promise<unknown>} wait
 * @property {() => void} felt
 * @property {() => void} changed
 */

/** @typedef {ReturnType<typeof newBoardModel>} BoardModel */

/** @param {BoardEnv} env */
export function newBoardModel(env) {
  const { book, clock, store } = env;
  const numbers = newNumbers(env);
  const sealed = newSealer();
  /** @type {Map<string, PairEntry>} */
  const pairs = new Map();
  /** @type {Map<string, {event: HoldEvent, pair: string}>} not on the host's disk yet */
  const unsent = new Map();
  /** @type {Map<string, {kind: string, pair: string, reason: string}>} */
  const refused = new Map();

  /** @param {string} pair */
  const entry = (pair) => {
    let p = pairs.get(pair);
    if (!p) {
      p = { pair, number: 0, present: [], presentAt: 0, told: null, keeper: newKeeper() };
      pairs.set(pair, p);
    }
    return p;
  };

  /** @param {string} pair */
  const currentHold = (pair) => book.current(pair, clock.now());

  /**
   * @param {PairEntry} p
   * @param {number} lostMs
   * @param {number} now shared ms
   * @returns {BoardPair}
   */
  const boardPair = (p, lostMs, now) => {
    const hold = currentHold(p.pair);
    const status = hold ? statusAt(hold, now) : null;
    const kept = hold && status ? p.keeper.keep(hold, status, now).kept : null;
    const told = p.told && p.told.hold === hold?.id && p.told.standing?.rung === 'alarm' ? p.told.standing.at : null;
    const grown = Math.max(0, now - p.presentAt);
    return {
      pair: p.pair,
      number: p.number,
      hold,
      newest_plan: newestPlan(book.holdsOf(p.pair))?.data ?? null,
      present: p.present.map((d) => ({ ...d, state: d.state ?? {}, age_ms: (d.age_ms ?? 0) + grown })),
      lost_ms: lostMs,
      kept_at: kept?.at ?? null,
      told_alarm_at: told,
    };
  };

  return {
    /**
     * @param {number} lostMs for how long the host has not been heard
     * @param {number} now shared ms, the same for whoever judges the ages: else what stands still would shake
     */
    pairs: (lostMs, now) => [...pairs.values()].sort((a, b) => a.number - b.number).map((p) => boardPair(p, lostMs, now)),

    /** Which pairs there are, as an earlier page knew them. @param {unknown} list */
    restore(list) {
      if (!Array.isArray(list)) return;
      for (const p of list) if (typeof p?.pair === 'string' && typeof p.number === 'number') entry(p.pair).number = p.number;
    },
    known: () => [...pairs.values()].map(({ pair, number }) => ({ pair, number })),

    /** What this board recorded and may not have handed over. @param {import('../store/db.js').Row[]} rows */
    restoreRows(rows) {
      for (const row of rows.filter((r) => r.pair !== '' && r.id.startsWith(`${env.identity().device}-`))) {
        book.add(row.event, row.pair);
        if (row.state === 'new') unsent.set(row.id, { event: row.event, pair: row.pair });
      }
    },

    /** One pair, as the host introduces it. @param {any} told */
    hearPair(told) {
      if (typeof told?.pair !== 'string') return;
      const p = entry(told.pair);
      if (typeof told.number === 'number') p.number = told.number;
      if (Array.isArray(told.present)) this.hearPresence(told.pair, told.present, told.at ?? null);
      env.changed();
    },

    /** All pairs have been told: what the host did not name is of another outing. @param {Set<string>} named */
    onlyThese(named) {
      for (const pair of [...pairs.keys()]) if (!named.has(pair)) pairs.delete(pair);
      env.changed();
    },

    /** @param {string} pair @param {any[]} present @param {number | null} at shared ms */
    hearPresence(pair, present, at) {
      const p = entry(pair);
      p.present = present.filter((d) => typeof d?.device === 'string');
      p.presentAt = at ?? clock.now();
      env.changed();
    },

    /** @param {any} told */
    hearState(told) {
      if (typeof told?.pair !== 'string' || !pairs.has(told.pair)) return;
      const { hold, standing } = told;
      entry(told.pair).told = typeof hold === 'string' ? { hold, standing: standing && typeof standing.at === 'number' ? standing : null } : null;
      env.changed();
    },

    /**
     * Events from the host. They are people's health, and stay in memory: the host tells them anew whenever it is asked.
     * @param {string} pair
     * @param {unknown[]} values
     */
    receive(pair, values) {
      for (const value of values) {
        const made = decodeEvent(value);
        if ('event' in made) book.add(made.event, pair);
      }
      env.changed();
    },

    /** @param {string[]} ids */
    stored(ids) {
      for (const id of ids) {
        unsent.delete(id);
        refused.delete(id);
      }
      store.mark(ids, 'stored');
      env.changed();
    },

    /** @param {string[]} ids @param {string} code @param {string} reason */
    refuse(ids, code, reason) {
      for (const id of ids) {
        const mine = unsent.get(id);
        unsent.delete(id);
        if (mine) refused.set(id, { kind: mine.event.kind, pair: mine.pair, reason });
      }
      store.mark(ids, 'refused', code, reason);
      env.changed();
    },

    refused: () => [...refused.values()],
    unsent: () => [...unsent.values()].map((u) => u.event),
    unsentPairs: () => Object.fromEntries([...unsent].map(([id, u]) => [id, u.pair])),

    /**
     * Records one event for a pair: on this device's disk first, then shown, then sent.
     * @param {string} pair
     * @param {string} kind
     * @param {Record<string, unknown>} [data]
     * @param {{hold?: string, at?: number}} [opts] `hold` default the pair's current one
     * @returns {Promise<HoldEvent>} rejects with `{code, reason}`
     */
    async record(pair, kind, data, opts = {}) {
      const me = env.identity();
      if (!env.first()) throw new PlainError('second-tab', 'This tab only watches: another tab of this device records.');
      if (me.role !== 'instructor') throw new PlainError('not-allowed', 'A siren only sounds.');
      const hold = WITHOUT_HOLD.has(kind) && !opts.hold ? holdId(me.device, 0) : (opts.hold ?? currentHold(pair)?.id ?? null);
      if (hold === null) throw new PlainError('no-hold', 'This pair has no hold yet: its plan comes first.');
      const n = numbers.next(me.device);
      const err = clock.err();
      const made = decodeEvent({
        id: eventId(me.device, n), hold, kind, at: Math.floor(opts.at ?? clock.now()), ...(err === null ? {} : { err }), by: me.role,
        ...(data && Object.keys(data).length > 0 ? { data } : {}),
      });
      // Sealed, so that the host takes it from the pair's phones too when this board is gone.
      const whole = 'event' in made ? decodeEvent(sealed(made.event, me.token)) : made;
      if (!('event' in whole)) throw new PlainError('bad-event', `Not recorded: ${whole.problem}.`);
      const { event } = whole;
      numbers.take(me.device, n);
      unsent.set(event.id, { event, pair });
      const kept = store.add({ id: event.id, pair, at: event.at, event, state: 'new' }, kind === 'end-hold');
      await Promise.race([kept, env.wait(DISK_MS)]);
      book.add(event, pair);
      env.send([event], pair);
      env.felt();
      env.changed();
      return event;
    },

    /** A press here: what sounds for this pair although history knows no alarm goes quiet. @param {string} pair */
    quiet(pair) {
      entry(pair).keeper.quiet(clock.now());
      env.changed();
    },

    currentHold,
    /** @param {string} pair */
    holds: (pair) => book.holdsOf(pair),
    /** @param {string} pair */
    planOf: (pair) => newestPlan(book.holdsOf(pair))?.data ?? null,
  };
}
