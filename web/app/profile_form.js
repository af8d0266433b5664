/**
 * The profile sheet as typed, and the `profile` event made of it. Pure.
 */

import { isoDay, parseDay } from './clock_text.js';
import { HEARS, TEXT_CHARS } from './plan_form.js';
import { nameKey } from '../rules/people.js';

/** Characters the remarks for a buddy may have. */
export const REMARK_CHARS = 500;

/**
 * @typedef {object} ProfileDraft
 * @property {string} diver_id
 * @property {string} name
 * @property {string} signal
 * @property {string} number
 * @property {string[]} hears
 * @property {string} trained_on
 * @property {string} lmc_on
 * @property {string} blackout_on
 * @property {string} remarks
 */

/** The days a profile tells of, with their labels. */
export const PROFILE_DAYS = Object.freeze(/** @type {const} */ ([
  ['trained_on', 'last training'], ['lmc_on', 'last LMC'], ['blackout_on', 'last blackout'],
]));

/**
 * @param {import('../rules/people.js').Profile | null} profile
 * @param {string} id of a person without a profile
 * @param {string} name
 * @returns {ProfileDraft}
 */
export function profileDraft(profile, id, name) {
  return {
    diver_id: profile?.diver_id ?? id,
    name: profile?.name ?? name,
    signal: profile?.signal ?? '',
    number: profile?.number ?? '',
    hears: profile?.hears ?? [],
    trained_on: profile?.trained_on ?? '',
    lmc_on: profile?.lmc_on ?? '',
    blackout_on: profile?.blackout_on ?? '',
    remarks: profile?.remarks ?? '',
  };
}

/** @param {string} text @param {number} most */
const tooLong = (text, most) => {
  const n = [...text.trim()].length;
  return n > most ? `${n} characters: ${most} at most` : null;
};

/**
 * @param {ProfileDraft} draft
 * @param {number} nowMs
 * @param {import('../rules/people.js').Profile[]} others profiles of everybody, this one among them
 * @returns {{data: Record<string, any> | null, errors: Partial<Record<keyof ProfileDraft, string>>}} data null while a field makes no sense
 */
export function readProfileDraft(draft, nowMs, others) {
  /** @type {Partial<Record<keyof ProfileDraft, string>>} */
  const errors = {};
  /** @param {keyof ProfileDraft} field @param {string | null} error */
  const put = (field, error) => {
    if (error) errors[field] = error;
  };
  put('name', draft.name.trim() === '' ? 'a name or nickname' : tooLong(draft.name, TEXT_CHARS));
  if (others.some((p) => p.diver_id !== draft.diver_id && nameKey(p.name) === nameKey(draft.name))) {
    put('name', 'somebody else goes by that name');
  }
  put('signal', tooLong(draft.signal, TEXT_CHARS));
  put('number', tooLong(draft.number, TEXT_CHARS));
  put('remarks', tooLong(draft.remarks, REMARK_CHARS));
  for (const [field] of PROFILE_DAYS) {
    if (draft[field] === '') continue;
    const at = parseDay(draft[field]);
    put(field, at === null ? 'not a day of the calendar' : isoDay(at) > isoDay(nowMs) ? 'that day is still to come' : null);
  }
  if (Object.keys(errors).length > 0) return { data: null, errors };
  const data = {
    diver_id: draft.diver_id,
    name: draft.name.trim(),
    signal: draft.signal.trim(),
    number: draft.number.trim(),
    hears: HEARS.map(([w]) => w).filter((w) => draft.hears.includes(w)),
    remarks: draft.remarks.trim(),
    ...Object.fromEntries(PROFILE_DAYS.map(([field]) => [field, draft[field] || null])),
  };
  return { data, errors };
}
