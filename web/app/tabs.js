/**
 * One phone, one voice: of several tabs of this page only the first sounds
 * and records; the others show the same and are mute. Where the browser has
 * locks the lock decides; else tabs ask each other, and a lease in
 * localStorage stands in for one that cannot answer.
 */

const LOCK = 'buddyclock';
const LEASE = 'buddyclock.tab';
const CHANNEL = 'buddyclock';
/** A tab that has not renewed its lease for this long is gone (ms). */
const LEASE_MS = 3000;
/** A living tab answers within this time (ms, own). */
const ANSWER_MS = 300;
/** A browser that has not said by then whether a lock is free will not (ms, own). */
const LOCK_MS = 1500;

/**
 * @typedef {object} Tabs
 * @property {() => boolean} first whether this tab is the one that sounds and records
 * @property {() => void} renew call about once a second
 * @property {(events: unknown[]) => void} share events this tab has put in the store
 * @property {() => void} leave the page goes away
 */

/**
 * @typedef {object} TabsEnv
 * @property {BroadcastChannel | null} channel
 * @property {LockManager | null} locks
 * @property {Storage | null} storage
 * @property {number} [answer_ms] how long a living tab has to answer
 */

/** @param {Storage | null} storage @returns {TabsEnv} */
export function tabsHere(storage) {
  return {
    channel: typeof BroadcastChannel === 'function' ? new BroadcastChannel(CHANNEL) : null,
    locks: navigator.locks ?? null,
    storage,
  };
}

/**
 * @param {object} on
 * @param {(events: unknown[]) => void} on.events another tab has put these in the store
 * @param {(first: boolean) => void} on.change
 * @param {TabsEnv} env
 * @returns {Promise<Tabs>} resolved once it is known which tab this is
 */
export async function openTabs(on, { channel, locks, storage, answer_ms = ANSWER_MS }) {
  const me = String(Math.random()).slice(2);
  let first = false;

  /** @param {boolean} next */
  const become = (next) => {
    if (next === first) return;
    first = next;
    on.change(first);
  };

  /** @type {(taken: boolean) => void} */
  let answered = () => {};
  if (channel) {
    channel.onmessage = (e) => {
      const m = e.data;
      if (m?.from === me) return;
      if (m?.say === 'events' && Array.isArray(m.events)) on.events(m.events);
      if (m?.say === 'anyone' && first) channel.postMessage({ say: 'taken', from: me });
      if (m?.say === 'taken') answered(true);
    };
  }
  const share = (/** @type {unknown[]} */ events) => channel?.postMessage({ say: 'events', from: me, events });

  if (locks) {
    await withLock(locks, become);
    return { first: () => first, renew() {}, share, leave() {} };
  }

  const lease = () => {
    try {
      const l = JSON.parse(storage?.getItem(LEASE) ?? 'null');
      return l && typeof l.tab === 'string' && typeof l.at === 'number' ? l : null;
    } catch {
      return null;
    }
  };
  const write = () => {
    try {
      storage?.setItem(LEASE, JSON.stringify({ tab: me, at: Date.now() }));
    } catch {
      // Without storage the answers of other tabs have to do.
    }
  };
  const free = () => {
    const l = lease();
    return !l || l.tab === me || Math.abs(Date.now() - l.at) > LEASE_MS;
  };
  const claim = async () => {
    if (channel) {
      const taken = await new Promise((resolve) => {
        answered = resolve;
        channel.postMessage({ say: 'anyone', from: me });
        setTimeout(() => resolve(false), answer_ms);
      });
      if (taken) return false;
    } else if (!free()) return false;
    write();
    return true;
  };
  become(await claim());
  let claiming = false;
  return {
    first: () => first,
    renew() {
      const l = lease();
      // A tab that slept while another took over gives way.
      if (first && l && l.tab !== me && !free()) become(false);
      else if (first) write();
      else if (free() && !claiming) {
        claiming = true;
        claim().then((mine) => {
          claiming = false;
          become(mine);
        });
      }
    },
    share,
    leave() {
      if (!first) return;
      try {
        if (lease()?.tab === me) storage?.removeItem(LEASE);
      } catch {
        // It runs out by itself.
      }
    },
  };
}

/**
 * Takes the lock if it is free; else waits in line for it.
 * @param {LockManager} locks
 * @param {(first: boolean) => void} become
 */
async function withLock(locks, become) {
  const forever = () => new Promise(() => {});
  await new Promise((known) => {
    setTimeout(() => known(undefined), LOCK_MS);
    locks
      .request(LOCK, { ifAvailable: true }, (lock) => {
        if (!lock) return false;
        become(true);
        known(undefined);
        return forever();
      })
      .then(() => {
        known(undefined);
        return locks.request(LOCK, () => {
          become(true);
          return forever();
        });
      })
      .catch(() => {
        // The browser has locks but gives none here: better two voices than none.
        become(true);
        known(undefined);
      });
  });
}
