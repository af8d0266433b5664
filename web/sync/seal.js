/**
 * The seal of an event (`mac`): by it the host knows what another phone hands on to be what this one recorded.
 * HMAC-SHA256 with a key from this device's token.
 */

import { sha256 } from './sha256.js';

const utf8 = new TextEncoder();

/** @param {string} text */
const bytesOf = (text) => utf8.encode(text);

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
