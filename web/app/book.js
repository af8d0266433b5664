/**
 * All events this page knows, as holds. No clock and no store: what has been
 * put on disk is added here, and everything shown is read from here.
 */

import { addEvent, foldEvents, newHold } from '../rules/fold.js';
import { deviceOf } from '../rules/event.js';
import { statusAt } from '../rules/status.js';
import { counterOf, isNoHold } from './device.js';
import { isThere, newHave } from '../sync/outbox.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */
/** @typedef {import('../rules/fold.js').Hold} Hold */

/** A hold in which nothing was recorded for this long runs no more on this page (ms, own). */
export const ABANDONED_MS = 3 * 3_600_000;
/** A plan this old is not gone on with: the next one is a new hold (ms, own). */
export const OLD_PLAN_MS = 12 * 3_600_000;
/** What is older than this is taken for an earlier outing: its sound check and its holds are not of this one (ms, own). */
export const EARLIER_OUTING_MS = 12 * 3_600_000;

const RUNNING = new Set(['hold', 'recovery', 'watch', 'incident']);
const RUNGS = ['prompt', 'again', 'alarm'];

/** @param {string | null | undefined} phase */
export function isRunning(phase) {
  return phase !== null && phase !== undefined && RUNNING.has(phase);
}

/**
 * Whether a hold was left without an end: nothing was recorded in it for three
 * hours. It sounds no more, and how it was is asked before the next one.
 * @param {Hold} hold
 * @param {number} nowMs
 */
export function isAbandoned(hold, nowMs) {
  const last = hold.events.at(-1)?.at ?? nowMs;
  return nowMs - last > ABANDONED_MS && isRunning(statusAt(hold, nowMs).phase);
}

/**
 * @typedef {object} Book
 * @property {(event: HoldEvent, pair: string) => {added: boolean, conflict: boolean}} add
 * @property {(id: string) => Hold | null} hold
 * @property {(pair: string) => Hold[]} holdsOf with and without a start, oldest first; none that stands for no hold
 * @property {() => Hold[]} all of every pair
 * @property {() => {hold: Hold, pair: string}[]} entries of every pair, those that stand for no hold among them
 * @property {(ids: Iterable<string>) => number} remove erased events; says how many of them were here
 * @property {(pair: string, nowMs: number) => Hold | null} current the running hold, else the one last planned; of several that run
 *   (a phone that was cut off may have begun one of its own) the one in which most is asked for
 * @property {() => boolean} several whether several holds ran when `current` was asked last
 * @property {(pair: string) => {at: number, data: Record<string, unknown>} | null} newestPlace newest place card and when it was made
 * @property {(pair: string) => import('../sync/outbox.js').Counts} counts what is here
 * @property {(pair: string, theirs: import('../sync/outbox.js').Counts) => HoldEvent[]} lackedBy what is here and not there
 * @property {(device: string) => number} counter highest counter of a device's events
 * @property {(id: string) => HoldEvent | null} event
 * @property {(holds: string[], to: string) => void} move gives holds made alone to a pair
 * @property {() => number} version grows with every event added
 */

