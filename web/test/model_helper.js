// A page's model on a device whose clock the test moves, with the real rules, book and mirror.
import assert from 'node:assert/strict';
import { newBook } from '../app/book.js';
import { newDeviceStore } from '../app/device.js';
import { newModel } from '../app/model.js';
import { newSharedClock } from '../app/time.js';
import { memoryStore } from '../store/db.js';
import { newMirror } from '../store/mirror.js';

export const NOW = 1_790_000_000_000;
export const PLAN = { diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 180, cadence: 'standard', signal: 'squeeze' };

/** Time never runs out. */
export const forever = () => new Promise(() => {});

/** A browser's localStorage, in memory. @returns {any} */
export function storage() {
  /** @type {Map<string, string>} */
  const kept = new Map();
  return {
    get length() {
      return kept.size;
    },
    key: (/** @type {number} */ i) => [...kept.keys()][i] ?? null,
    getItem: (/** @type {string} */ k) => kept.get(k) ?? null,
    setItem: (/** @type {string} */ k, /** @type {string} */ v) => kept.set(k, String(v)),
    removeItem: (/** @type {string} */ k) => kept.delete(k),
  };
}

/**
 * A page on a device whose clock the test moves; `disk` and `local` outlive it.
 * @param {{disk?: ReturnType<typeof memoryStore>, local?: any, role?: any, at?: number, store?: any, wait?: (ms: number) => Promise<unknown>, awayMs?: number}} [from]
 */
export async function page({ disk = memoryStore(), local = storage(), role = 'buddy', at = NOW, store = disk, wait = forever, awayMs = 0 } = {}) {
  let mono = 0;
  const clock = newSharedClock({ deviceNow: () => mono, wallNow: () => at + mono });
  const book = newBook();
  const mirror = newMirror(local);
  const devices = newDeviceStore(store, local);
  let seed = 7;
  const identity = await devices.load((bytes) => bytes.map(() => (seed = (seed * 31 + 11) % 251)));
  /** @type {any} */
  const seen = { sent: [], shared: [], felt: 0, changed: 0, first: true };
  const model = newModel({
    identity: { ...identity, role, pair: identity.pair || 'p1', token: 't' },
    book,
    clock,
    store,
    mirror,
    devices,
    random: (bytes) => bytes.fill(9),
    send: (events) => seen.sent.push(...events),
    share: (events) => seen.shared.push(...events),
    first: () => seen.first,
    wait,
    awayMs,
    felt: () => (seen.felt += 1),
    changed: () => (seen.changed += 1),
  });
  return {
    model, clock, disk, local, mirror, seen,
    /** Time passes with the page ticking. @param {number} ms */
    async pass(ms) {
      for (let t = 0; t < ms; t += 250) {
        mono += Math.min(250, ms - t);
        clock.tick(false);
        model.tick();
        await null;
      }
    },
  };
}

/** Waits for a condition. @param {() => boolean} condition */
export async function until(condition) {
  for (const end = Date.now() + 5000; !condition(); ) {
    assert.ok(Date.now() < end, `waited in vain for ${condition}`);
    await new Promise((next) => setTimeout(next, 1));
  }
}

/** @param {Awaited<ReturnType<typeof page>>} p */
export async function started(p) {
  const id = await p.model.newHold(PLAN);
  await p.model.record('start', null);
  return id;
}

/** @param {Awaited<ReturnType<typeof page>>} p @param {string} verdict */
export async function ended(p, verdict = 'clean') {
  await p.pass(30_000);
  await p.model.record('surfaced', null);
  await p.pass(5000);
  await p.model.record('ok', null);
  for (const s of [8, 15, 22, 30, 45, 60]) {
    await p.pass(Math.max(0, s * 1000 - 5000 - (p.clock.now() - Number(p.model.status()?.ok_at))));
    await p.model.record('look', null);
  }
  await p.pass(2000);
  await p.model.record('watch-ended', null);
  assert.equal(p.model.status()?.phase, 'over');
  if (verdict) await p.model.record('verdict', { what: verdict });
}
