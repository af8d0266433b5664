/**
 * A copy of the running hold in localStorage, which can be read at once when
 * the page is loaded again in the middle of a hold, before any database has
 * opened (hazard H10). One key an event, so that writing costs the same
 * however long the hold is. Everything here is best effort: the database is
 * the store.
 */

const HEAD = 'buddyclock.hold';
const EVENT = 'buddyclock.hold:';
const CLOCK = 'buddyclock.clock';
const SOUND = 'buddyclock.sound';

/**
 * How shared time stood to the wall clock when last looked at.
 * @typedef {object} MirrorClock
 * @property {number} offset_ms shared minus wall clock, whole ms
 * @property {boolean} synced whether a server had said so
 * @property {number} at_ms wall clock when this was noted
 */

/**
 * @typedef {object} Mirrored
 * @property {string} pair
 * @property {string} hold
 * @property {import('../rules/event.js').HoldEvent[]} events
 */

/**
 * @typedef {object} Mirror
 * @property {() => boolean} works false once the browser has refused
 * @property {(pair: string, hold: string, events: import('../rules/event.js').HoldEvent[]) => void} follow copies this hold
 *   from now on, in place of the one before
 * @property {(event: import('../rules/event.js').HoldEvent) => void} add one more event of the hold that is followed
 * @property {() => Mirrored | null} read
 * @property {() => void} close nothing runs any more
 * @property {(clock: MirrorClock) => void} setClock
 * @property {() => MirrorClock | null} clock
 * @property {(provenAt: number | null) => void} setSound when a person last counted this phone's beeps, shared ms
 * @property {() => number | null} sound
 */

/**
 * @param {Storage | null} storage `localStorage`, or null where the browser gives none
 * @returns {Mirror}
 */
export function newMirror(storage) {
  let works = storage !== null;
  let following = '';

  /**
   * @template T
   * @param {(s: Storage) => T} work
   * @param {T} otherwise
   * @returns {T}
   */
  const guard = (work, otherwise) => {
    if (!storage) return otherwise;
    try {
      return work(storage);
    } catch {
      works = false;
      return otherwise;
    }
  };

  /** @param {Storage} s */
  const eventKeys = (s) => {
    const keys = [];
    for (let i = 0; i < s.length; i += 1) {
      const key = s.key(i);
      if (key !== null && key.startsWith(EVENT)) keys.push(key);
    }
    return keys;
  };

  /** @param {Storage} s */
  const clear = (s) => {
    s.removeItem(HEAD);
    for (const key of eventKeys(s)) s.removeItem(key);
    following = '';
  };

  return {
    works: () => works,
    follow(pair, hold, events) {
      guard((s) => {
        clear(s);
        for (const event of events) s.setItem(EVENT + event.id, JSON.stringify(event));
        s.setItem(HEAD, JSON.stringify({ v: 1, pair, hold }));
        following = hold;
      }, undefined);
    },
    add(event) {
      if (event.hold !== following) return;
      guard((s) => s.setItem(EVENT + event.id, JSON.stringify(event)), undefined);
    },
    read: () =>
      guard((s) => {
        const head = JSON.parse(s.getItem(HEAD) ?? 'null');
        if (!head || head.v !== 1 || typeof head.hold !== 'string' || typeof head.pair !== 'string') return null;
        const events = [];
        for (const key of eventKeys(s)) {
          try {
            events.push(JSON.parse(s.getItem(key) ?? ''));
          } catch {
            // A copy torn by a crash is left out: the database has the event.
          }
        }
        following = head.hold;
        return { pair: head.pair, hold: head.hold, events };
      }, null),
    close() {
      guard(clear, undefined);
    },
    setClock(clock) {
      guard((s) => s.setItem(CLOCK, JSON.stringify(clock)), undefined);
    },
    clock: () =>
      guard((s) => {
        const c = JSON.parse(s.getItem(CLOCK) ?? 'null');
        const whole = c && Number.isSafeInteger(c.offset_ms) && Number.isSafeInteger(c.at_ms);
        return whole ? { offset_ms: c.offset_ms, synced: c.synced === true, at_ms: c.at_ms } : null;
      }, null),
    setSound(provenAt) {
      guard((s) => s.setItem(SOUND, JSON.stringify(provenAt)), undefined);
    },
    sound: () =>
      guard((s) => {
        const at = JSON.parse(s.getItem(SOUND) ?? 'null');
        return Number.isSafeInteger(at) ? at : null;
      }, null),
  };
}
