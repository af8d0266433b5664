/**
 * The plan sheet as typed, and the `plan` event made of it. A draft holds what
 * stands in the fields, sense or not, so that nothing typed is ever lost; a
 * field that makes no sense gets one sentence beside it. Pure.
 */

import { marginS, sameName } from './guards.js';
import { clockOf, clockTextS, parseClock, parseDay, isoDay } from './clock_text.js';
import { PLAN_LIMITS } from '../rules/plan.js';

const { planned_s, end_by_s, recovery_s, watch_s } = PLAN_LIMITS;

/** Limits of the sheet, least and most in seconds, inside those of the rules, which void a plan outside theirs. */
export const FORM_LIMITS = Object.freeze({
  planned_s: Object.freeze([planned_s.min, planned_s.max]),
  end_by_s: Object.freeze([planned_s.min, end_by_s.max]),
  known_s: Object.freeze([1, end_by_s.max]),
  recovery_s: Object.freeze([recovery_s.min, recovery_s.max]),
  watch_s: Object.freeze([watch_s.min, watch_s.max]),
});

/** Characters a text of the sheet may have. */
export const TEXT_CHARS = 80;

/** Words of the sheet for the rules' cadences, in the order they are shown. */
export const CADENCES = Object.freeze([
  Object.freeze(['standard', 'normal']),
  Object.freeze(['close', 'close']),
  Object.freeze(['announced', 'judged']),
]);

/** What the diver may want to hear beside the rungs, which always sound. */
export const HEARS = Object.freeze([
  Object.freeze(['minute', 'minute chime']),
  Object.freeze(['breaths', 'recovery breaths']),
]);

/** Step of the − and + keys: the next quarter minute. */
export const STEP_S = 15;

/**
 * The sheet as it is typed. Times are text; an empty `end_by` follows the
 * planned time.
 * @typedef {object} Draft
 * @property {string} diver
 * @property {string} buddy
 * @property {'dry' | 'pool'} setting
 * @property {string} planned
 * @property {string} end_by
 * @property {string} onset
 * @property {string} longest
 * @property {string} longest_on
 * @property {string} signal
 * @property {'standard' | 'close' | 'announced'} cadence
 * @property {number} cadence_at when the cadence was picked by hand, shared ms; 0 where it was not
 * @property {number} ok_within_s
 * @property {string} recovery
 * @property {string} watch
 * @property {string[]} hears
 */

/** @typedef {Partial<Record<keyof Draft, string>>} DraftErrors */

/** @returns {Draft} */
export function newDraft() {
  return {
    diver: '', buddy: '', setting: 'dry', planned: '2:00', end_by: '', onset: '', longest: '', longest_on: '',
    signal: 'two taps, one finger up', cadence: 'close', cadence_at: 0, ok_within_s: 15, recovery: '0:30', watch: '1:00',
    hears: ['breaths'],
  };
}

/**
 * @param {unknown} value
 * @param {readonly number[]} limits
 * @returns {value is number}
 */
function within(value, limits) {
  return Number.isInteger(value) && /** @type {number} */ (value) >= limits[0] && /** @type {number} */ (value) <= limits[1];
}

/**
 * The draft that an earlier `plan` event's data fills in. Fields of a wrong
 * type or out of their limits keep the value of an empty sheet.
 * @param {Record<string, any> | null | undefined} data
 * @returns {Draft}
 */
export function draftOf(data) {
  const draft = newDraft();
  if (!data) return draft;
  const text = (/** @type {unknown} */ v) => (typeof v === 'string' ? v : '');
  const clock = (/** @type {unknown} */ v, /** @type {readonly number[]} */ limits) => (within(v, limits) ? clockTextS(v) : '');
  draft.diver = text(data.diver);
  draft.buddy = text(data.buddy);
  if (data.setting === 'pool') draft.setting = 'pool';
  draft.planned = clock(data.planned_s, FORM_LIMITS.planned_s) || draft.planned;
  if (within(data.planned_s, FORM_LIMITS.planned_s) && data.end_by_s !== data.planned_s + marginS(data.planned_s)) {
    draft.end_by = clock(data.end_by_s, [data.planned_s, FORM_LIMITS.end_by_s[1]]);
  }
  draft.onset = clock(data.onset_s, FORM_LIMITS.known_s);
  draft.longest = clock(data.longest_s, FORM_LIMITS.known_s);
  draft.longest_on = parseDay(text(data.longest_on)) === null ? '' : data.longest_on;
  draft.signal = text(data.signal) || draft.signal;
  if (CADENCES.some(([c]) => c === data.cadence)) draft.cadence = data.cadence;
  if (data.ok_within_s === 20) draft.ok_within_s = 20;
  draft.recovery = clock(data.recovery_s, FORM_LIMITS.recovery_s) || draft.recovery;
  draft.watch = clock(data.watch_s, FORM_LIMITS.watch_s) || draft.watch;
  if (Array.isArray(data.hears)) draft.hears = HEARS.map(([word]) => word).filter((word) => data.hears.includes(word));
  return draft;
}

