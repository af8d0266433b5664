/**
 * The seal of an event (`mac`): by it the host knows what another phone hands on to be what this one recorded.
 * HMAC-SHA256 with a key from this device's token. Written here, since a page by plain http has no `crypto.subtle`.
 */

const utf8 = new TextEncoder();

/** @param {string} text */
const bytesOf = (text) => utf8.encode(text);

/** The first bits of the fractional parts of a root of the first primes. @param {number} count @param {number} root */
function primeBits(count, root) {
  /** @type {number[]} */
  const found = [];
  for (let n = 2; found.length < count; n++) {
    if (found.some((p) => n % p === 0)) continue;
    found.push(n);
  }
  // These roots are below 18, so that a double holds far more than 32 bits after their point.
  return Uint32Array.from(found, (p) => (p ** (1 / root) % 1) * 2 ** 32);
}

const START = primeBits(8, 2);
const ROUND = primeBits(64, 3);

/** @param {number} x @param {number} n */
const turn = (x, n) => (x >>> n) | (x << (32 - n));

/** SHA-256 (FIPS 180-4). @param {Uint8Array} message @returns {Uint8Array} */
export function sha256(message) {
  const padded = new Uint8Array((((message.length + 8) >> 6) + 1) * 64);
  padded.set(message);
  padded[message.length] = 0x80;
  const view = new DataView(padded.buffer);
  view.setUint32(padded.length - 8, Math.floor(message.length / 2 ** 29));
  view.setUint32(padded.length - 4, message.length * 8);
  const state = START.slice();
  const w = new Uint32Array(64);
  for (let at = 0; at < padded.length; at += 64) {
    for (let i = 0; i < 64; i++) {
      if (i < 16) {
        w[i] = view.getUint32(at + 4 * i);
        continue;
      }
      const a = w[i - 15];
      const b = w[i - 2];
      w[i] = w[i - 16] + (turn(a, 7) ^ turn(a, 18) ^ (a >>> 3)) + w[i - 7] + (turn(b, 17) ^ turn(b, 19) ^ (b >>> 10));
    }
    let [a, b, c, d, e, f, g, h] = state;
    for (let i = 0; i < 64; i++) {
      const t1 = (h + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + ROUND[i] + w[i]) | 0;
      const t2 = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      [h, g, f, e, d, c, b, a] = [g, f, e, (d + t1) | 0, c, b, a, (t1 + t2) | 0];
    }
    [a, b, c, d, e, f, g, h].forEach((v, i) => {
      state[i] += v;
    });
  }
  const out = new Uint8Array(32);
  const outView = new DataView(out.buffer);
  state.forEach((v, i) => outView.setUint32(4 * i, v));
  return out;
}

/** @param {Uint8Array} key at most 64 bytes @param {Uint8Array} message */
function hmac(key, message) {
  /** @param {number} pad @param {Uint8Array} rest */
  const hash = (pad, rest) => {
    const block = new Uint8Array(64 + rest.length).fill(pad, 0, 64);
    key.forEach((v, i) => {
      block[i] ^= v;
    });
    block.set(rest, 64);
    return sha256(block);
  };
  return hash(0x5c, hash(0x36, message));
}

/** @param {string} a @param {string} b by their UTF-8 bytes, which is by their code points */
function byBytes(a, b) {
  const x = bytesOf(a);
  const y = bytesOf(b);
  for (let i = 0; i < x.length && i < y.length; i++) if (x[i] !== y[i]) return x[i] - y[i];
  return x.length - y.length;
}

/**
 * A JSON value spelt so that equal values are equal texts.
 * @param {unknown} value
 * @returns {string}
 */
export function canonical(value) {
  switch (typeof value) {
    case 'string':
      return `"${bytesOf(value).length}:${value}`;
    case 'number': {
      const view = new DataView(new ArrayBuffer(8));
      view.setFloat64(0, value === 0 ? 0 : value);
      return `#${view.getBigUint64(0).toString(16).padStart(16, '0')}`;
    }
    case 'boolean':
      return value ? 't' : 'f';
    case 'object': {
      if (value === null) return 'n';
      if (Array.isArray(value)) return `[${value.map(canonical).join('')}]`;
      const fields = /** @type {Record<string, unknown>} */ (value);
      const keys = Object.keys(fields).sort(byBytes);
      return `{${keys.map((k) => canonical(k) + canonical(fields[k])).join('')}}`;
    }
  }
  return '';
}

/** @param {Uint8Array} bytes */
function base64url(bytes) {
  return btoa(String.fromCharCode(...bytes)).replace(/\+/g, '-').replace(/\//g, '_').replace(/=+$/, '');
}

/**
 * What seals the events of one device.
 * @param {string} token
 * @returns {(event: Record<string, unknown>) => string} the `mac` of an event that has none yet
 */
export function newSeal(token) {
  const key = hmac(sha256(bytesOf(token)), bytesOf('buddyclock event 1'));
  return (event) => base64url(hmac(key, bytesOf(canonical(event))).slice(0, 16));
}

/** Seals the events of a device, whose token may come to be another one. Without a token nothing is sealed: nobody else has it. */
export function newSealer() {
  /** @type {{token: string, of: ReturnType<typeof newSeal>} | null} */
  let seal = null;
  /**
   * @template {Record<string, unknown>} E
   * @param {E} event
   * @param {string} token
   * @returns {E | (E & {mac: string})}
   */
  return (event, token) => {
    if (token === '') return event;
    if (seal?.token !== token) seal = { token, of: newSeal(token) };
    return { ...event, mac: seal.of(event) };
  };
}
