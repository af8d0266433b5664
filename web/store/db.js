/**
 * The phone's own store: every event is put here before it is shown as
 * recorded. IndexedDB where the browser gives it; else memory, and then the
 * store says so in words. Losing the disk in the middle of a hold never stops
 * the hold: the rows are kept in memory from then on.
 */

import { marked, memoryStore } from './memory.js';
import { complete, done } from './requests.js';
import { DIGEST, dropSummaries, DUE, LINES, logStart, makeSummaryStores, nothingKept } from './summaries.js';

/**
 * An event as the store keeps it.
 * @typedef {object} Row
 * @property {string} id the event's id
 * @property {string} pair the pair it belongs to, `''` before this phone has joined one
 * @property {number} at the event's shared ms
 * @property {import('../rules/event.js').HoldEvent} event
 * @property {'new' | 'stored' | 'refused'} state `new` until the server has it on its disk
 * @property {string} [code] why the server refused it
 * @property {string} [reason]
 */

/**
 * @typedef {object} Store
 * @property {() => 'disk' | 'memory'} kind
 * @property {() => string} words what is wrong, `''` while all is well
 * @property {(row: Row, strict: boolean) => Promise<'added' | 'there'>} add inserts unless the id is there already;
 *   `strict` waits until the disk itself has it. Never rejects for want of a disk.
 * @property {(rows: Row[]) => Promise<void>} addAll as `add`, many at once; an id that is there is left alone
 * @property {(rows: Row[]) => Promise<Row[]>} bring adds rows of a file, no two with one id; a hold that is here keeps its pair.
 *   Gives back the rows that were here already: these are left alone
 * @property {(ids: string[], state: 'stored' | 'refused', code?: string, reason?: string) => Promise<void>} mark
 * @property {(pair: string) => Promise<Row[]>} ofPair
 * @property {(atMs: number) => Promise<Row[]>} since rows of any pair whose event is not older
 * @property {(hold: string) => Promise<Row[]>} ofHold
 * @property {() => Promise<string[]>} holds ids of all holds that have rows
 * @property {(ids: string[]) => Promise<Row[]>} byId those that are there
 * @property {(holds: string[], to: string) => Promise<void>} move gives the rows of holds to a pair
 * @property {(ids: string[], holds: string[], keys: string[]) => Promise<import('./summaries.js').Stamp | null>} remove rows,
 *   with the lines of their holds and all that was made of any, and kept values: gone for good
 * @property {(prefix: string) => Promise<unknown[]>} list values whose key begins so
 * @property {(entries: [string, unknown][]) => Promise<void>} setAll as `set`, many at once, for what can be made anew
 * @property {(key: string) => Promise<unknown>} get
 * @property {(key: string, value: unknown) => Promise<void>} set
 * @property {() => Promise<void>} erase everything on this phone, gone
 * @property {(count: number, few: number) => Promise<import('./summaries.js').LogStart>} logStart with so many lines
 * @property {<T>(work: (db: IDBDatabase) => Promise<T>, otherwise: () => Promise<T>) => Promise<T>} onDisk for lines and digest
 */

export { memoryStore };

const NAME = 'buddyclock';
/** 2: rows are found by their hold too. 3: lines and their digest have stores of their own. */
const VERSION = 3;
/** A database that does not open in this time will not (own): with a hold under way no rung may wait for it. */
const OPEN_IN_HOLD_MS = 2000;
const OPEN_MS = 10_000;

export const WORDS_LOST = 'The phone’s storage has failed: new records are kept in memory and on the host only.';

/**
 * @param {IDBFactory} factory
 * @param {number} waitMs
 * @returns {Promise<IDBDatabase>}
 */
function open(factory, waitMs) {
  return new Promise((resolve, reject) => {
    const timer = setTimeout(() => reject(new Error('the database does not open')), waitMs);
    const request = factory.open(NAME, VERSION);
    request.onupgradeneeded = ({ oldVersion }) => {
      if (oldVersion < 1) {
        const rows = request.result.createObjectStore('events', { keyPath: 'id' });
        rows.createIndex('pair', 'pair');
        rows.createIndex('at', 'at');
        request.result.createObjectStore('meta');
      }
      if (oldVersion < 2) request.transaction?.objectStore('events').createIndex('hold', 'event.hold');
      if (oldVersion < 3) {
        makeSummaryStores(request.result, oldVersion === 0 ? null : request.transaction);
        const meta = request.transaction?.objectStore('meta');
        meta?.delete(IDBKeyRange.bound('log:', 'log:\uffff'));
        meta?.delete('log-version');
      }
    };
    request.onsuccess = () => {
      clearTimeout(timer);
      resolve(request.result);
    };
    request.onerror = () => {
      clearTimeout(timer);
      reject(request.error ?? new Error('the database does not open'));
    };
  });
}

/**
 * Opens the store. Never rejects: where there is no disk to be had the store
 * keeps everything in memory and says so.
 * @param {IDBFactory | undefined} factory `globalThis.indexedDB`
 * @param {boolean} [inHold] a hold is under way, and known without it
 * @returns {Promise<Store>}
 */
