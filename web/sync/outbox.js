/**
 * Two small books a connection keeps: what the server has not yet
 * acknowledged, and which events this device holds. Pure.
 */

import { deviceOf } from '../rules/event.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

/** Most events in one frame, and most bytes of their JSON, well under the largest frame of 256 KiB. */
export const BATCH_EVENTS = 200;
const BATCH_BYTES = 180_000;
/** An event not acknowledged in this time is sent once more (ms, own). */
export const RESEND_MS = 3000;

/**
 * @typedef {object} Outbox
 * @property {(events: HoldEvent[]) => void} add an event that is in the book already stays as it is
 * @property {(ids: string[]) => void} drop acknowledged, or refused
 * @property {(now: number, again: boolean) => HoldEvent[][]} due batches to send now, in order; `again` counts
 *   everything as never sent (after a new connection)
 * @property {() => HoldEvent[]} all
 * @property {() => number} size
 */

/** @returns {Outbox} */
export function newOutbox() {
  /** @type {Map<string, {event: HoldEvent, bytes: number, sentAt: number}>} */
  const waiting = new Map();
  return {
    add(events) {
      for (const event of events) {
        if (waiting.has(event.id)) continue;
        waiting.set(event.id, { event, bytes: mostBytes(event), sentAt: -Infinity });
      }
    },
    drop(ids) {
      for (const id of ids) waiting.delete(id);
    },
    due(now, again) {
      /** @type {HoldEvent[][]} */
      const batches = [];
      /** @type {HoldEvent[]} */
      let batch = [];
      let bytes = 0;
      for (const w of waiting.values()) {
        if (!again && now - w.sentAt < RESEND_MS) continue;
        w.sentAt = now;
        if (batch.length === BATCH_EVENTS || (batch.length > 0 && bytes + w.bytes > BATCH_BYTES)) {
          batches.push(batch);
          batch = [];
          bytes = 0;
        }
        batch.push(w.event);
        bytes += w.bytes;
      }
      if (batch.length > 0) batches.push(batch);
      return batches;
    },
    all: () => [...waiting.values()].map((w) => w.event),
    size: () => waiting.size,
  };
}

/**
 * The most bytes an event's JSON can have in UTF-8: three for each unit of a string.
 * @param {HoldEvent} event
 */
export function mostBytes(event) {
  return JSON.stringify(event).length * 3;
}

/**
 * The first of these events, as many as go in one frame or request.
 * @param {Iterable<HoldEvent>} events
 * @param {number} [bytesMost] of their JSON; the first goes whatever it has
 */
export function firstBatch(events, bytesMost = BATCH_BYTES) {
  /** @type {HoldEvent[]} */
  const batch = [];
  let bytes = 0;
  for (const event of events) {
    bytes += mostBytes(event);
    if (batch.length === BATCH_EVENTS || (batch.length > 0 && bytes > bytesMost)) break;
    batch.push(event);
  }
  return batch;
}

/** Most runs above a gap that are told of one device: what is left out is sent once more, which does no harm. */
const MAX_RUNS = 64;

/**
 * Which events somebody has, per device.
 * @typedef {object} Counts
 * @property {Record<string, number>} have the highest counter with no gap below it
 * @property {Record<string, [number, number][]>} beyond runs of counters above that gap, first and last of each
 */

/**
 * @typedef {object} Have
 * @property {(id: string) => void} add
 * @property {() => Counts} counts
 */

/**
 * The book of what a device holds. Counters begin at 1.
 * @param {Counts} [from]
 * @returns {Have}
 */
export function newHave(from = { have: {}, beyond: {} }) {
  /** @type {Map<string, {run: number, beyond: Set<number>}>} */
  const devices = new Map();
  /** @param {string} device */
  const of = (device) => {
    let d = devices.get(device);
    if (!d) {
      d = { run: 0, beyond: new Set() };
      devices.set(device, d);
    }
    return d;
  };
  for (const [device, n] of Object.entries(from.have)) of(device).run = n;
  for (const [device, runs] of Object.entries(from.beyond)) {
    for (const [first, last] of runs) for (let n = first; n <= last; n += 1) of(device).beyond.add(n);
  }
  return {
    add(id) {
      const m = /-(\d{6,15})$/.exec(id);
      if (!m) return;
      const n = Number(m[1]);
      const d = of(deviceOf(id));
      if (n <= d.run) return;
      d.beyond.add(n);
      while (d.beyond.delete(d.run + 1)) d.run += 1;
    },
    counts() {
      /** @type {Counts} */
      const out = { have: {}, beyond: {} };
      for (const [device, d] of devices) {
        if (d.run > 0) out.have[device] = d.run;
        if (d.beyond.size > 0) out.beyond[device] = runsOf(d.beyond);
      }
      return out;
    },
  };
}

/** @param {Set<number>} counters @returns {[number, number][]} the lowest runs */
function runsOf(counters) {
  /** @type {[number, number][]} */
  const runs = [];
  for (const n of [...counters].sort((a, b) => a - b)) {
    const last = runs.at(-1);
    if (last && last[1] === n - 1) last[1] = n;
    else if (runs.length === MAX_RUNS) break;
    else runs.push([n, n]);
  }
  return runs;
}

/**
 * What the other side says that it has. What cannot be read counts as not said.
 * @param {any} message
 * @returns {Counts}
 */
export function readCounts(message) {
  /** @param {unknown} value @returns {any} */
  const object = (value) => (typeof value === 'object' && value !== null ? value : {});
  return { have: object(message?.have), beyond: object(message?.beyond) };
}

/**
 * Whether these counts say that an event is there.
 * @param {Counts} counts
 * @param {string} device
 * @param {number} n its counter
 */
export function isThere({ have, beyond }, device, n) {
  const upTo = Object.hasOwn(have, device) ? have[device] : 0;
  if (typeof upTo === 'number' && n <= upTo) return true;
  const runs = Object.hasOwn(beyond, device) ? beyond[device] : [];
  return Array.isArray(runs) && runs.some((run) => Array.isArray(run) && run.every(Number.isSafeInteger) && n >= run[0] && n <= run[1]);
}

/**
 * What one frame or request of a board may hold: events of one pair. A phone's are all of its own, and name none.
 * @param {HoldEvent[]} batch
 * @param {Map<string, string> | null} pairOf which pair an event is for, by id; null on a phone
 * @returns {[{pair?: string}, HoldEvent[]][]}
 */
export function byPair(batch, pairOf) {
  if (!pairOf) return [[{}, batch]];
  /** @type {Map<string, HoldEvent[]>} */
  const sorted = new Map();
  for (const event of batch) {
    const pair = pairOf.get(event.id) ?? '';
    sorted.set(pair, [...(sorted.get(pair) ?? []), event]);
  }
  return [...sorted].map(([pair, events]) => [{ pair }, events]);
}
