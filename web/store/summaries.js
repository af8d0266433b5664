/**
 * What the store keeps beside the events, so that a log of thousands of holds
 * opens without reading them: a line for every hold that is over, and a digest
 * of all lines.
 *
 * No stale one passes for good. Every transaction that brings or takes an event
 * marks its hold as due in the same stroke; a line goes in, and the mark out,
 * only while the hold's events on the disk are those the line was made of; and
 * a line that differs from the one before takes the digest with it. So a page
 * that is closed anywhere in between heals when it opens next.
 */

import { complete, done } from './requests.js';

/** @typedef {import('../app/logbook.js').Line} Line */

/** A line on the disk; `order` is minus its start, so that the newest comes first. @typedef {{hold: string, order: number, line: Line}} Kept */

/**
 * A hold's line and what it was made of.
 * @typedef {object} Made
 * @property {string} hold
 * @property {string[]} ids of the events
 * @property {Line | null} line null where these events make none yet, or none that stays
 * @property {boolean} over false where the hold stays due, because time alone will change it
 */

/** The count of changes of lines, before and after. Another page's change shows in `was`. @typedef {{was: number, is: number}} Stamp */

/**
 * @typedef {object} Summaries
 * @property {(count: number) => Promise<{head: unknown, stamp: number, due: string[], lines: Line[]}>} logStart the digest's
 *   head, the holds whose line is due, and the newest lines
 * @property {(than: Line | null, count: number) => Promise<Line[]>} linesBefore the next older ones, newest first
 * @property {(made: Made[]) => Promise<Stamp | null>} settle puts lines in place, but none whose events are not those of the
 *   disk any more: that hold stays due. Null where the disk has failed
 * @property {() => Promise<void>} allDue every line is to be made anew
 * @property {(key: string) => Promise<unknown>} digestPart
 * @property {(stamp: number, head: unknown, keys: string[], parts: [string, unknown][]) => Promise<boolean>} setDigest puts the
 *   head and parts, and drops those not among `keys`; false where lines were changed since `stamp`
 */

const HEAD = 'head';
const STAMP = 'stamp';
/** Names of the object stores. */
export const LINES = 'lines';
export const DUE = 'due';
export const DIGEST = 'digest';

/** @param {Line} line @returns {Kept} */
const kept = (line) => ({ hold: line.hold, order: -line.start_at, line });

/** @param {string[]} here as the store has them, each once @param {string[]} ids */
function sameIds(here, ids) {
  const made = new Set(ids);
  return here.length === made.size && here.every((id) => made.has(id));
}

/** @param {Line | null} a @param {Line | null} b */
const sameLine = (a, b) => a === b || JSON.stringify(a) === JSON.stringify(b);

/** Makes the stores; of an older database every hold is due. @param {IDBDatabase} db @param {IDBTransaction | null} tx */
export function makeSummaryStores(db, tx) {
  db.createObjectStore(LINES, { keyPath: 'hold' }).createIndex('newest', ['order', 'hold']);
  db.createObjectStore(DIGEST);
  const due = db.createObjectStore(DUE);
  const cursor = tx?.objectStore('events').index('hold').openKeyCursor(null, 'nextunique');
  if (!cursor) return;
  cursor.onsuccess = () => {
    const at = cursor.result;
    if (!at) return;
    due.put(true, at.key);
    at.continue();
  };
}

/**
 * Takes away the lines of these holds and all that was made of any, within the caller's transaction. The holds are due:
 * something of them may be left.
 * @param {IDBTransaction} tx
 * @param {string[]} holds
 * @param {(stamp: Stamp) => void} told
 */
export function dropSummaries(tx, holds, told) {
  const digest = tx.objectStore(DIGEST);
  for (const hold of holds) {
    tx.objectStore(LINES).delete(hold);
    tx.objectStore(DUE).put(true, hold);
  }
  const last = digest.get(STAMP);
  last.onsuccess = () => {
    const was = Number(last.result ?? 0);
    digest.clear();
    digest.put(was + 1, STAMP);
    told({ was, is: was + 1 });
  };
}

