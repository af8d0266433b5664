// What the pages of a hold read out of a frame, once for each update. Pure.

import { stateAt } from '../rules/fold.js';

/** @typedef {import('./parts.js').HoldFrame} HoldFrame */
/** @typedef {import('../rules/status.js').Status} Status */
/** @typedef {import('../rules/fold.js').Hold} Hold */

/**
 * @typedef {object} HoldFacts
 * @property {Status} status
 * @property {Hold} hold
 * @property {number} now shared ms
 * @property {boolean} dry
 * @property {string} diver
 * @property {string} setting as a word, '' where the plan does not say
 * @property {boolean} look_counts
 * @property {{ms: number, at: number}|null} away
 * @property {boolean} quiet
 * @property {boolean} kept
 * @property {{id: string, kind: string, at: number, left_ms: number}[]} takeBack own presses of the last 10 s, newest last
 * @property {number|null} prompted_at when the checks that run now were prompted, shared ms
 * @property {{what: string, ms_ago: number}|null} last
 * @property {(kinds: string[], at: number) => {kind: string, what: string}|null} eventAt
 */

/**
 * @param {HoldFrame} frame
 * @param {{quiet: boolean}} prefs
 * @returns {HoldFacts|null} null where there is no hold
 */
export function holdFacts(frame, { quiet }) {
  const { hold, status, now } = frame;
  if (!hold || !status) return null;
  const state = stateAt(hold, now);
  const setting = status.plan?.setting ?? null;
  return {
    status,
    hold,
    now,
    dry: setting === 'dry',
    diver: status.plan?.diver || 'the diver',
    setting: setting ?? '',
    look_counts: status.look_counts,
    away: frame.away ?? null,
    quiet,
    kept: Boolean(frame.kept),
    takeBack: [...(frame.take_back ?? [])].sort((a, b) => a.at - b.at),
    prompted_at: state.start !== null && state.checks.prompt ? state.start + state.checks.prompt.t : null,
    last: lastProof(hold, status, now),
    eventAt: (kinds, at) => {
      const event = hold.events.find((e) => e.at === at && kinds.includes(e.kind));
      return event ? { kind: event.kind, what: String(event.data?.what ?? '') } : null;
    },
  };
}

/** @type {Record<string, string>} */
const PROOF_WORDS = { answered: 'answer', look: 'look', contraction: 'signal' };

/**
 * The last answer or look, in words: silence as people say it.
 * @param {Hold} hold
 * @param {Status} status
 * @param {number} now
 * @returns {{what: string, ms_ago: number}|null}
 */
export function lastProof(hold, status, now) {
  const at = status.last_proof_at;
  if (at === null || at === status.start_at) return null;
  const event = hold.events.find((e) => e.at === at && e.kind in PROOF_WORDS);
  return { what: event ? PROOF_WORDS[event.kind] : 'answer', ms_ago: Math.max(0, now - at) };
}
