/**
 * Erasing: rows gone from this phone's disk, and with them every line, copy and
 * draft that was made of them.
 */

import { isNoHold } from './device.js';

/** @typedef {import('./model.js').Model} Model */

/** What the sheets keep between visits. */
const DRAFTS = ['buddyclock-draft', 'buddyclock-series'];

/**
 * @param {object} env
 * @param {import('../store/db.js').Store} env.store
 * @param {Model} env.model
 * @param {import('./logbook.js').Logbook} env.logbook
 * @returns {(ids: string[], profiles?: string[]) => Promise<void>} event ids, and ids of persons whose profile goes too
 */
export function newEraser({ store, model, logbook }) {
  return async (ids, profiles = []) => {
    const holds = new Set((await store.byId(ids)).map((row) => row.event.hold));
    model.forget(ids);
    logbook.forget(profiles);
    const keys = [...holds].filter((id) => !isNoHold(id)).flatMap(logbook.keysOf);
    await store.remove(ids, [...keys, ...profiles.map(logbook.profileKey)]);
    for (const draft of DRAFTS) {
      try {
        sessionStorage.removeItem(draft);
      } catch {
        // No store here: nothing was kept.
      }
    }
    await logbook.renew(holds);
  };
}
