// What a debrief shows beside the summary: what was asked and answered, where contractions moved, readings, notes.

import { notesOf } from './log.js';
import { SITES, effectiveEvents, spanOf, summarize } from './summary.js';
import { wholeIn, wordOf } from './event.js';
import { READING_LIMITS } from './readings.js';

/** @typedef {import('./fold.js').Hold} Hold */

/**
 * @typedef {object} Debrief
 * @property {number} looks
 * @property {number} asked
 * @property {number} answered
 * @property {number} no_answer
 * @property {number} missed prompts that went on to *again* or the alarm
 * @property {{prompt: number, again: number, alarm: number}} sounded rungs that at least one device says it sounded
 * @property {{site: string, at_ms: number}[]} sites where contractions began, and each time they moved; ms since the start
 * @property {{id: string, at_ms: number, since_surfaced_ms: number | null, spo2: number | null, hr: number | null, source: string}[]} readings
 * @property {{id: string, about: 'diver' | 'buddy', by: string, text: string, at: number}[]} notes the newest of each, at in shared ms
 * @property {string[]} conditions
 * @property {string[]} felt
 * @property {number | null} training_days
 */

/**
 * @param {Hold} hold
 * @param {number} atMs shared ms
 * @returns {Debrief}
 */
export function debriefOf(hold, atMs) {
  const entries = effectiveEvents(hold, atMs);
  const { start, end, surfaced } = spanOf(entries);
  const since = start ?? 0;
  const inHold = start === null ? [] : entries.filter((e) => e.at >= start && e.at <= end);
  const count = (/** @type {string} */ kind, /** @type {string[]} */ by) =>
    inHold.filter(({ event }) => event.kind === kind && (by.length === 0 || by.includes(event.by ?? ''))).length;
  /** @type {Debrief['sites']} */
  const sites = [];
  for (const { event, at } of inHold) {
    const site = event.kind === 'contraction' ? wordOf(event.data?.site, SITES) : null;
    if (site && sites[sites.length - 1]?.site !== site) sites.push({ site, at_ms: at - since });
  }
  const { notes, conditions, felt, training_days } = notesOf(entries);
  return {
    looks: count('look', ['buddy']),
    asked: count('asked', ['buddy']),
    answered: count('answered', ['buddy', 'diver']),
    no_answer: count('no-answer', []),
    missed: summarize(hold, atMs).rungs_missed,
    sounded: soundedOf(entries),
    sites,
    readings: start === null ? [] : entries.filter((e) => e.at >= start && e.event.kind === 'reading').map(({ event, at }) => ({
      id: event.id,
      at_ms: at - start,
      since_surfaced_ms: surfaced === null ? null : at - surfaced,
      spo2: wholeIn(event.data?.spo2, ...READING_LIMITS.spo2),
      hr: wholeIn(event.data?.hr, ...READING_LIMITS.hr),
      source: typeof event.data?.source === 'string' ? event.data.source : '',
    })),
    notes: notes.map(({ about, event, at }) => ({
      id: event.id, about, by: event.by ?? '', text: typeof event.data?.text === 'string' ? event.data.text : '', at,
    })),
    conditions,
    felt,
    training_days,
  };
}

/** @param {import('./summary.js').Entry[]} entries */
function soundedOf(entries) {
  const dues = { prompt: new Set(), again: new Set(), alarm: new Set() };
  for (const { event } of entries) {
    if (event.kind !== 'sounded') continue;
    const rung = wordOf(event.data?.rung, /** @type {const} */ (['prompt', 'again', 'alarm']));
    const due = wholeIn(event.data?.due, -Number.MAX_SAFE_INTEGER);
    if (rung && due !== null) dues[rung].add(due);
  }
  return { prompt: dues.prompt.size, again: dues.again.size, alarm: dues.alarm.size };
}
