/**
 * How the plan sheet says what a guard saw, and which ways on it offers: the
 * more careful one filled, the less careful one outlined under the buddy's
 * name. Pure.
 */

import { clockText, clockTextS, dayEnd, timeOfDay } from './clock_text.js';

/**
 * @typedef {'plan' | 'plan-end' | 'wait' | 'debrief' | 'live' | 'go-on' | 'swap'} GuardAct
 */

/**
 * @typedef {object} GuardWords
 * @property {string[]} lines
 * @property {{act: GuardAct, text: string} | null} fill the careful way on
 * @property {{act: GuardAct, text: string} | null} outline the less careful one
 * @property {boolean} at_plan whether it speaks of the planned time's place on the tape, else of the start
 */

/**
 * @param {import('./guards.js').Guard} guard
 * @param {{planned_s: number | null, buddy: string, now_ms: number}} sheet
 * @returns {GuardWords}
 */
export function guardWords(guard, { planned_s, buddy, now_ms }) {
  const who = guard.who ?? '';
  const goOn = { act: /** @type {const} */ ('go-on'), text: `${buddy.trim() || 'buddy'}: go on` };
  const left = clockText((guard.left_ms ?? 0) + 999);
  switch (guard.what) {
    case 'running':
      return {
        lines: [`${who}’s hold is not over`, 'stay with them'],
        fill: { act: 'live', text: 'to the hold' },
        outline: null,
        at_plan: false,
      };
    case 'verdict':
      return {
        lines: ['first: how was', `${who}’s last hold?`],
        fill: { act: 'debrief', text: 'say how it was' },
        outline: null,
        at_plan: false,
      };
    case 'blocked':
    case 'buddy-blocked':
      return {
        lines: [
          guard.what === 'blocked' ? `${who}: no more holds` : `${who} cannot be the only buddy`,
          untilWords(guard.until_ms ?? 0, now_ms),
          'talk to an instructor or a doctor',
        ],
        fill: { act: 'debrief', text: 'that hold' },
        outline: null,
        at_plan: false,
      };
    case 'over-longest':
      return {
        lines: [`${clockTextS(planned_s ?? 0)} is ${guard.percent} % over`, 'the longest clean hold'],
        fill: { act: 'plan', text: `plan ${clockTextS(guard.suggest_s ?? 0)}` },
        outline: goOn,
        at_plan: true,
      };
    case 'end-over-longest':
      return {
        lines: [`the agreed end is ${guard.percent} % over`, 'the longest clean hold'],
        fill: { act: 'plan-end', text: `agree on ${clockTextS(guard.suggest_s ?? 0)}` },
        outline: goOn,
        at_plan: true,
      };
    case 'series-rest':
      return {
        lines: [`${guard.rests} ${guard.rests === 1 ? 'rest is' : 'rests are'} shorter than`, 'twice the hold before'],
        fill: null,
        outline: goOn,
        at_plan: false,
      };
    case 'days-in-row':
      return {
        lines: [`${who}: day ${guard.days} in a row`, 'a day off is part of training'],
        fill: null,
        outline: goOn,
        at_plan: false,
      };
    case 'rest':
      return {
        lines: [`rest ${left} more:`, `twice the last hold is ${clockText(guard.need_ms ?? 0)}`],
        fill: { act: 'wait', text: `wait until ${timeOfDay(Math.ceil((guard.until_ms ?? 0) / 60_000) * 60_000)}` },
        outline: goOn,
        at_plan: false,
      };
    case 'buddy-rest':
      return {
        lines: [`${who} is just up from a hold:`, `fresh in ${left}`],
        fill: { act: 'wait', text: `wait ${left}` },
        outline: goOn,
        at_plan: false,
      };
  }
}

/**
 * @param {number} untilMs
 * @param {number} nowMs
 */
function untilWords(untilMs, nowMs) {
  return dayEnd(nowMs) <= untilMs ? 'today' : `until ${timeOfDay(untilMs)}`;
}

/**
 * What a person's "go on" is good for: it lapses when what was gone over changes.
 * @param {import('./guards.js').Guard} guard
 * @param {{planned_s: number | null, longest_s: number | null, diver: string, buddy: string}} sheet
 */
export function guardKey(guard, sheet) {
  if (guard.what === 'over-longest') return `over ${sheet.planned_s} ${sheet.longest_s} ${sheet.diver} ${sheet.buddy}`;
  if (guard.what === 'end-over-longest') return `end ${guard.percent} ${sheet.longest_s} ${sheet.diver} ${sheet.buddy}`;
  if (guard.what === 'days-in-row') return `days ${guard.days} ${sheet.diver}`;
  return `${guard.what} ${guard.until_ms ?? guard.hold ?? ''} ${sheet.diver} ${sheet.buddy}`;
}

/** Where a guard comes from. @type {Record<import('../rules/guards.js').Guard['source'], string>} */
const SOURCES = { log: 'from the log', typed: 'as typed', 'common practice': 'common practice', own: 'this tool’s own limit' };

/** @param {import('./guards.js').Guard} guard */
export function sourceWords(guard) {
  return SOURCES[guard.source];
}

/**
 * A guard in one line, with its source.
 * @param {import('./guards.js').Guard} guard
 * @param {Parameters<typeof guardWords>[1]} sheet
 */
export function guardLine(guard, sheet) {
  const words = guardWords(guard, sheet).lines.join(' ').replace(/:$/, '');
  return `${words} (${sourceWords(guard)})`;
}
