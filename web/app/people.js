/**
 * The people this phone knows: from profiles and from the log. Pure.
 */

import { nameKey, samePerson } from '../rules/people.js';

/** @typedef {import('../rules/people.js').Person} Person */
/** @typedef {import('../rules/people.js').Profile} Profile */
/** @typedef {import('../rules/log.js').LogHold} LogHold */

/**
 * @typedef {Person & {name: string, last_at: number, dived: boolean}} Known `last_at` shared ms of the last hold or of the
 *   profile; `dived` has a hold of their own
 */

/**
 * Everybody, the one met last first.
 * @param {LogHold[]} lines
 * @param {Profile[]} profiles
 * @returns {Known[]}
 */
export function knownPeople(lines, profiles) {
  /** @type {Known[]} */
  const people = profiles.map((p) => ({ id: p.diver_id, key: nameKey(p.name), name: p.name, last_at: p.at, dived: false }));
  /** @type {Map<string, Known>} */
  const byName = new Map();
  /**
   * @param {string | null} id @param {string} key @param {string} name
   * @param {number} at @param {boolean} dived
   */
  const meet = (id, key, name, at, dived) => {
    if (key === '') return;
    const seen = `${id ?? ''} ${key}`;
    let known = byName.get(seen) ?? people.find((p) => samePerson(p, { id, key }));
    if (!known) {
      known = { id, key, name, last_at: at, dived };
      people.push(known);
    }
    byName.set(seen, known);
    known.id ??= id;
    known.last_at = Math.max(known.last_at, at);
    known.dived ||= dived;
  };
  for (const h of lines) {
    meet(h.diver_id, h.diver_key, h.diver, h.start_at, true);
    meet(h.buddy_id, h.buddy_key, h.buddy, h.start_at, false);
  }
  return people.sort((a, b) => b.last_at - a.last_at);
}

/** Those who have a hold of their own. @param {Known[]} people */
export const divers = (people) => people.filter((p) => p.dived);

/**
 * The person meant by a typed name: a known one, else one without an id.
 * @param {string} name
 * @param {Known[]} people
 * @returns {Person}
 */
export function personNamed(name, people) {
  const key = nameKey(name);
  const known = people.find((p) => p.key === key);
  return { id: known?.id ?? null, key };
}

/**
 * The pairs that dived together, the last one first; who watches named second.
 * @param {LogHold[]} lines oldest first
 * @param {number} most
 * @returns {{diver: string, buddy: string}[]}
 */
export function knownPairs(lines, most) {
  /** @type {Map<string, {diver: string, buddy: string}>} */
  const pairs = new Map();
  for (let i = lines.length - 1; i >= 0 && pairs.size < most; i--) {
    const { diver, buddy, diver_key, buddy_key } = lines[i];
    if (diver_key === '' || buddy_key === '' || diver_key === buddy_key) continue;
    const key = JSON.stringify([diver_key, buddy_key]);
    if (!pairs.has(key)) pairs.set(key, { diver, buddy });
  }
  return [...pairs.values()];
}
