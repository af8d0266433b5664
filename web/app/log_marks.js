/**
 * The marks of a hold as the debrief lists them, so that each can be moved or
 * withdrawn with its original still in sight. Pure.
 */

import { compareEvents } from '../rules/event.js';
import { dropped } from '../rules/fold.js';
import { clockText, tenthsText } from './clock_text.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */

/** Kinds that are marks: what people pressed or typed, not what machines add. */
const MARKS = new Set([
  'start', 'look', 'asked', 'answered', 'no-answer', 'contraction', 'sign', 'reading', 'end-hold', 'surfaced', 'awake',
  'ok', 'incident', 'with-them', 'step', 'recovered',
]);

/**
 * One mark. Times are ms since the start.
 * @typedef {object} Mark
 * @property {string} id
 * @property {string} kind
 * @property {string} words what it was
 * @property {string | undefined} by
 * @property {number} at shared ms as first recorded
 * @property {number} at_ms as first recorded
 * @property {number} now_ms where it stands as amended
 * @property {boolean} moved
 * @property {boolean} gone withdrawn
 * @property {boolean} final taken back as a mis-press within 10 s: nothing changes that any more
 */

/**
 * @param {Hold} hold
 * @param {number} startAt
 * @param {number} nowMs
 * @returns {Mark[]} in the order in which they were recorded
 */
export function marksOf(hold, startAt, nowMs) {
  /** @type {Map<string, import('../rules/event.js').HoldEvent>} */
  const last = new Map();
  for (const event of [...hold.events].sort(compareEvents)) {
    const target = event.kind === 'amend' ? event.data?.target : null;
    if (typeof target === 'string') last.set(target, event);
  }
  return hold.events.filter((e) => MARKS.has(e.kind)).map((event) => {
    const final = dropped(hold, event, nowMs);
    const data = final ? undefined : last.get(event.id)?.data;
    const gone = final || data?.drop === true;
    const at = !gone && Number.isInteger(data?.at) ? Number(data?.at) : event.at;
    return {
      id: event.id,
      kind: event.kind,
      words: markWords(event),
      by: event.by,
      at: event.at,
      at_ms: event.at - startAt,
      now_ms: at - startAt,
      moved: at !== event.at,
      gone,
      final,
    };
  });
}

/** @type {Record<string, string>} */
const KIND_WORDS = {
  start: 'start', look: 'look', asked: 'tap', answered: 'answer', 'no-answer': 'no answer', contraction: 'contraction',
  'end-hold': 'hold ended', surfaced: 'surfaced', awake: 'awake', ok: 'OK sign', 'with-them': 'with them',
  recovered: 'awake and breathing',
};

/** @type {Record<string, string>} */
const INCIDENT_WORDS = { lmc: 'LMC', blackout: 'blackout', unknown: 'trouble' };

/** @param {import('../rules/event.js').HoldEvent} event */
export function markWords(event) {
  const data = event.data ?? {};
  switch (event.kind) {
    case 'answered':
      return Number.isInteger(data.took_ms) ? `answer, ${tenthsText(Number(data.took_ms))}` : 'answer';
    case 'contraction':
      return typeof data.site === 'string' ? `contraction, ${data.site}` : 'contraction';
    case 'sign':
      return `sign: ${typeof data.what === 'string' ? data.what : '?'}`;
    case 'incident':
      return INCIDENT_WORDS[String(data.what)] ?? 'trouble';
    case 'step':
      return `step: ${typeof data.what === 'string' ? data.what : '?'}`;
    case 'reading': {
      const parts = [];
      if (Number.isInteger(data.spo2)) parts.push(`SpO₂ ${data.spo2}`);
      if (Number.isInteger(data.hr)) parts.push(`pulse ${data.hr}`);
      return parts.join(', ') || 'reading';
    }
    default:
      return KIND_WORDS[event.kind] ?? event.kind;
  }
}

/**
 * Where a mark may be moved to: typed as minutes and seconds since the start,
 * inside the hold's own span.
 * @param {number | null} seconds
 * @param {number} endMs end of the tape, ms since the start
 * @returns {string | null} what is wrong, or null
 */
export function moveProblem(seconds, endMs) {
  if (seconds === null) return 'minutes and seconds, as 4:12';
  return seconds * 1000 > endMs ? `at most ${clockText(endMs)}, where the tape ends` : null;
}