export async function openStore(factory, inHold = false) {
  const memory = memoryStore();
  if (!factory) return memory;
  /** @type {IDBDatabase} */
  let db;
  try {
    db = await open(factory, inHold ? OPEN_IN_HOLD_MS : OPEN_MS);
  } catch {
    return memory;
  }
  return diskStore(factory, db, memory);
}

/**
 * @param {IDBFactory} factory
 * @param {IDBDatabase} first
 * @param {ReturnType<typeof memoryStore>} memory what the disk did not take
 * @returns {Store}
 */
function diskStore(factory, first, memory) {
  let db = first;
  let lost = false;
  let closed = false;

  const watch = () => {
    closed = false;
    // Another version of the page wants to change the store: let it, and open again when needed.
    db.onversionchange = () => {
      closed = true;
      db.close();
    };
    db.onclose = () => {
      closed = true;
    };
  };
  watch();

  /**
   * Runs work on the disk; a connection that the browser closed is opened
   * once more. After a failure `otherwise` runs on the memory store.
   * @template T
   * @param {(db: IDBDatabase) => Promise<T>} work
   * @param {() => Promise<T>} otherwise
   * @returns {Promise<T>}
   */
  const tryDisk = async (work, otherwise) => {
    for (let attempt = 0; attempt < 2; attempt += 1) {
      try {
        if (closed) {
          db = await open(factory, OPEN_IN_HOLD_MS);
          watch();
        }
        return await work(db);
      } catch (err) {
        const name = err instanceof Error ? err.name : '';
        if (name !== 'InvalidStateError' && name !== 'AbortError') break;
        closed = true;
      }
    }
    lost = true;
    return otherwise();
  };

  /** @param {boolean} strict */
  const writing = (strict) => db.transaction('events', 'readwrite', { durability: strict ? 'strict' : 'relaxed' });

  /** For what makes holds due as well. @param {boolean} strict */
  const changing = (strict) => db.transaction(['events', DUE], 'readwrite', { durability: strict ? 'strict' : 'relaxed' });

  /** @param {Row[]} found */
  const withMemory = (found) => {
    const byId = new Map(found.map((r) => [r.id, r]));
    for (const row of memory.rows.values()) if (!byId.has(row.id)) byId.set(row.id, row);
    return [...byId.values()];
  };

  return {
    kind: () => (lost ? 'memory' : 'disk'),
    words: () => (lost ? WORDS_LOST : ''),

    add: (row, strict) =>
      tryDisk(
        async () => {
          const tx = changing(strict);
          const end = complete(tx);
          const there = await done(tx.objectStore('events').getKey(row.id));
          if (there === undefined) {
            tx.objectStore('events').add(row);
            tx.objectStore(DUE).put(true, row.event.hold);
          }
          await end;
          return there === undefined ? 'added' : 'there';
        },
        () => memory.add(row, strict),
      ),

    async addAll(list) {
      if (list.length === 0) return;
      await tryDisk(
        async () => {
          const tx = changing(false);
          const end = complete(tx);
          const rows = tx.objectStore('events');
          /** @type {Set<string>} */
          const due = new Set();
          for (const row of list) {
            const there = rows.get(row.id);
            there.onsuccess = () => {
              const old = /** @type {Row | undefined} */ (there.result);
              if (!old) {
                rows.add(row);
                if (!due.has(row.event.hold)) tx.objectStore(DUE).put(true, row.event.hold);
                due.add(row.event.hold);
              }
              else if (row.state === 'stored' && old.state !== 'stored') rows.put(marked(old, 'stored'));
            };
          }
          await end;
        },
        () => memory.addAll(list),
      );
    },

    bring: (list) =>
      tryDisk(
        async () => {
          const tx = changing(false);
          const end = complete(tx);
          const rows = tx.objectStore('events');
          // One look for each hold, not one for each event: a file has hundreds of thousands of them.
          const holds = await Promise.all([...new Set(list.map((row) => row.event.hold))].map(async (hold) => {
            const ids = (await done(rows.index('hold').getAllKeys(hold))).map(String);
            return /** @type {const} */ ([hold, { ids: new Set(ids), pair: ids.length > 0 ? (await done(rows.get(ids[0]))).pair : null }]);
          }));
          const here = new Map(holds);
          /** @type {Set<string>} */
          const due = new Set();
          /** @type {Row[]} */
          const known = [];
          const keep = (/** @type {string} */ id) => {
            const there = rows.get(id);
            there.onsuccess = () => known.push(there.result);
          };
          for (const row of list) {
            const hold = here.get(row.event.hold);
            if (hold?.ids.has(row.id)) {
              keep(row.id);
              continue;
            }
            due.add(row.event.hold);
            const adding = rows.add({ ...row, pair: hold?.pair ?? row.pair });
            adding.onerror = (event) => {
              // The id is another hold's: it stays so.
              event.preventDefault();
              event.stopPropagation();
              keep(row.id);
            };
          }
          for (const hold of due) tx.objectStore(DUE).put(true, hold);
          await end;
          return known;
        },
        () => memory.bring(list),
      ),

    async mark(ids, state, code, reason) {
      await memory.mark(ids, state, code, reason);
      await tryDisk(
        async () => {
          const tx = writing(false);
          const end = complete(tx);
          const rows = tx.objectStore('events');
          for (const id of ids) {
            const there = rows.get(id);
            there.onsuccess = () => {
              if (there.result) rows.put(marked(there.result, state, code, reason));
            };
          }
          await end;
        },
        async () => {},
      );
    },

    ofPair: (pair) =>
      tryDisk(
        async () => {
          const index = db.transaction('events').objectStore('events').index('pair');
          return withMemory(await done(index.getAll(pair))).filter((r) => r.pair === pair);
        },
        () => memory.ofPair(pair),
      ),

    since: (atMs) =>
      tryDisk(
        async () => {
          const index = db.transaction('events').objectStore('events').index('at');
          return withMemory(await done(index.getAll(IDBKeyRange.lowerBound(atMs)))).filter((r) => r.at >= atMs);
        },
        () => memory.since(atMs),
      ),

    ofHold: (hold) =>
      tryDisk(
        async () => {
          const index = db.transaction('events').objectStore('events').index('hold');
          return withMemory(await done(index.getAll(hold))).filter((r) => r.event.hold === hold);
        },
        () => memory.ofHold(hold),
      ),

    holds: () =>
      tryDisk(
        async () => {
          const found = new Set(await memory.holds());
          const cursor = db.transaction('events').objectStore('events').index('hold').openKeyCursor(null, 'nextunique');
          await new Promise((resolve, reject) => {
            cursor.onerror = () => reject(cursor.error);
            cursor.onsuccess = () => {
              const at = cursor.result;
              if (!at) return resolve(null);
              found.add(String(at.key));
              at.continue();
            };
          });
          return [...found];
        },
        () => memory.holds(),
      ),

    byId: (ids) =>
      tryDisk(
        async () => {
          const rows = db.transaction('events').objectStore('events');
          const found = await Promise.all(ids.map((id) => done(rows.get(id))));
          return [...found.filter((row) => row !== undefined), ...(await memory.byId(ids))];
        },
        () => memory.byId(ids),
      ),

    async remove(ids, holds, keys) {
      await memory.remove(ids, holds, keys);
      return tryDisk(
        async () => {
          const tx = db.transaction(['events', 'meta', LINES, DUE, DIGEST], 'readwrite', { durability: 'strict' });
          const end = complete(tx);
          /** @type {import('./summaries.js').Stamp | null} */
          let stamp = null;
          for (const id of ids) tx.objectStore('events').delete(id);
          for (const key of keys) tx.objectStore('meta').delete(key);
          dropSummaries(tx, holds, (changed) => {
            stamp = changed;
          });
          await end;
          return stamp;
        },
        async () => null,
      );
    },

    list: (prefix) =>
      tryDisk(
        async () => done(db.transaction('meta').objectStore('meta').getAll(IDBKeyRange.bound(prefix, `${prefix}\uffff`))),
        () => memory.list(prefix),
      ),

    async move(holds, to) {
      await memory.move(holds, to);
      await tryDisk(
        async () => {
          const tx = changing(true);
          const end = complete(tx);
          const rows = tx.objectStore('events');
          for (const hold of holds) {
            const all = rows.index('hold').getAll(hold);
            all.onsuccess = () => {
              for (const row of all.result) rows.put({ ...row, pair: to });
            };
            tx.objectStore(DUE).put(true, hold);
          }
          await end;
        },
        async () => {},
      );
    },

    get: (key) =>
      tryDisk(
        async () => done(db.transaction('meta').objectStore('meta').get(key)),
        () => memory.get(key),
      ),

    async set(key, value) {
      await tryDisk(
        async () => {
          const tx = db.transaction('meta', 'readwrite', { durability: 'strict' });
          const end = complete(tx);
          tx.objectStore('meta').put(value, key);
          await end;
        },
        () => memory.set(key, value),
      );
    },

    async setAll(entries) {
      await tryDisk(
        async () => {
          const tx = db.transaction('meta', 'readwrite', { durability: 'relaxed' });
          const end = complete(tx);
          for (const [key, value] of entries) tx.objectStore('meta').put(value, key);
          await end;
        },
        () => memory.setAll(entries),
      );
    },

    logStart: (count, few) => tryDisk(() => logStart(db, count, few), async () => nothingKept()),
    onDisk: (work, otherwise) => tryDisk(() => work(db), otherwise),

    async erase() {
      await memory.erase();
      await tryDisk(
        async () => {
          const all = [...db.objectStoreNames];
          const tx = db.transaction(all, 'readwrite', { durability: 'strict' });
          const end = complete(tx);
          for (const name of all) tx.objectStore(name).clear();
          await end;
        },
        async () => {},
      );
    },
  };
}
