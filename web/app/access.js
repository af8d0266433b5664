/**
 * The way in: codes, pairs, joining, inviting. All by plain requests to the
 * host. Rejections carry `{code, reason}`: the host's own, or `no-server`.
 */

/** @typedef {import('./device.js').Identity} Identity */

/** An error with a code for the page and words for a person. */
export class PlainError extends Error {
  /**
   * @param {string} code
   * @param {string} reason
   */
  constructor(code, reason) {
    super(reason);
    this.name = 'PlainError';
    this.code = code;
    this.reason = reason;
  }
}

/**
 * @typedef {object} Access
 * @property {string | null} secret from the link's fragment, a code, or an earlier visit
 * @property {boolean} simulated whether the people of the outing are invented, once `pairs` has asked
 * @property {boolean} instructor whether the secret is an instructor's, once `pairs` has asked
 * @property {(code: string) => Promise<void>} redeem
 * @property {() => Promise<{session: string, pairs: any[]}>} pairs
 * @property {(wish: {pair: string, role: string, name: string}) => Promise<void>} join
 * @property {(offer: string) => Promise<void>} accept takes the place that was offered to this phone
 * @property {() => Promise<{code: string, code_until_ms: number, urls: string[], qr: string[]}>} invite
 * @property {() => Promise<boolean>} reach whether a host answers at all
 * @property {() => Promise<void>} leave
 * @property {(diver: {id?: string, name?: string}, confirm: string) => Promise<number | null>} erase a diver's log on the host, by
 *   the name a person typed: how many holds went; null where there is no host, or it knows nothing of that diver
 * @property {(name?: string) => Promise<void>} alone goes on without a host: own clock, own store
 */

/**
 * The secret in a link's fragment (`#j=…`, an instructor's `#i=…`), null without one.
 * @param {string} hash
 */
export function secretOf(hash) {
  const fragment = new URLSearchParams(hash.replace(/^#/, ''));
  const found = fragment.get('j') ?? fragment.get('i');
  return found && /^[A-Za-z0-9_-]{8,128}$/.test(found) ? found : null;
}

/**
 * Whether the page opens as a board: by the instructor's link, unless this device has a place in a pair, or because it was
 * one before. A siren for all pairs is one too.
 * @param {string} hash
 * @param {{pair?: unknown, role?: unknown, token?: unknown} | null} kept who this device was when the page was last open
 */
export function opensBoard(hash, kept) {
  const inPair = typeof kept?.pair === 'string' && kept.pair !== '';
  const linked = secretOf(hash) !== null && new URLSearchParams(hash.replace(/^#/, '')).has('i');
  if (linked) return !inPair;
  return kept !== null && !inPair && Boolean(kept.token) && (kept.role === 'instructor' || kept.role === 'siren');
}

/**
 * @param {object} env
 * @param {(url: string, body: unknown) => Promise<{status: number, json: any}>} env.post
 * @param {() => Promise<unknown>} env.knock rejects where no host answers
 * @param {string | null} env.secret
 * @param {() => Identity} env.identity
 * @param {() => string} env.newDevice a fresh device id
 * @param {(identity: Identity) => Promise<void>} env.become takes on what joining gave
 * @returns {Access}
 */
export function newAccess({ post, knock, secret, identity, newDevice, become }) {
  /**
   * @param {string} path
   * @param {unknown} body
   */
  const ask = async (path, body) => {
    /** @type {{status: number, json: any}} */
    let answer;
    try {
      answer = await post(path, body);
    } catch {
      throw new PlainError('no-server', 'The host does not answer: same Wi-Fi as the host?');
    }
    if (answer.status >= 200 && answer.status < 300) return answer.json ?? {};
    const code = typeof answer.json?.code === 'string' ? answer.json.code : 'no-server';
    const reason = typeof answer.json?.reason === 'string' ? answer.json.reason : `The host answers with ${answer.status}.`;
    throw new PlainError(code, reason);
  };

  /**
   * Takes the place that the host gave.
   * @param {any} given
   * @param {Pick<Identity, 'device' | 'role' | 'name'>} wished
   */
  const take = (given, { device, role, name }) =>
    become({
      device: typeof given.device === 'string' ? given.device : device,
      pair: String(given.pair),
      number: typeof given.number === 'number' ? given.number : null,
      session: String(given.session ?? ''),
      role: given.role ?? role,
      name,
      token: String(given.token),
      secret: access.secret ?? '',
      alone: false,
    });

  /** @type {Access} */
  const access = {
    secret,
    instructor: false,
    simulated: false,
    async redeem(code) {
      const { secret: found } = await ask('/api/code', { code });
      access.secret = found;
    },
    async pairs() {
      const told = await ask('/api/pairs', { secret: access.secret });
      access.simulated = told.simulated === true;
      access.instructor = told.instructor === true || told.role === 'instructor';
      return told;
    },
    async join({ pair, role, name }) {
      const old = identity();
      // A device's events are counted without gaps within a pair, so another pair is another device.
      const same = old.pair === '' || old.pair === pair;
      let device = same ? old.device : newDevice();
      const wish = { ...(access.secret ? { secret: access.secret } : {}), pair, role, name };
      // A member changes its role by its token; a token the host has forgotten is no reason to stay out.
      /** @type {{token?: string}} */
      let token = same && old.token !== '' ? { token: old.token } : {};
      if (old.alone && old.pair === '' && role !== old.role) {
        // What it recorded alone it recorded in its old role, and the host takes it from nobody who never had that.
        const before = await ask('/api/join', { ...wish, role: old.role, device, ...token });
        token = { token: String(before.token) };
        wish.pair = String(before.pair);
      }
      const given = await ask('/api/join', { ...wish, device, ...token }).catch((err) => {
        if (!access.secret || (err.code !== 'bad-token' && err.code !== 'device-taken')) throw err;
        device = newDevice();
        return ask('/api/join', { ...wish, device });
      });
      await take(given, { device, role: /** @type {Identity['role']} */ (role), name });
    },
    async accept(offer) {
      const { token, device, role, name } = identity();
      await take(await ask('/api/accept', { token, offer }), { device, role, name });
    },
    reach: () =>
      knock().then(
        () => true,
        () => false,
      ),
    invite: () => ask('/api/invite', { token: identity().token }),
    async erase(diver, confirm) {
      const { token } = identity();
      if (token === '') return null;
      // By the id, and where the host's plans have none of it, by the name.
      for (const who of [{ id: diver.id }, { name: diver.name }]) {
        if (!who.id && !who.name) continue;
        try {
          return Number((await ask('/api/erase', { token, diver: who, confirm })).holds);
        } catch (err) {
          if (!(err instanceof PlainError) || err.code !== 'no-diver') throw err;
        }
      }
      return null;
    },
    async leave() {
      const old = identity();
      if (old.token) {
        await ask('/api/leave', { token: old.token }).catch(() => {
          // The host forgets a device that stays away.
        });
      }
      await become({ ...old, device: newDevice(), pair: '', number: null, session: '', token: '', role: 'buddy', alone: false });
    },
    async alone(name = '') {
      const old = identity();
      const device = old.pair === '' ? old.device : newDevice();
      await become({ ...old, device, name, role: 'buddy', pair: '', number: null, session: '', token: '', alone: true });
    },
  };
  return access;
}
