// The log as a table for spreadsheets: one line a hold, RFC 4180, with units in the names of its columns.

/** @typedef {import('./log.js').LogHold} LogHold */

/** A column: its name, and the field of a line it is read from. */
const COLUMNS = /** @type {const} */ ([
  ['hold', 'hold'], ['start_utc', null], ['start_unix_ms', 'start_at'], ['setting', 'setting'], ['diver', 'diver'], ['diver_id', 'diver_id'],
  ['buddy', 'buddy'], ['buddy_id', 'buddy_id'], ['series', 'series'], ['series_no', 'series_no'], ['planned_s', 'planned_s'],
  ['end_by_s', 'end_by_s'], ['longest_s', 'longest_s'], ['hold_ms', 'hold_ms'], ['first_contraction_ms', 'first_contraction_ms'],
  ['first_contraction_site', 'first_contraction_site'], ['easy_permille', 'easy_permille'], ['answers', 'answers'],
  ['answer_median_ms', 'answer_median_ms'], ['answer_slowest_ms', 'answer_slowest_ms'], ['ok_ms', 'ok_ms'],
  ['spo2_lowest_percent', 'spo2_lowest'], ['spo2_lowest_since_surfacing_ms', 'spo2_lowest_ms'], ['hr_lowest_per_min', 'hr_lowest'],
  ['hr_lowest_since_surfacing_ms', 'hr_lowest_ms'], ['back_to_95_since_surfacing_ms', 'back_to_95_ms'], ['clean', 'clean'],
  ['verdict', 'verdict'], ['passed_out', 'passed_out'], ['incident', 'incident'], ['conditions', 'conditions'], ['felt', 'felt'],
  ['training_days', 'training_days'],
]);

export const CSV_COLUMNS = Object.freeze(COLUMNS.map(([name]) => name));

/** A spreadsheet would take a text that begins so for a formula. */
const FORMULA = ['=', '+', '-', '@', '\t', '\r'];

/**
 * One cell. A text that a spreadsheet would reckon with gets an apostrophe before it; what holds a comma, a quote or a new
 * line is quoted.
 * @param {unknown} value a text, a number, true or false, a list of texts, or null for an empty cell
 * @returns {string}
 */
export function csvCell(value) {
  if (value === null || value === undefined) return '';
  if (typeof value === 'number' || typeof value === 'boolean') return String(value);
  const text = Array.isArray(value) ? value.join('; ') : String(value);
  const plain = FORMULA.includes(text.charAt(0)) ? `'${text}` : text;
  return /[",\r\n]/.test(plain) ? `"${plain.replaceAll('"', '""')}"` : plain;
}

/** @param {readonly unknown[]} cells */
const line = (cells) => `${cells.map(csvCell).join(',')}\r\n`;

/** A day's ms, and the days of 400 years, after which the calendar repeats. */
const DAY_MS = 86_400_000;

/**
 * Shared ms as UTC, `2026-05-12T17:41:03.250Z`. Reckoned here, since the rules ask no calendar of the page: days from
 * 1970-01-01 by the proleptic Gregorian rules.
 * @param {number} ms
 */
export function utcText(ms) {
  const days = Math.floor(ms / DAY_MS);
  // Years begin in March here, so that a leap day is a year's last.
  const z = days + 719_468;
  const era = Math.floor(z / 146_097);
  const dayOfEra = z - era * 146_097;
  const yearOfEra = Math.floor((dayOfEra - Math.floor(dayOfEra / 1460) + Math.floor(dayOfEra / 36_524) - Math.floor(dayOfEra / 146_096)) / 365);
  const dayOfYear = dayOfEra - (365 * yearOfEra + Math.floor(yearOfEra / 4) - Math.floor(yearOfEra / 100));
  const m = Math.floor((5 * dayOfYear + 2) / 153);
  const day = dayOfYear - Math.floor((153 * m + 2) / 5) + 1;
  const month = m < 10 ? m + 3 : m - 9;
  const year = yearOfEra + era * 400 + (month <= 2 ? 1 : 0);
  const rest = ms - days * DAY_MS;
  const two = (/** @type {number} */ n) => String(n).padStart(2, '0');
  const time = [Math.floor(rest / 3_600_000), Math.floor(rest / 60_000) % 60, Math.floor(rest / 1000) % 60].map(two).join(':');
  return `${String(year).padStart(4, '0')}-${two(month)}-${two(day)}T${time}.${String(rest % 1000).padStart(3, '0')}Z`;
}

/**
 * @param {LogHold[]} lines in the order in which they are to stand
 * @returns {string} with a head line
 */
export function csvOf(lines) {
  const rows = lines.map((h) => line(COLUMNS.map(([, field]) => (field === null ? utcText(h.start_at) : h[field]))));
  return line(CSV_COLUMNS) + rows.join('');
}
