/**
 * SHA-256 (FIPS 180-4), also piece by piece. Written here, since a page by plain http has no `crypto.subtle`.
 */

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
const BLOCK = 64;

/** @param {number} x @param {number} n */
const turn = (x, n) => (x >>> n) | (x << (32 - n));

/**
 * @typedef {object} Sha256
 * @property {(bytes: Uint8Array) => void} add
 * @property {() => Uint8Array} digest of all that was added; nothing can be added after it
 */

/** @returns {Sha256} */
export function newSha256() {
  const state = START.slice();
  const w = new Uint32Array(64);
  const rest = new Uint8Array(BLOCK);
  const restView = new DataView(rest.buffer);
  let filled = 0;
  let length = 0;

  /** @param {DataView} view @param {number} at of a whole block */
  const mix = (view, at) => {
    for (let i = 0; i < 16; i++) w[i] = view.getUint32(at + 4 * i);
    for (let i = 16; i < 64; i++) {
      const x = w[i - 15];
      const y = w[i - 2];
      w[i] = w[i - 16] + (turn(x, 7) ^ turn(x, 18) ^ (x >>> 3)) + w[i - 7] + (turn(y, 17) ^ turn(y, 19) ^ (y >>> 10));
    }
    let a = state[0], b = state[1], c = state[2], d = state[3], e = state[4], f = state[5], g = state[6], h = state[7];
    for (let i = 0; i < 64; i++) {
      const t1 = (h + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + ROUND[i] + w[i]) | 0;
      const t2 = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      h = g;
      g = f;
      f = e;
      e = (d + t1) | 0;
      d = c;
      c = b;
      b = a;
      a = (t1 + t2) | 0;
    }
    state[0] += a;
    state[1] += b;
    state[2] += c;
    state[3] += d;
    state[4] += e;
    state[5] += f;
    state[6] += g;
    state[7] += h;
  };

  /** @param {Uint8Array} bytes */
  const add = (bytes) => {
    length += bytes.length;
    let at = 0;
    if (filled > 0) {
      at = Math.min(BLOCK - filled, bytes.length);
      rest.set(bytes.subarray(0, at), filled);
      filled += at;
      if (filled < BLOCK) return;
      mix(restView, 0);
    }
    const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    for (; at + BLOCK <= bytes.length; at += BLOCK) mix(view, at);
    filled = bytes.length - at;
    rest.set(bytes.subarray(at));
  };

  return {
    add,
    digest() {
      const end = new Uint8Array(((filled + 8) >> 6) * BLOCK + BLOCK - filled);
      end[0] = 0x80;
      const view = new DataView(end.buffer);
      view.setUint32(end.length - 8, Math.floor(length / 2 ** 29));
      view.setUint32(end.length - 4, length * 8);
      add(end);
      const out = new Uint8Array(32);
      const outView = new DataView(out.buffer);
      state.forEach((v, i) => outView.setUint32(4 * i, v));
      return out;
    },
  };
}

/** @param {Uint8Array} message @returns {Uint8Array} */
export function sha256(message) {
  const sum = newSha256();
  sum.add(message);
  return sum.digest();
}
