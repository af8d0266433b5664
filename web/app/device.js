/**
 * Who this device is, and what its person has chosen. Kept twice, in the
 * database and in localStorage, because either may be gone on a given day.
 */

const IDENTITY = 'buddyclock.device';
const COUNTER = 'buddyclock.counter';
/** In the database: up to which counter events may have been given out. */
const RESERVED = 'counter';
/** How many counters are reserved at once, and how few left make it time for more (own). */
const BLOCK = 200;
const FEW_LEFT = 100;
const PREFS = 'buddyclock.prefs';
/** What the sheets keep between visits, in sessionStorage: it names the diver, and is erased with the diver's log. */
export const DRAFTS = Object.freeze({ plan: 'buddyclock-draft', series: 'buddyclock-series' });

/** Crockford's base 32, lower case: no i, l, o, u. */
const CROCKFORD = '0123456789abcdefghjkmnpqrstvwxyz';

/**
 * @typedef {object} Identity
 * @property {string} device 10 characters
 * @property {string} pair `''` before this phone has joined one
 * @property {number | null} number the pair's number on the board
 * @property {string} session
 * @property {'buddy' | 'diver' | 'siren' | 'instructor'} role
 * @property {string} name
 * @property {string} token `''` before joining
 * @property {string} secret the secret it joined by, to join again in another role
 * @property {boolean} alone went on without a host
 */

/**
 * @typedef {object} Prefs
 * @property {'auto' | 'day' | 'night'} night
 * @property {'right' | 'left'} hand
 * @property {string[] | null} hears what the diver of this phone wants to hear, null for the usual
 * @property {boolean} digits the diver's phone shows the time of the hold
 * @property {boolean} [reads] this phone types readings in a hold; not kept
 * @property {boolean} quiet early prompts begin with light and vibration, the tone comes 2 s later
 */

/**
 * @param {(bytes: Uint8Array) => Uint8Array} fill `crypto.getRandomValues`
 * @returns {string} ten characters
 */
export function newDeviceId(fill) {
  // 32 divides 256, so the low five bits of a byte are even.
  return [...fill(new Uint8Array(10))].map((b) => CROCKFORD[b & 31]).join('');
}

/**
 * @param {string} device
 * @param {number} n counting from 1
 */
export function eventId(device, n) {
  return `${device}-${String(n).padStart(6, '0')}`;
}

/**
 * @param {string} device
 * @param {number} n 0 stands for what belongs to no hold (place card, sound check before the first one)
 */
export function holdId(device, n) {
  return `${device}-h${String(n).padStart(2, '0')}`;
}

/** @param {string} id @returns {boolean} true for a hold id that stands for no hold */
export function isNoHold(id) {
  return /-h0+$/.test(id);
}

/**
 * The counter in an event id, 0 where it has none.
 * @param {string} id
 */
export function counterOf(id) {
  const m = /-(\d{6,15})$/.exec(id);
  return m ? Number(m[1]) : 0;
}

/**
 * @param {unknown} v
 * @returns {Identity | null}
 */
function readIdentity(v) {
  if (typeof v !== 'object' || v === null) return null;
  const o = /** @type {Record<string, unknown>} */ (v);
  if (typeof o.device !== 'string' || !/^[0-9a-hjkmnp-tv-z]{10}$/.test(o.device)) return null;
  const text = (/** @type {unknown} */ x) => (typeof x === 'string' ? x : '');
  const role = o.role === 'diver' || o.role === 'siren' || o.role === 'instructor' ? o.role : 'buddy';
  return {
    device: o.device,
    pair: text(o.pair),
    number: typeof o.number === 'number' ? o.number : null,
    session: text(o.session),
    role,
    name: text(o.name),
    token: text(o.token),
    secret: text(o.secret),
    alone: o.alone === true,
  };
}

/**
 * Who this device was when the page was last open, where the browser still has it; nothing is made.
 * @returns {Identity | null}
 */
export function keptIdentity() {
  try {
    return readIdentity(JSON.parse(localStorage.getItem(IDENTITY) ?? 'null'));
  } catch {
    return null;
  }
}

/**
 * @typedef {object} DeviceStore
 * @property {(random: (bytes: Uint8Array) => Uint8Array) => Promise<Identity>} load makes a new identity where none is kept
 * @property {(identity: Identity) => Promise<void>} save
 * @property {(device: string) => number} counter highest event counter noted for this device
 * @property {(device: string, n: number) => void} setCounter
 * @property {(device: string) => number} mayBeUsed highest counter that an earlier page may have given to an event which
 *   this phone has since forgotten, as one does that loses power: what is written for good is always ahead of what is used
 * @property {() => Prefs} prefs
 * @property {(prefs: Prefs) => void} setPrefs
 */

/**
 * @param {import('../store/db.js').Store} store
 * @param {Storage | null} storage `localStorage`
 * @returns {DeviceStore}
 */
export function newDeviceStore(store, storage) {
  /** @param {string} key */
  const read = (key) => {
    try {
      return storage ? JSON.parse(storage.getItem(key) ?? 'null') : null;
    } catch {
      return null;
    }
  };
  /** @param {string} key @param {unknown} value */
  const write = (key, value) => {
    try {
      storage?.setItem(key, JSON.stringify(value));
    } catch {
      // Refused or full: the database has it.
    }
  };

  /** What was reserved when this page was loaded, and what is by now. @type {{device: string, before: number, n: number} | null} */
  let reserved = null;

  /** @param {string} device @param {number} n */
  const reserve = async (device, n) => {
    reserved = { device, before: reserved?.device === device ? reserved.before : 0, n };
    await store.set(RESERVED, { device, n });
  };

  return {
    async load(random) {
      // The database holds the events, so its word on who made them comes first.
      const kept = readIdentity(await store.get('identity')) ?? readIdentity(read(IDENTITY));
      const identity = kept ?? {
        device: newDeviceId(random),
        pair: '',
        number: null,
        session: '',
        role: 'buddy',
        name: '',
        token: '',
        secret: '',
        alone: false,
      };
      const before = /** @type {any} */ (await store.get(RESERVED));
      if (before?.device === identity.device && Number.isSafeInteger(before.n)) {
        reserved = { device: identity.device, before: before.n, n: before.n };
        await reserve(identity.device, Math.max(before.n, this.counter(identity.device)) + BLOCK);
      }
      await this.save(identity);
      return identity;
    },
    async save(identity) {
      write(IDENTITY, identity);
      await store.set('identity', identity);
      if (reserved?.device !== identity.device) await reserve(identity.device, this.counter(identity.device) + BLOCK);
    },
    counter(device) {
      const c = read(COUNTER);
      return c && c.device === device && Number.isSafeInteger(c.n) ? c.n : 0;
    },
    setCounter(device, n) {
      write(COUNTER, { device, n });
      if (reserved?.device === device && n > reserved.n - FEW_LEFT) reserve(device, n + BLOCK);
    },
    mayBeUsed: (device) => (reserved?.device === device ? reserved.before : 0),
    prefs() {
      const p = read(PREFS) ?? {};
      return {
        night: p.night === 'day' || p.night === 'night' ? p.night : 'auto',
        hand: p.hand === 'left' ? 'left' : 'right',
        hears: Array.isArray(p.hears) ? p.hears.filter((/** @type {unknown} */ w) => typeof w === 'string') : null,
        digits: p.digits === true,
        quiet: p.quiet !== false,
      };
    },
    setPrefs(prefs) {
      write(PREFS, prefs);
    },
  };
}
