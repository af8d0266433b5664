/**
 * The store in memory: where the browser gives no disk, or the disk has failed.
 */

import { nothingKept } from './summaries.js';

export const WORDS_MEMORY =
  'This browser gives no storage: what is recorded is lost when the page is closed, unless it has reached the host.';

/** @typedef {import('./db.js').Row} Row */

/**
 * @returns {import('./db.js').Store & {rows: Map<string, Row>, meta: Map<string, unknown>}}
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
    async bring(list) {
      const pairs = new Map([...rows.values()].map((r) => [r.event.hold, r.pair]));
      const known = list.flatMap((row) => rows.get(row.id) ?? []);
      for (const row of list) if (!rows.has(row.id)) rows.set(row.id, { ...row, pair: pairs.get(row.event.hold) ?? row.pair });
      return known;
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
    async move(holds, to) {
      for (const row of rows.values()) if (holds.includes(row.event.hold)) rows.set(row.id, { ...row, pair: to });
    },
    async remove(ids, holds, keys) {
      for (const id of ids) rows.delete(id);
      for (const key of keys) meta.delete(key);
      return null;
    },
    list: async (prefix) => [...meta].filter(([key]) => key.startsWith(prefix)).map(([, value]) => value),
    get: async (key) => meta.get(key),
    async set(key, value) {
      meta.set(key, value);
    },
    async setAll(entries) {
      for (const [key, value] of entries) meta.set(key, value);
    },
    logStart: async () => nothingKept(),
    onDisk: (work, otherwise) => otherwise(),
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
export function marked(row, state, code, reason) {
  if (row.state === 'stored') return row;
  if (state === 'stored') return { id: row.id, pair: row.pair, at: row.at, event: row.event, state };
  return { ...row, state, code: code ?? '', reason: reason ?? '' };
}
