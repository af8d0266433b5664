// Who is who over outings: ids, names, and the profile of a diver.

import { compareEvents, isObject } from './event.js';

/** @typedef {import('./event.js').HoldEvent} HoldEvent */

/**
 * Somebody a plan names.
 * @typedef {object} Person
 * @property {string | null} id the id over outings, null where the plan has none
 * @property {string} key the name as names are compared; '' is nobody
 */

/**
 * What a diver told of themselves.
 * @typedef {object} Profile
 * @property {string} diver_id
 * @property {string} name name or nickname
 * @property {string} signal usual hand signal
 * @property {string} number local emergency number
 * @property {string[]} hears what they want to hear
 * @property {string | null} trained_on day of the last training with a teacher, YYYY-MM-DD
 * @property {string | null} lmc_on day of the last LMC
 * @property {string | null} blackout_on day of the last blackout
 * @property {string} remarks for a buddy
 * @property {number} at when it was written, shared ms
 */

/** Letters of a person's id. */
const ID_SIGNS = '0123456789abcdefghijklmnopqrstuvwxyz-';
const ID_MAX = 64;

/**
 * @param {unknown} value
 * @returns {string | null} an id of a person or a series: 1 to 64 of a–z, 0–9 and -
 */
export function idIn(value) {
  if (typeof value !== 'string' || value === '' || value.length > ID_MAX) return null;
  for (const sign of value) if (!ID_SIGNS.includes(sign)) return null;
  return value;
}

/**
 * A name as names are compared: without spaces at the ends, with single ones within, composed (NFC), in lower case.
 * @param {string} name
 */
export function nameKey(name) {
  return name.trim().replace(/\s+/g, ' ').normalize('NFC').toLowerCase();
}

/**
 * Whether two are one person for the log: their ids say so; where one has no id, their names do.
 * @param {Person} a @param {Person} b
 */
export function samePerson(a, b) {
  return a.id !== null && b.id !== null ? a.id === b.id : a.key !== '' && a.key === b.key;
}

/**
 * Whether two may be one person, by id or by name: the careful reading, by which a block or a rest holds.
 * @param {Person} a @param {Person} b
 */
export function maybeSamePerson(a, b) {
  return (a.id !== null && a.id === b.id) || (a.key !== '' && a.key === b.key);
}

/**
 * @param {unknown} value
 * @returns {string | null} a day that the calendar has, as YYYY-MM-DD
 */
export function dayIn(value) {
  const parts = typeof value === 'string' ? /^(\d{4})-(\d{2})-(\d{2})$/.exec(value) : null;
  if (!parts) return null;
  const [year, month, day] = parts.slice(1).map(Number);
  const leap = year % 4 === 0 && (year % 100 !== 0 || year % 400 === 0);
  const days = [31, leap ? 29 : 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31][month - 1] ?? 0;
  return year >= 1 && day >= 1 && day <= days ? parts[0] : null;
}

/** @param {unknown} value */
const textIn = (value) => (typeof value === 'string' ? value : '');

/**
 * The strings of a list, each once, empty ones left out; anything else has none.
 * @param {unknown} value
 * @returns {string[]}
 */
export function wordsIn(value) {
  if (!Array.isArray(value)) return [];
  return [...new Set(value.filter((w) => typeof w === 'string' && w !== ''))];
}

/**
 * Reads the data of a `profile` event.
 * @param {unknown} data
 * @param {number} at the event's time, shared ms
 * @returns {Profile | null} null without an id or a name
 */
export function readProfile(data, at) {
  if (!isObject(data)) return null;
  const id = idIn(data.diver_id);
  const name = textIn(data.name);
  if (id === null || name === '') return null;
  return {
    diver_id: id,
    name,
    signal: textIn(data.signal),
    number: textIn(data.number),
    hears: wordsIn(data.hears),
    trained_on: dayIn(data.trained_on),
    lmc_on: dayIn(data.lmc_on),
    blackout_on: dayIn(data.blackout_on),
    remarks: textIn(data.remarks),
    at,
  };
}

/**
 * The profiles among events: of each id the newest.
 * @param {HoldEvent[]} events in any order
 * @returns {Profile[]} by id
 */
export function profilesOf(events) {
  /** @type {Map<string, Profile>} */
  const found = new Map();
  for (const event of events.filter((e) => e.kind === 'profile').sort(compareEvents)) {
    const profile = readProfile(event.data, event.at);
    if (profile) found.set(profile.diver_id, profile);
  }
  return [...found.values()].sort((a, b) => (a.diver_id < b.diver_id ? -1 : 1));
}