/**
 * Fills in what the diver's log lets one expect: usual first contraction,
 * longest clean hold with its day, and the closer checks for first holds and
 * after trouble. What the log does not know stays as it was typed.
 * @param {Draft} draft
 * @param {import('../rules/expect.js').Expectations} log
 * @returns {Draft}
 */
export function withLog(draft, log) {
  const next = { ...draft };
  if (log.onset.value !== null) next.onset = clockOf(log.onset.value);
  const typed = parseClock(draft.longest);
  const { value, start_at } = log.longest;
  if (value !== null && start_at !== null && (typed === null || Math.floor(value / 1000) >= typed)) {
    next.longest = clockOf(value);
    next.longest_on = isoDay(start_at);
  }
  if (log.cadence !== null) next.cadence = log.cadence;
  return next;
}

/**
 * What the instructor has set for all pairs since the last plan stands in the sheet; the pair may still choose.
 * @param {Draft} draft
 * @param {Record<string, any> | null | undefined} outing `{cadence, at}` as the host tells of it
 * @param {number} plannedAt when the newest plan was recorded, shared ms
 * @returns {Draft}
 */
export function withOuting(draft, outing, plannedAt) {
  const known = CADENCES.find(([c]) => c === outing?.cadence);
  return known && Number(outing?.at) > Math.max(plannedAt, draft.cadence_at) ? { ...draft, cadence: /** @type {any} */ (known[0]) } : draft;
}

/**
 * The sheet in another setting: figures that came from the log give way to
 * those of the other setting, typed ones stay.
 * @param {Draft} draft with the new setting
 * @param {import('../rules/expect.js').Expectations} before of the old setting
 * @param {import('../rules/expect.js').Expectations} after
 * @returns {Draft}
 */
export function withSetting(draft, before, after) {
  const next = { ...draft };
  if (before.onset.value !== null && draft.onset === clockOf(before.onset.value)) next.onset = '';
  if (before.longest.value !== null && draft.longest === clockOf(before.longest.value)) {
    next.longest = '';
    next.longest_on = '';
  }
  return withLog(next, after);
}

/**
 * The sheet with another diver: what is known of a person stays with the
 * person, so the figures of the one who dives now are taken from `theirs` or
 * left empty.
 * @param {Draft} draft
 * @param {Partial<Draft>} theirs
 * @returns {Draft}
 */
export function withFigures(draft, theirs) {
  return {
    ...draft,
    onset: theirs.onset ?? '',
    longest: theirs.longest ?? '',
    longest_on: theirs.longest_on ?? '',
    planned: theirs.planned ?? draft.planned,
    end_by: theirs.end_by ?? '',
    cadence: theirs.cadence ?? draft.cadence,
    hears: theirs.hears ?? draft.hears,
    signal: theirs.signal ?? draft.signal,
  };
}

/** @param {string} text */
const chars = (text) => [...text].length;

/**
 * @param {string} text
 * @param {string} missing what to say where it is empty
 * @returns {string | null}
 */
function textError(text, missing) {
  if (text.trim() === '') return missing;
  const n = chars(text.trim());
  return n > TEXT_CHARS ? `${n} characters: ${TEXT_CHARS} at most` : null;
}

/** @param {number} s */
const t = clockTextS;

/**
 * Both readings of a number without a unit, so that the person can say which.
 * @param {string} text
 * @returns {string | null}
 */
function bareWords(text) {
  const digits = text.trim();
  if (!/^\d{1,4}$/.test(digits)) return null;
  const seconds = digits.slice(-2);
  const clock = digits.length < 3 ? `${Number(digits)}:00` : Number(seconds) < 60 ? `${Number(digits.slice(0, -2))}:${seconds}` : null;
  return `write ${clock ? `${clock} or ` : ''}${Number(digits)} s`;
}

/**
 * @param {string} text
 * @param {readonly number[]} limits
 * @returns {{s: number | null, error: string | null}}
 */
