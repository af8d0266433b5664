/**
 * Two small books a connection keeps: what the server has not yet
 * acknowledged, and which events this device holds. Pure.
 */

import { deviceOf } from '../rules/event.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

/** Most events in one frame, and most bytes of their JSON, well under the largest frame of 256 KiB. */
export const BATCH_EVENTS = 200;
export const BATCH_BYTES = 180_000;
/** An event not acknowledged in this time is sent once more (ms, own). */
export const RESEND_MS = 3000;
/** How often an event ahead of the server's clock is offered again before it counts as refused (own). */
export const TRIES = 20;

/**
 * @typedef {object} Outbox
 * @property {(events: HoldEvent[]) => void} add an event that is in the book already stays as it is
 * @property {(ids: string[]) => void} drop acknowledged, or refused
 * @property {(now: number, again: boolean) => HoldEvent[][]} due batches to send now, in order; `again` counts
 *   everything as never sent (after a new connection)
 * @property {(ids: string[]) => string[]} tired counts one more refusal that may pass; gives the ids that had enough
 * @property {() => HoldEvent[]} all
 * @property {() => number} size
 */

/** @returns {Outbox} */
export function newOutbox() {
  /** @type {Map<string, {event: HoldEvent, bytes: number, sentAt: number, tries: number}>} */
  const waiting = new Map();
  return {
    add(events) {
      for (const event of events) {
        if (waiting.has(event.id)) continue;
        waiting.set(event.id, { event, bytes: JSON.stringify(event).length * 2, sentAt: -Infinity, tries: 0 });
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
    tired: (ids) =>
      ids.filter((id) => {
        const w = waiting.get(id);
        if (!w) return false;
        w.tries += 1;
        return w.tries >= TRIES;
      }),
    all: () => [...waiting.values()].map((w) => w.event),
    size: () => waiting.size,
  };
}

/**
 * @typedef {object} Have
 * @property {(id: string) => void} add
 * @property {() => Record<string, number>} counts per device the highest counter with no gap below it
 */

/**
 * The book of what a device holds. Counters begin at 1.
 * @param {Record<string, number>} [from]
 * @returns {Have}
 */
export function newHave(from = {}) {
  /** @type {Map<string, {run: number, beyond: Set<number>}>} */
  const devices = new Map();
  for (const [device, n] of Object.entries(from)) devices.set(device, { run: n, beyond: new Set() });
  return {
    add(id) {
      const m = /-(\d{6,15})$/.exec(id);
      if (!m) return;
      const n = Number(m[1]);
      const device = deviceOf(id);
      let d = devices.get(device);
      if (!d) {
        d = { run: 0, beyond: new Set() };
        devices.set(device, d);
      }
      if (n <= d.run) return;
      d.beyond.add(n);
      while (d.beyond.delete(d.run + 1)) d.run += 1;
    },
    counts() {
      /** @type {Record<string, number>} */
      const out = {};
      for (const [device, d] of devices) if (d.run > 0) out[device] = d.run;
      return out;
    },
  };
}
