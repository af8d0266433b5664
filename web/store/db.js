/**
 * The phone's own store: every event is put here before it is shown as
 * recorded. IndexedDB where the browser gives it; else memory, and then the
 * store says so in words. Losing the disk in the middle of a hold never stops
 * the hold: the rows are kept in memory from then on.
 */

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
 * @property {(ids: string[], state: 'stored' | 'refused', code?: string, reason?: string) => Promise<void>} mark
 * @property {(pair: string) => Promise<Row[]>} ofPair
 * @property {(atMs: number) => Promise<Row[]>} since rows of any pair whose event is not older
 * @property {(hold: string) => Promise<Row[]>} ofHold
 * @property {() => Promise<string[]>} holds ids of all holds that have rows
 * @property {(ids: string[]) => Promise<Row[]>} byId those that are there
 * @property {(from: string, to: string) => Promise<void>} move gives the rows of one pair to another
 * @property {(ids: string[], keys: string[]) => Promise<void>} remove rows and kept values, gone for good
 * @property {(prefix: string) => Promise<unknown[]>} list values whose key begins so
 * @property {(entries: [string, unknown][]) => Promise<void>} setAll as `set`, many at once, for what can be made anew
 * @property {(key: string) => Promise<unknown>} get
 * @property {(key: string, value: unknown) => Promise<void>} set
 * @property {() => Promise<void>} erase everything on this phone, gone
 */

const NAME = 'buddyclock';
/** 2: rows are found by their hold too. */
const VERSION = 2;
/** A database that does not open in this time will not (own): with a hold under way no rung may wait for it. */
const OPEN_IN_HOLD_MS = 2000;
const OPEN_MS = 10_000;

export const WORDS_MEMORY =
  'This browser gives no storage: what is recorded is lost when the page is closed, unless it has reached the host.';
export const WORDS_LOST = 'The phone’s storage has failed: new records are kept in memory and on the host only.';

/**
 * @template T
 * @param {IDBRequest<T>} request
 * @returns {Promise<T>}
 */
function done(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error ?? new Error('the request failed'));
  });
}

/**
 * @param {IDBTransaction} tx
 * @returns {Promise<void>}
 */
function complete(tx) {
  return new Promise((resolve, reject) => {
    tx.oncomplete = () => resolve();
    tx.onerror = () => reject(tx.error ?? new Error('the transaction failed'));
    tx.onabort = () => reject(tx.error ?? new Error('the transaction was given up'));
  });
}

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
 * @returns {Store & {rows: Map<string, Row>, meta: Map<string, unknown>}}
 */
export function memoryStore() {
  /** @type {Map<string, Row>} */
  const rows = new Map();
  /** @type {Map<string, unknown>} */
  const meta = new Map();
  return {
    rows,
    meta,
    kind: () => 'memory',
    words: () => WORDS_MEMORY,
    async add(row) {
      if (rows.has(row.id)) return 'there';
      rows.set(row.id, row);
      return 'added';
    },
    async addAll(list) {
      for (const row of list) if (!rows.has(row.id)) rows.set(row.id, row);
    },
    async mark(ids, state, code, reason) {
      for (const id of ids) {
        const row = rows.get(id);
        if (row) rows.set(id, marked(row, state, code, reason));
      }
    },
    ofPair: async (pair) => [...rows.values()].filter((r) => r.pair === pair),
    since: async (atMs) => [...rows.values()].filter((r) => r.at >= atMs),
    ofHold: async (hold) => [...rows.values()].filter((r) => r.event.hold === hold),
    holds: async () => [...new Set([...rows.values()].map((r) => r.event.hold))],
    byId: async (ids) => ids.flatMap((id) => rows.get(id) ?? []),
    async move(from, to) {
      for (const row of rows.values()) if (row.pair === from) rows.set(row.id, { ...row, pair: to });
    },
    async remove(ids, keys) {
      for (const id of ids) rows.delete(id);
      for (const key of keys) meta.delete(key);
    },
    list: async (prefix) => [...meta].filter(([key]) => key.startsWith(prefix)).map(([, value]) => value),
    get: async (key) => meta.get(key),
    async set(key, value) {
      meta.set(key, value);
    },
    async setAll(entries) {
      for (const [key, value] of entries) meta.set(key, value);
    },
    async erase() {
      rows.clear();
      meta.clear();
    },
  };
}

/**
 * A row that is on the server's disk stays `stored`, whatever else is heard.
 * @param {Row} row
 * @param {'stored' | 'refused'} state
 * @param {string} [code]
 * @param {string} [reason]
 * @returns {Row}
 */
function marked(row, state, code, reason) {
  if (row.state === 'stored') return row;
  if (state === 'stored') return { id: row.id, pair: row.pair, at: row.at, event: row.event, state };
  return { ...row, state, code: code ?? '', reason: reason ?? '' };
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
          const tx = writing(strict);
          const end = complete(tx);
          const there = await done(tx.objectStore('events').getKey(row.id));
          if (there === undefined) tx.objectStore('events').add(row);
          await end;
          return there === undefined ? 'added' : 'there';
        },
        () => memory.add(row, strict),
      ),

    async addAll(list) {
      if (list.length === 0) return;
      await tryDisk(
        async () => {
          const tx = writing(false);
          const end = complete(tx);
          const rows = tx.objectStore('events');
          for (const row of list) {
            const there = rows.get(row.id);
            there.onsuccess = () => {
              const old = /** @type {Row | undefined} */ (there.result);
              if (!old) rows.add(row);
              else if (row.state === 'stored' && old.state !== 'stored') rows.put(marked(old, 'stored'));
            };
          }
          await end;
        },
        () => memory.addAll(list),
      );
    },

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

    async remove(ids, keys) {
      await memory.remove(ids, keys);
      await tryDisk(
        async () => {
          const tx = db.transaction(['events', 'meta'], 'readwrite', { durability: 'strict' });
          const end = complete(tx);
          for (const id of ids) tx.objectStore('events').delete(id);
          for (const key of keys) tx.objectStore('meta').delete(key);
          await end;
        },
        async () => {},
      );
    },

    list: (prefix) =>
      tryDisk(
        async () => done(db.transaction('meta').objectStore('meta').getAll(IDBKeyRange.bound(prefix, `${prefix}\uffff`))),
        () => memory.list(prefix),
      ),

    async move(from, to) {
      await memory.move(from, to);
      await tryDisk(
        async () => {
          const tx = writing(true);
          const end = complete(tx);
          const cursor = tx.objectStore('events').index('pair').openCursor(IDBKeyRange.only(from));
          cursor.onsuccess = () => {
            const at = cursor.result;
            if (!at) return;
            at.update({ ...at.value, pair: to });
            at.continue();
          };
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

    async erase() {
      await memory.erase();
      await tryDisk(
        async () => {
          const tx = db.transaction(['events', 'meta'], 'readwrite', { durability: 'strict' });
          const end = complete(tx);
          tx.objectStore('events').clear();
          tx.objectStore('meta').clear();
          await end;
        },
        async () => {},
      );
    },
  };
}
