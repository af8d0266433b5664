/**
 * Erasing: rows gone from this phone's disk, and with them every line, copy and
 * draft that was made of them.
 */

import { DRAFTS, eventId } from './device.js';

/** @typedef {import('./model.js').Model} Model */

/**
 * @param {object} env
 * @param {import('../store/db.js').Store} env.store
 * @param {Model} env.model
 * @param {import('./logbook.js').Logbook} env.logbook
 * @returns {(ids: string[]) => Promise<void>} event ids; those that are not here make no difference
 */
export function newEraser({ store, model, logbook }) {
  return async (ids) => {
    const rows = await store.byId(ids);
    model.forget(ids);
    if (rows.length === 0) return;
    const holds = new Set(rows.map((row) => row.event.hold));
    const profiles = rows.flatMap(({ event }) => (event.kind === 'profile' ? [String(event.data?.diver_id)] : []));
    const change = await store.remove(ids, [...holds], profiles.map(logbook.profileKey));
    logbook.forget({ divers: profiles, holds }, change);
    for (const draft of Object.values(DRAFTS)) {
      try {
        sessionStorage.removeItem(draft);
      } catch {
        // No store here: nothing was kept.
      }
    }
    await logbook.renew(holds);
  };
}

/** Counters of one device at most that are heeded in one word of the host. */
const MOST = 100_000;

/**
 * The ids of what the host says was erased.
 * @param {unknown} erased device id to runs of counters, `[from, to]` each
 * @returns {string[]}
 */
export function erasedIds(erased) {
  if (typeof erased !== 'object' || erased === null) return [];
  /** @type {string[]} */
  const ids = [];
  for (const [device, runs] of Object.entries(erased)) {
    for (const run of Array.isArray(runs) ? runs : []) {
      const [from, to] = Array.isArray(run) ? run : [];
      if (!Number.isSafeInteger(from) || !Number.isSafeInteger(to) || from < 1) continue;
      for (let n = from; n <= to && ids.length < MOST; n += 1) ids.push(eventId(device, n));
    }
  }
  return ids;
}
