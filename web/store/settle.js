/**
 * Putting lines and their digest on the disk, and reading more of them. What
 * keeps a stale one from being shown stands in summaries.js.
 */

import { complete, done } from './requests.js';
import { DIGEST, DUE, HEAD, LINES, STAMP } from './summaries.js';

/** @typedef {import('./summaries.js').Line} Line */
/** @typedef {import('./summaries.js').Kept} Kept */
/** @typedef {import('./summaries.js').Stamp} Stamp */

/**
 * A hold's line and what it was made of.
 * @typedef {object} Made
 * @property {string} hold
 * @property {string[]} ids of the events
 * @property {Line | null} line null where these events make none yet, or none that stays
 * @property {boolean} over false where the hold stays due, because time alone will change it
 */

/**
 * @typedef {object} Summaries
 * @property {(than: Line | null, count: number) => Promise<Line[]>} linesBefore the next older ones, newest first
 * @property {(made: Made[]) => Promise<Stamp | null>} settle puts lines in place, but none whose events are not those of the
 *   disk any more: that hold stays due. Null where the disk has failed
 * @property {() => Promise<void>} allDue every line is to be made anew
 * @property {(key: string) => Promise<unknown>} digestPart
 * @property {(stamp: number, head: unknown, keys: string[], parts: [string, unknown][]) => Promise<boolean>} setDigest puts the
 *   head and parts, and drops those not among `keys`; false where lines were changed since `stamp`
 */

/** @param {Line} line @returns {Kept} */
const kept = (line) => ({ hold: line.hold, order: -line.start_at, line });

/** @param {string[]} here as the store has them, each once @param {string[]} ids */
export function sameIds(here, ids) {
  const made = new Set(ids);
  return here.length === made.size && here.every((id) => made.has(id));
}

/** @param {Line | null} a @param {Line | null} b */
export const sameLine = (a, b) => a === b || JSON.stringify(a) === JSON.stringify(b);

/**
 * @param {import('./db.js').Store} store
 * @returns {Summaries}
 */
export function newSummaries({ onDisk }) {
  return {
    linesBefore: (than, count) =>
      onDisk(
        async (db) => {
          const range = than === null ? null : IDBKeyRange.lowerBound([-than.start_at, than.hold], true);
          const found = await done(db.transaction(LINES).objectStore(LINES).index('newest').getAll(range, count));
          return found.map((k) => k.line);
        },
        async () => [],
      ),

    settle: (made) =>
      onDisk(
        async (db) => {
          const tx = db.transaction(['events', LINES, DUE, DIGEST], 'readwrite', { durability: 'relaxed' });
          const end = complete(tx);
          const lines = tx.objectStore(LINES);
          const digest = tx.objectStore(DIGEST);
          let stamp = { was: 0, is: 0 };
          const last = digest.get(STAMP);
          last.onsuccess = () => {
            const was = Number(last.result ?? 0);
            stamp = { was, is: was };
          };
          for (const { hold, ids, line, over } of made) {
            const here = tx.objectStore('events').index('hold').getAllKeys(hold);
            here.onsuccess = () => {
              if (!sameIds(here.result.map(String), ids)) return;
              if (over) tx.objectStore(DUE).delete(hold);
              const before = lines.get(hold);
              before.onsuccess = () => {
                if (sameLine(before.result?.line ?? null, line)) return;
                if (line) lines.put(kept(line));
                else lines.delete(hold);
                if (stamp.is > stamp.was) return;
                stamp.is += 1;
                digest.put(stamp.is, STAMP);
                digest.delete(HEAD);
              };
            };
          }
          await end;
          return stamp;
        },
        async () => null,
      ),

    allDue: () =>
      onDisk(
        async (db) => {
          const tx = db.transaction([LINES, DUE, DIGEST], 'readwrite', { durability: 'relaxed' });
          const end = complete(tx);
          const due = tx.objectStore(DUE);
          const keys = tx.objectStore(LINES).getAllKeys();
          keys.onsuccess = () => {
            for (const hold of keys.result) due.put(true, hold);
            tx.objectStore(LINES).clear();
            tx.objectStore(DIGEST).delete(HEAD);
          };
          await end;
        },
        async () => {},
      ),

    digestPart: (key) =>
      onDisk(
        async (db) => done(db.transaction(DIGEST).objectStore(DIGEST).get(key)),
        async () => undefined,
      ),

    setDigest: (stamp, head, keys, parts) =>
      onDisk(
        async (db) => {
          const tx = db.transaction(DIGEST, 'readwrite', { durability: 'relaxed' });
          const end = complete(tx);
          const digest = tx.objectStore(DIGEST);
          let same = false;
          const last = digest.get(STAMP);
          last.onsuccess = () => {
            same = Number(last.result ?? 0) === stamp;
            if (!same) return;
            const there = digest.getAllKeys();
            there.onsuccess = () => {
              for (const key of there.result) if (key !== STAMP && !keys.includes(String(key))) digest.delete(key);
              for (const [key, part] of parts) digest.put(part, key);
              digest.put(head, HEAD);
            };
          };
          await end;
          return same;
        },
        async () => true,
      ),
  };
}
