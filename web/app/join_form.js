/**
 * What is typed to join: the code of a session, and who holds this phone. Pure.
 */

import { TEXT_CHARS } from './plan_form.js';

/** Letters and figures of a session's code (Crockford base 32). */
export const CODE_CHARS = 6;

/**
 * A typed code as the server wants it: capitals, without spaces and strokes,
 * the letters that look like figures read as figures.
 * @param {string} text
 */
export function tidyCode(text) {
  return text.toUpperCase().replace(/[\s\-–—.]/g, '').replace(/O/g, '0').replace(/[IL]/g, '1');
}

/**
 * @param {string} text
 * @returns {string | null} what is wrong with it, or null
 */
export function codeProblem(text) {
  const code = tidyCode(text);
  if (code === '') return `the ${CODE_CHARS} characters of the code`;
  if (!/^[0-9A-HJKMNP-TV-Z]*$/.test(code)) return 'a code has letters and figures only, and no U';
  if (code.length !== CODE_CHARS) return `${code.length} of ${CODE_CHARS} characters`;
  return null;
}

/**
 * A code in two groups, as it is read aloud.
 * @param {string} code
 */
export function spacedCode(code) {
  return code.length === CODE_CHARS ? `${code.slice(0, 3)} ${code.slice(3)}` : code;
}

/**
 * @param {string} name
 * @param {string} role
 * @returns {string | null}
 */
export function nameProblem(name, role) {
  const chars = [...name.trim()].length;
  if (chars === 0) return role === 'siren' ? null : 'your name, as the others know it';
  return chars > TEXT_CHARS ? `${chars} characters: ${TEXT_CHARS} at most` : null;
}

/**
 * @typedef {object} PairOffered
 * @property {string} pair
 * @property {number} number
 * @property {string} [diver]
 * @property {string} [buddy]
 * @property {{device: string, role: string, name: string}[]} [devices]
 */

/**
 * A pair in words: `1  Ansa / Odo`.
 * @param {PairOffered} pair
 */
export function pairWords(pair) {
  const fromRole = (/** @type {string} */ role) => pair.devices?.find((d) => d.role === role)?.name;
  const names = [pair.diver || fromRole('diver'), pair.buddy || fromRole('buddy')].filter(Boolean);
  return `${pair.number}  ${names.length > 0 ? names.join(' / ') : 'no names yet'}`;
}

/**
 * The role a phone most likely comes for: the buddy's where nobody watches yet,
 * else the diver's.
 * @param {PairOffered | null} pair null for a new one
 * @returns {'buddy' | 'diver'}
 */
export function likelyRole(pair) {
  return pair?.devices?.some((d) => d.role === 'buddy') ? 'diver' : 'buddy';
}

/**
 * What the server or the link says against joining, in words for a person.
 * @param {{code?: string, reason?: string} | null | undefined} err
 */
export function joinProblem(err) {
  switch (err?.code) {
    case 'bad-code':
      return 'no such code: it is wrong, or older than 10 minutes';
    case 'too-many-tries':
      return 'too many tries: wait a minute, or scan the picture';
    case 'no-server':
      return 'no link to the host: is this phone on the same network?';
    default:
      return err?.reason || 'that did not work: try again';
  }
}