/**
 * @param {<T>(work: (db: IDBDatabase) => Promise<T>, otherwise: () => Promise<T>) => Promise<T>} tryDisk
 * @returns {Summaries}
 */
export function diskSummaries(tryDisk) {
  return {
    logStart: (count) =>
      tryDisk(
        async (db) => {
          const tx = db.transaction([DIGEST, DUE, LINES]);
          const [head, stamp, due, lines] = await Promise.all([
            done(tx.objectStore(DIGEST).get(HEAD)), done(tx.objectStore(DIGEST).get(STAMP)), done(tx.objectStore(DUE).getAllKeys()),
            done(tx.objectStore(LINES).index('newest').getAll(null, count)),
          ]);
          return { head, stamp: Number(stamp ?? 0), due: due.map(String), lines: lines.map((k) => k.line) };
        },
        async () => ({ head: null, stamp: 0, due: [], lines: [] }),
      ),

    linesBefore: (than, count) =>
      tryDisk(
        async (db) => {
          const range = than === null ? null : IDBKeyRange.lowerBound([-than.start_at, than.hold], true);
          const found = await done(db.transaction(LINES).objectStore(LINES).index('newest').getAll(range, count));
          return found.map((k) => k.line);
        },
        async () => [],
      ),

    settle: (made) =>
      tryDisk(
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
      tryDisk(
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
      tryDisk(
        async (db) => done(db.transaction(DIGEST).objectStore(DIGEST).get(key)),
        async () => undefined,
      ),

    setDigest: (stamp, head, keys, parts) =>
      tryDisk(
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

/**
 * The same in memory. `due`, `lines` and `digest` are there for tests to look into.
 * @param {Map<string, import('./db.js').Row>} rows
 */
export function memorySummaries(rows) {
  /** @type {Map<string, Line>} */
  const lines = new Map();
  /** @type {Set<string>} */
  const due = new Set();
  /** @type {Map<string, unknown>} */
  const digest = new Map();
  let stamp = 0;
  const newest = () => [...lines.values()].map(kept).sort((a, b) => a.order - b.order || (a.hold < b.hold ? -1 : 1));

  /** @type {Summaries & {due: Set<string>, lines: Map<string, Line>, digest: Map<string, unknown>, drop: (holds: string[]) => Stamp}} */
  const summaries = {
    due,
    lines,
    digest,
    drop(holds) {
      for (const hold of holds) {
        lines.delete(hold);
        due.add(hold);
      }
      digest.clear();
      stamp += 1;
      return { was: stamp - 1, is: stamp };
    },
    logStart: async (count) => ({ head: digest.get(HEAD), stamp, due: [...due], lines: newest().slice(0, count).map((k) => k.line) }),
    async linesBefore(than, count) {
      const older = newest().filter((k) => than === null || k.order > -than.start_at || (k.order === -than.start_at && k.hold > than.hold));
      return older.slice(0, count).map((k) => k.line);
    },
    async settle(made) {
      const was = stamp;
      for (const { hold, ids, line, over } of made) {
        if (!sameIds([...rows.values()].filter((r) => r.event.hold === hold).map((r) => r.id), ids)) continue;
        if (over) due.delete(hold);
        if (sameLine(lines.get(hold) ?? null, line)) continue;
        if (line) lines.set(hold, line);
        else lines.delete(hold);
        digest.delete(HEAD);
        stamp = was + 1;
      }
      return { was, is: stamp };
    },
    async allDue() {
      for (const hold of lines.keys()) due.add(hold);
      lines.clear();
      digest.delete(HEAD);
    },
    digestPart: async (key) => digest.get(key),
    async setDigest(at, head, keys, parts) {
      if (at !== stamp) return false;
      for (const key of digest.keys()) if (!keys.includes(key)) digest.delete(key);
      for (const [key, part] of parts) digest.set(key, part);
      digest.set(HEAD, head);
      return true;
    },
  };
  return summaries;
}
