/**
 * From the rows of the board to what it has to sound. Pure.
 */

import { takenRungs } from '../sound/board.js';
import { maybeInHold } from './board_facts.js';
import { alarmWords } from './board_words.js';
import { quietUntil } from './going.js';

/** @typedef {import('./board_facts.js').RowFacts} RowFacts */
/** @typedef {import('../sound/board.js').HeardPair} HeardPair */

/**
 * What may have to be heard of each pair. The alarm that comes if nothing happens is laid ahead too, so that a page that
 * freezes ends in noise; a board that hears no host lays only what stood when it was last heard.
 * @param {RowFacts[]} rows
 * @param {boolean} lost this board does not hear its host
 * @returns {HeardPair[]}
 */
export function heardPairs(rows, lost) {
  return rows.map((row) => {
    const { status, at } = row;
    const coming = row.running && !lost ? status?.next_abs.find((r) => r.rung === 'alarm' && r.at > at) : undefined;
    return {
      pair: row.pair,
      number: row.number,
      alarm_at: row.since ?? coming?.at ?? null,
      words: alarmWords(row).toLowerCase(),
      attended: row.attended,
      quiet_until: row.hold ? quietUntil(row.hold, at) : -Infinity,
      rungs: row.no_voice && status && !lost ? takenRungs(status, at) : [],
    };
  });
}

/**
 * Whether there is something to be said of a lower kind: a pair in a hold that is not live, or a board that hears no host
 * while pairs are in holds.
 * @param {RowFacts[]} rows
 */
export const anyFault = (rows) => rows.some((r) => maybeInHold(r) && r.silent_ms > 0);