/** @returns {Book} */
export function newBook() {
  /** @type {Map<string, {hold: Hold, pair: string, first: number, last: number, over: boolean}>} `over`: and nothing new since */
  const holds = new Map();
  /** @type {Map<string, ReturnType<typeof newHave>>} */
  const haves = new Map();
  /** @type {Map<string, string>} event id to hold id */
  const where = new Map();
  /** @type {Map<string, number>} */
  const counters = new Map();
  let version = 0;
  let running = 0;

  /** @param {{hold: Hold, first: number}} h @returns {number} */
  const beginOf = (h) => h.hold.events.find((e) => e.kind === 'start')?.at ?? h.first;

  /** @param {string} pair */
  const entries = (pair) => [...holds.values()].filter((h) => h.pair === pair && !isNoHold(h.hold.id));

  return {
    add(event, pair) {
      let h = holds.get(event.hold);
      if (!h) {
        h = { hold: newHold(event.hold), pair, first: event.at, last: event.at, over: false };
        holds.set(event.hold, h);
      }
      const result = addEvent(h.hold, event);
      if (!result.added) return result;
      version += 1;
      h.over = false;
      h.first = Math.min(h.first, event.at);
      h.last = Math.max(h.last, event.at);
      where.set(event.id, event.hold);
      let have = haves.get(pair);
      if (!have) {
        have = newHave();
        haves.set(pair, have);
      }
      have.add(event.id);
      const device = deviceOf(event.id);
      counters.set(device, Math.max(counters.get(device) ?? 0, counterOf(event.id)));
      return result;
    },
    hold: (id) => holds.get(id)?.hold ?? null,
    holdsOf: (pair) =>
      entries(pair)
        .sort((a, b) => beginOf(a) - beginOf(b))
        .map((h) => h.hold),
    all: () => [...holds.values()].filter((h) => !isNoHold(h.hold.id)).map((h) => h.hold),
    entries: () => [...holds.values()],
    remove(ids) {
      const gone = new Set(ids);
      /** @type {Set<string>} */
      const touched = new Set();
      for (const id of gone) {
        const hold = where.get(id);
        if (hold !== undefined) touched.add(hold);
        else gone.delete(id);
        where.delete(id);
      }
      for (const id of touched) {
        const h = holds.get(id);
        const left = h ? h.hold.events.filter((e) => !gone.has(e.id)) : [];
        if (!h || left.length === 0) holds.delete(id);
        else h.hold = foldEvents(id, left);
      }
      if (gone.size > 0) version += 1;
      return gone.size;
    },
    current(pair, nowMs) {
      const known = entries(pair);
      let first = null;
      let newest = null;
      running = 0;
      for (const h of known) {
        if (!newest || h.first > newest.first) newest = h;
        if (h.over || nowMs - h.last > ABANDONED_MS) continue;
        const status = statusAt(h.hold, nowMs);
        h.over = status.phase === 'over' && h.last <= nowMs;
        if (!isRunning(status.phase)) continue;
        // The alarm of one must not fall silent because another began.
        const asks = status.incident ? RUNGS.length : RUNGS.indexOf(status.standing?.rung ?? '');
        const at = Number(status.start_at);
        running += 1;
        if (!first || asks > first.asks || (asks === first.asks && at > first.at)) first = { h, asks, at };
      }
      if (first) return first.h.hold;
      if (!newest) return null;
      const { phase } = statusAt(newest.hold, nowMs);
      const old = phase === 'over' ? Infinity : isRunning(phase) ? ABANDONED_MS : OLD_PLAN_MS;
      return nowMs - newest.last > old ? null : newest.hold;
    },
    several: () => running > 1,
    newestPlace(pair) {
      let newest = null;
      for (const h of holds.values()) {
        if (h.pair !== pair) continue;
        for (const e of h.hold.events) {
          if (e.kind === 'place' && e.data && (!newest || e.at >= newest.at)) newest = e;
        }
      }
      return newest?.data ? { at: newest.at, data: newest.data } : null;
    },
    counts: (pair) => (haves.get(pair) ?? newHave()).counts(),
    lackedBy(pair, theirs) {
      const lacked = [];
      for (const h of holds.values()) {
        if (h.pair !== pair) continue;
        for (const e of h.hold.events) {
          const n = counterOf(e.id);
          if (n > 0 && !isThere(theirs, deviceOf(e.id), n)) lacked.push(e);
        }
      }
      return lacked;
    },
    counter: (device) => counters.get(device) ?? 0,
    event: (id) => holds.get(where.get(id) ?? '')?.hold.byId.get(id) ?? null,
    move(ids, to) {
      const have = haves.get(to) ?? newHave();
      haves.set(to, have);
      for (const id of ids) {
        const h = holds.get(id);
        if (!h) continue;
        h.pair = to;
        for (const e of h.hold.events) have.add(e.id);
      }
      haves.delete('');
      version += 1;
    },
    version: () => version,
  };
}
