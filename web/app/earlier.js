/**
 * What a phone still owes to pairs it has left: events that were not on the
 * host's disk when it went on alone or joined another pair. They are handed
 * over by plain requests with the token of that time, whenever a host answers.
 */

import { firstBatch } from '../sync/outbox.js';

/** @typedef {import('./device.js').Identity} Identity */

const KEY = 'earlier';

/**
 * A place in a pair that the phone has left.
 * @typedef {object} Debt
 * @property {string} pair
 * @property {string} device
 * @property {string} token
 */

/**
 * @typedef {object} Earlier
 * @property {(left: Identity) => Promise<void>} add
 * @property {() => Promise<void>} deliver sends what is owed; quiet where no host answers
 */

/** @param {unknown} value @returns {Debt[]} */
function readDebts(value) {
  if (!Array.isArray(value)) return [];
  return value.filter((d) => [d?.pair, d?.device, d?.token].every((text) => typeof text === 'string' && text !== ''));
}

/**
 * @param {object} env
 * @param {import('../store/db.js').Store} env.store
 * @param {(body: unknown) => Promise<{status: number, json: any}>} env.post to the host's address for events
 * @returns {Earlier}
 */
export function newEarlier({ store, post }) {
  let busy = false;
  const debts = async () => readDebts(await store.get(KEY));

  /** @param {string} pair */
  const owed = async (pair) => (await store.ofPair(pair)).filter((row) => row.state === 'new');

  /**
   * One request; true where more may follow.
   * @param {Debt} debt
   */
  const send = async ({ pair, token }) => {
    const events = firstBatch((await owed(pair)).map((row) => row.event));
    if (events.length === 0) return false;
    const { status, json } = await post({ token, pair, events, have: {} });
    // A host that does not know the phone may not be the one that is owed: that one may come back.
    if (status !== 200) return false;
    const stored = Array.isArray(json?.stored) ? json.stored : [];
    await store.mark(stored, 'stored');
    const refused = (Array.isArray(json?.refused) ? json.refused : []).filter(
      (/** @type {any} */ r) => Array.isArray(r?.ids) && !['not-stored', 'slow-down', 'future'].includes(r.code),
    );
    for (const r of refused) await store.mark(r.ids, 'refused', String(r.code), String(r.reason ?? ''));
    return stored.length > 0 || refused.length > 0;
  };

  return {
    async add({ pair, device, token }) {
      if (pair === '' || token === '' || (await owed(pair)).length === 0) return;
      const others = (await debts()).filter((d) => d.pair !== pair || d.device !== device);
      await store.set(KEY, [...others, { pair, device, token }]);
    },
    async deliver() {
      if (busy) return;
      busy = true;
      try {
        const list = await debts();
        if (list.length === 0) return;
        for (const debt of list) while (await send(debt));
        const open = [];
        for (const debt of list) if ((await owed(debt.pair)).length > 0) open.push(debt);
        await store.set(KEY, open);
      } catch {
        // No host: tried again when one answers.
      } finally {
        busy = false;
      }
    },
  };
}
