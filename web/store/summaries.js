/**
 * What the store keeps beside the events, so that a log of thousands of holds
 * opens without reading them: a line for every hold that is over, and a digest
 * of all lines.
 *
 * No stale one passes for good. Every transaction that brings or takes an event
 * marks its hold as due in the same stroke; a line goes in, and the mark out,
 * only while the hold's events on the disk are those the line was made of; and
 * a line that differs from the one before takes the digest with it (settle.js).
 * So a page that is closed anywhere in between heals when it opens next.
 */

import { done } from './requests.js';

/** @typedef {import('../app/logbook.js').Line} Line */

/** A line on the disk; `order` is minus its start, so that the newest comes first. @typedef {{hold: string, order: number, line: Line}} Kept */

/** The count of changes of lines, before and after. Another page's change shows in `was`. @typedef {{was: number, is: number}} Stamp */

/**
 * What a page opens with.
 * @typedef {object} LogStart
 * @property {unknown} head of the digest
 * @property {number} stamp count of changes of lines
 * @property {string[]} due holds whose line is to be made anew
 * @property {Line[]} before the lines that stand there for these, where they are few
 * @property {Line[]} lines the newest
 */

/** Names of the object stores. */
export const LINES = 'lines';
export const DUE = 'due';
export const DIGEST = 'digest';
/** Keys of the digest's store. */
export const HEAD = 'head';
export const STAMP = 'stamp';

/** Where there is no disk. @returns {LogStart} */
export const nothingKept = () => ({ head: null, stamp: 0, due: [], before: [], lines: [] });

/**
 * @param {IDBDatabase} db
 * @param {number} count of lines
 * @param {number} few
 * @returns {Promise<LogStart>}
 */
export async function logStart(db, count, few) {
  const tx = db.transaction([DIGEST, DUE, LINES]);
  const digest = tx.objectStore(DIGEST);
  const store = tx.objectStore(LINES);
  const [head, stamp, keys, newest] = await Promise.all([
    done(digest.get(HEAD)), done(digest.get(STAMP)), done(tx.objectStore(DUE).getAllKeys()), done(store.index('newest').getAll(null, count)),
  ]);
  const due = keys.map(String);
  const before = due.length > few ? [] : await Promise.all(due.map((hold) => done(store.get(hold))));
  const lines = (/** @type {(Kept | undefined)[]} */ kept) => kept.flatMap((k) => k?.line ?? []);
  return { head, stamp: Number(stamp ?? 0), due, before: lines(before), lines: lines(newest) };
}

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
