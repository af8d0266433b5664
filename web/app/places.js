/**
 * In which pair of which outing a hold was made, as its files name it. The phone notes it of every pair it is in, and of
 * the pairs that files tell of.
 */

import { deviceOf } from '../rules/event.js';
import { dayStart, isoDay } from './clock_text.js';

/** @typedef {import('./log_file.js').Place} Place */
/** @typedef {import('../store/db.js').Store} Store */

const KEY = 'place:';
const FROM_FILE = 'file:';

/** Pair under which the phone keeps what came out of a file: it is nobody's on any host. @param {string} name of a pair, or a hold */
export const keptPair = (name) => FROM_FILE + name;

/** @param {string} pair as the phone keeps it */
export const isFromFile = (pair) => pair.startsWith(FROM_FILE);

/**
 * Notes a place, unless it is known.
 * @param {Store} store
 * @param {string} under the pair as the phone keeps it
 * @param {Place} place
 */
export async function keepPlace(store, under, place) {
  if ((await store.get(KEY + under)) === undefined) await store.set(KEY + under, { under, ...place });
}

/**
 * @param {Store} store
 * @returns {Promise<(under: string, hold: string, atMs: number) => Place>} the place of a hold by the pair it is kept under;
 *   of one made alone, or of a pair nothing was noted of, a name that is always the same
 */
export async function placesOf(store) {
  const known = new Map((await store.list(KEY)).map((place) => [/** @type {any} */ (place).under, /** @type {Place} */ (place)]));
  return (under, hold, atMs) => {
    const place = known.get(under);
    if (place) return place;
    const started_ms = dayStart(atMs);
    if (under !== '' && !isFromFile(under)) return { pair: under, number: 1, outing: `of-${under}`, started_ms };
    const alone = `alone-${deviceOf(hold) || hold}-${isoDay(atMs)}`;
    return { pair: alone, number: 1, outing: alone, started_ms };
  };
}
