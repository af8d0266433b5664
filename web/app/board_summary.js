/**
 * The outing in a few figures, out of the holds of all its pairs. Pure.
 */

import { logWords } from './debrief_facts.js';
import { diverOf, recordOf } from './log_facts.js';

/**
 * @typedef {object} DiverLine
 * @property {string} diver
 * @property {number} holds
 * @property {number} longest_ms
 * @property {string[]} words what was not plain, newest last
 */

/** What needs no telling of a hold. */
const PLAIN = new Set(['clean', 'no verdict yet', 'not over']);

/**
 * @param {import('../rules/fold.js').Hold[]} holds of all pairs
 * @param {number} now shared ms
 * @param {number} since holds that began earlier are of another outing
 * @returns {{lines: DiverLine[], holds: number, incidents: number}} lines by name
 */
export function outingSummary(holds, now, since) {
  /** @type {Map<string, DiverLine>} */
  const lines = new Map();
  let count = 0;
  let incidents = 0;
  for (const hold of holds) {
    const record = recordOf(hold, now);
    const { start_at: start } = record.status;
    if (start === null || start < since || start > now) continue;
    count += 1;
    if (record.summary.incident !== null || record.summary.verdict === 'passed-out') incidents += 1;
    const diver = diverOf(record) || 'no name';
    const line = lines.get(diver) ?? { diver, holds: 0, longest_ms: 0, words: [] };
    lines.set(diver, line);
    line.holds += 1;
    line.longest_ms = Math.max(line.longest_ms, record.summary.hold_ms ?? 0);
    const words = logWords(record);
    if (!PLAIN.has(words)) line.words.push(words);
  }
  return { lines: [...lines.values()].sort((a, b) => (a.diver < b.diver ? -1 : 1)), holds: count, incidents };
}
