/**
 * The log as a table for spreadsheets, the same as the host gives out: one row
 * a hold, RFC 4180, units in the names of the columns. Pure.
 */

import { debriefOf } from '../rules/debrief.js';
import { summarize } from '../rules/summary.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('./logbook.js').Line} Line */

/** Tells spreadsheets that a file is UTF-8. */
const BYTE_ORDER_MARK = '\ufeff';

/**
 * What a row is made from.
 * @typedef {object} Row
 * @property {string} outing
 * @property {number} number
 * @property {Line} line
 * @property {import('../rules/summary.js').Summary} sum
 * @property {import('../rules/debrief.js').Debrief} told
 */

/** @type {readonly (readonly [string, (r: Row) => unknown])[]} */
const COLUMNS = [
  ['outing', (r) => r.outing],
  ['pair_number', (r) => r.number],
  ['hold', (r) => r.line.hold],
  ['start_utc', (r) => new Date(r.line.start_at).toISOString()],
  ['start_local', (r) => localText(r.line.start_at)],
  ['diver', (r) => r.line.diver],
  ['diver_id', (r) => r.line.diver_id],
  ['buddy', (r) => r.line.buddy],
  ['buddy_id', (r) => r.line.buddy_id],
  ['setting', (r) => r.line.setting],
  ['series', (r) => r.line.series],
  ['series_no', (r) => r.line.series_no],
  ['planned_s', (r) => r.line.planned_s],
  ['agreed_end_s', (r) => r.line.end_by_s],
  ['longest_clean_s', (r) => r.line.longest_s],
  ['hold_ms', (r) => r.sum.hold_ms],
  ['first_contraction_ms', (r) => r.sum.first_contraction_ms],
  ['first_contraction_site', (r) => r.sum.first_contraction_site],
  ['easy_ms', (r) => r.sum.easy_ms],
  ['struggle_ms', (r) => r.sum.struggle_ms],
  ['easy_permille', (r) => r.sum.easy_permille],
  ['contractions_count', (r) => r.sum.contractions],
  ['answers_count', (r) => r.sum.answers.length],
  ['answer_median_ms', (r) => r.sum.answer_median_ms],
  ['answer_slowest_ms', (r) => r.sum.answer_slowest_ms],
  ['answer_trend_ms_per_min', (r) => r.sum.answer_trend_ms_per_min],
  ['longest_silence_ms', (r) => r.sum.longest_silence_ms],
  ['looks_count', (r) => r.told.looks],
  ['taps_count', (r) => r.told.asked],
  ['prompts_count', (r) => r.sum.rungs_reached.prompt],
  ['agains_count', (r) => r.sum.rungs_reached.again],
  ['alarms_count', (r) => r.sum.rungs_reached.alarm],
  ['prompts_missed_count', (r) => r.sum.rungs_missed],
  ['signs', (r) => r.sum.signs.map((s) => `${s.what} ${s.at_ms} ms`).join('; ')],
  ['ok_after_surfacing_ms', (r) => r.sum.ok_ms],
  ['spo2_lowest_percent', (r) => r.sum.spo2_lowest],
  ['spo2_lowest_after_surfacing_ms', (r) => r.sum.spo2_lowest_ms],
  ['heart_rate_lowest_per_min', (r) => r.sum.hr_lowest],
  ['heart_rate_lowest_after_surfacing_ms', (r) => r.sum.hr_lowest_ms],
  ['spo2_back_to_95_percent_after_surfacing_ms', (r) => r.sum.back_to_95_ms],
  ['incident', (r) => r.sum.incident],
  ['verdict', (r) => r.sum.verdict],
  ['clean', (r) => r.sum.clean],
  ['watch_ended_by_force', (r) => r.sum.forced_end],
  ['conditions', (r) => r.line.conditions.join('; ')],
  ['felt', (r) => r.line.felt.join('; ')],
  ['training_days_in_a_row', (r) => r.line.training_days],
  ['note', (r) => noteOf(r, 'diver')],
  ['buddy_note', (r) => noteOf(r, 'buddy')],
];

export const CSV_COLUMNS = Object.freeze(COLUMNS.map(([name]) => name));

/** A spreadsheet would take a text that begins so for a formula, also behind a quote of its own (OWASP ASVS 5, 1.2.10). */
const FORMULA = [...'=+-@\t\r\n＝＋－＠\''];

/** What stands in quotes: signs of the table, a space before anything (Unicode's, as the host has it), and a word that ends a table to some databases. */
const QUOTED = /[",\r\n]|^[\t\v\f \u0085\u00a0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000]|^\\\.$/;

/** @param {Row} r @param {'diver' | 'buddy'} about */
const noteOf = (r, about) => r.told.notes.find((n) => n.about === about)?.text ?? '';

/** @param {number} ms in the phone's own time, `2026-05-12 19:41:03` */
function localText(ms) {
  const d = new Date(ms);
  const two = (/** @type {number} */ n) => String(n).padStart(2, '0');
  return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())} ${[d.getHours(), d.getMinutes(), d.getSeconds()].map(two).join(':')}`;
}

/**
 * One cell. A text that a spreadsheet would reckon with gets a single quote
 * before it; numbers need none, they are ours.
 * @param {unknown} value a text, a number, true or false, or null for an empty cell
 * @returns {string}
 */
export function csvCell(value) {
  if (value === null || value === undefined) return '';
  if (typeof value !== 'string') return String(value);
  const text = value.replaceAll('\0', '');
  const plain = FORMULA.includes(text.charAt(0)) ? `'${text}` : text;
  return QUOTED.test(plain) ? `"${plain.replaceAll('"', '""').replaceAll('\r', '').replaceAll('\n', '\r\n')}"` : plain;
}

/** @param {readonly unknown[]} cells */
const rowOf = (cells) => `${cells.map(csvCell).join(',')}\r\n`;

/** The head line. */
export const CSV_HEAD = BYTE_ORDER_MARK + rowOf(CSV_COLUMNS);

/**
 * The row of a hold.
 * @param {Hold} hold
 * @param {Line} line
 * @param {import('./log_file.js').Place} place
 * @param {number} nowMs shared ms
 */
export function csvRow(hold, line, { outing, number }, nowMs) {
  /** @type {Row} */
  const row = { outing, number, line, sum: summarize(hold, nowMs), told: debriefOf(hold, nowMs) };
  return rowOf(COLUMNS.map(([, read]) => read(row)));
}