function readTime(text, limits) {
  const s = parseClock(text);
  const [least, most] = limits;
  if (s === null) {
    return { s: null, error: bareWords(text) ?? `not a time: write it as ${t(Math.max(least, 90))}` };
  }
  if (s < least || s > most) return { s: null, error: `from ${t(least)} to ${t(most)}` };
  return { s, error: null };
}

/**
 * What a sheet says.
 * @typedef {object} PlanSheet
 * @property {Record<string, any> | null} data of the plan event; null while a field makes no sense
 * @property {Record<string, any>} partial the fields that do make sense
 * @property {DraftErrors} errors
 * @property {number | null} planned_s
 * @property {number | null} end_by_s
 * @property {number | null} longest_s
 */

/**
 * Reads the sheet.
 * @param {Draft} draft
 * @param {number} nowMs today, for the day of the longest clean hold
 * @returns {PlanSheet}
 */
export function readDraft(draft, nowMs) {
  /** @type {DraftErrors} */
  const errors = {};
  const put = (/** @type {keyof Draft} */ field, /** @type {string | null} */ error) => {
    if (error) errors[field] = error;
  };
  /** @type {Record<string, any>} */
  const data = { diver: draft.diver.trim(), buddy: draft.buddy.trim(), setting: draft.setting };

  put('diver', textError(draft.diver, 'who dives?'));
  put('buddy', textError(draft.buddy, 'who watches? Never alone.'));
  if (sameName(draft.diver, draft.buddy)) put('buddy', 'two people: a diver and a buddy');

  const planned = readTime(draft.planned, FORM_LIMITS.planned_s);
  put('planned', planned.error);
  if (planned.s !== null) data.planned_s = planned.s;

  const endBy = readEndBy(draft.end_by, planned.s);
  put('end_by', endBy.error);
  if (endBy.s !== null) data.end_by_s = endBy.s;

  if (draft.onset.trim() !== '') {
    const onset = readTime(draft.onset, FORM_LIMITS.known_s);
    put('onset', onset.error);
    if (onset.s !== null) data.onset_s = onset.s;
  }
  /** @type {number | null} */
  let longest = null;
  if (draft.longest.trim() !== '') {
    const read = readTime(draft.longest, FORM_LIMITS.known_s);
    put('longest', read.error);
    longest = read.s;
    if (longest !== null) data.longest_s = longest;
    put('longest_on', dayError(draft.longest_on, nowMs));
    if (!errors.longest_on) data.longest_on = draft.longest_on;
  }

  data.cadence = draft.cadence;
  put('signal', textError(draft.signal, 'agree on a signal'));
  data.signal = draft.signal.trim();
  data.ok_within_s = draft.ok_within_s;
  const recovery = readTime(draft.recovery, FORM_LIMITS.recovery_s);
  put('recovery', recovery.error);
  data.recovery_s = recovery.s;
  const watch = readTime(draft.watch, FORM_LIMITS.watch_s);
  put('watch', watch.error);
  data.watch_s = watch.s;
  data.hears = [...draft.hears];

  return {
    data: Object.keys(errors).length === 0 ? data : null,
    partial: data,
    errors,
    planned_s: planned.s,
    end_by_s: endBy.s,
    longest_s: longest,
  };
}

/**
 * @param {string} text
 * @param {number | null} plannedS
 * @returns {{s: number | null, error: string | null}}
 */
function readEndBy(text, plannedS) {
  if (text.trim() === '') return { s: plannedS === null ? null : plannedS + marginS(plannedS), error: null };
  const read = readTime(text, FORM_LIMITS.end_by_s);
  if (read.s !== null && plannedS !== null && read.s < plannedS) {
    return { s: null, error: `not before the planned ${t(plannedS)}` };
  }
  return read;
}

/**
 * @param {string} text
 * @param {number} nowMs
 * @returns {string | null}
 */
function dayError(text, nowMs) {
  if (text.trim() === '') return 'on which day?';
  const at = parseDay(text);
  if (at === null) return 'not a day of the calendar';
  return isoDay(at) > isoDay(nowMs) ? 'that day is still to come' : null;
}

/**
 * The planned time one key press further, inside its limits. A field that makes
 * no sense starts again from the empty sheet's value.
 * @param {string} text
 * @param {-1 | 1} direction
 * @returns {string}
 */
export function stepped(text, direction) {
  const s = parseClock(text) ?? /** @type {number} */ (parseClock(newDraft().planned));
  const next = direction > 0 ? (Math.floor(s / STEP_S) + 1) * STEP_S : (Math.ceil(s / STEP_S) - 1) * STEP_S;
  const [least, most] = FORM_LIMITS.planned_s;
  return t(Math.min(most, Math.max(least, next)));
}
