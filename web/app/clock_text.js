/**
 * Times as people read and type them. Pure: nothing here asks what time it is.
 * Shared time is Unix ms; the days are those of the device's own time zone.
 */

const DAYS = ['Sunday', 'Monday', 'Tuesday', 'Wednesday', 'Thursday', 'Friday', 'Saturday'];
const MONTHS = ['Jan', 'Feb', 'March', 'April', 'May', 'June', 'July', 'Aug', 'Sept', 'Oct', 'Nov', 'Dec'];

const DAY_MS = 86_400_000;

/** @param {number} n */
const two = (n) => String(n).padStart(2, '0');

/**
 * A length of time as minutes and seconds: `271900` is `4:31`. Rounds down,
 * so that no figure shows a second that was not reached.
 * @param {number} ms
 */
export function clockText(ms) {
  const s = Math.floor(Math.abs(ms) / 1000);
  return `${ms < 0 && s > 0 ? '−' : ''}${Math.floor(s / 60)}:${two(s % 60)}`;
}

/**
 * As `clockText`, from whole seconds.
 * @param {number} s
 */
export function clockTextS(s) {
  return clockText(s * 1000);
}

/**
 * As `clockText`; `''` where the time is not known.
 * @param {number | null} ms
 */
export function clockOf(ms) {
  return ms === null ? '' : clockText(ms);
}

/**
 * Seconds with one decimal, rounded to the nearest tenth: `4400` is `4.4 s`.
 * @param {number} ms
 */
export function tenthsText(ms) {
  return `${(Math.round(ms / 100) / 10).toFixed(1)} s`;
}

/**
 * Reads minutes and seconds: `4:30`, `4.30`, `4,30` (keypads without a colon),
 * `4 30`, `4m30`, or seconds with their unit, `270 s`. A bare number is not
 * guessed at, since `430` may mean either, and gives null like any other text
 * that is not a time.
 * @param {string} text
 * @returns {number | null} whole seconds
 */
export function parseClock(text) {
  const t = text.trim().toLowerCase();
  const pair = /^(\d{1,3})\s*(?::|\.|,|\s|m|min|')\s*(\d{2})\s*(?:s|"|'')?$/.exec(t);
  if (pair) {
    const seconds = Number(pair[2]);
    return seconds < 60 ? Number(pair[1]) * 60 + seconds : null;
  }
  const minutes = /^(\d{1,3})\s*(?:m|min|')$/.exec(t);
  if (minutes) return Number(minutes[1]) * 60;
  const seconds = /^(\d{1,5})\s*(?:s|sec|")$/.exec(t);
  return seconds ? Number(seconds[1]) : null;
}

/**
 * Start of the day that holds `atMs`, as Unix ms.
 * @param {number} atMs
 */
export function dayStart(atMs) {
  const d = new Date(atMs);
  return new Date(d.getFullYear(), d.getMonth(), d.getDate()).getTime();
}

/**
 * End of the day that holds `atMs` (the next midnight), as Unix ms.
 * @param {number} atMs
 */
export function dayEnd(atMs) {
  const d = new Date(atMs);
  return new Date(d.getFullYear(), d.getMonth(), d.getDate() + 1).getTime();
}

/**
 * Days as this device counts them.
 * @type {import('../rules/log.js').Zone}
 */
export const localZone = Object.freeze({
  dayOf: (/** @type {number} */ ms) => {
    const d = new Date(ms);
    return Date.UTC(d.getFullYear(), d.getMonth(), d.getDate()) / 86_400_000;
  },
  dayEnd,
});

/**
 * A day in one or two words, seen from `nowMs`: `today`, `yesterday`, the name
 * of the weekday within the last week, else the date.
 * @param {number} atMs
 * @param {number} nowMs
 */
export function dayWords(atMs, nowMs) {
  const days = Math.round((dayStart(nowMs) - dayStart(atMs)) / DAY_MS);
  const d = new Date(atMs);
  if (days === 0) return 'today';
  if (days === 1) return 'yesterday';
  if (days > 1 && days < 7) return DAYS[d.getDay()];
  const sameYear = d.getFullYear() === new Date(nowMs).getFullYear();
  return dateWords(atMs) + (sameYear ? '' : ` ${d.getFullYear()}`);
}

/**
 * `12 May`
 * @param {number} atMs
 */
export function dateWords(atMs) {
  const d = new Date(atMs);
  return `${d.getDate()} ${MONTHS[d.getMonth()]}`;
}

/**
 * `19:41`
 * @param {number} atMs
 */
export function timeOfDay(atMs) {
  const d = new Date(atMs);
  return `${d.getHours()}:${two(d.getMinutes())}`;
}

/**
 * The day as a date field writes it, `2026-05-12`.
 * @param {number} atMs
 */
export function isoDay(atMs) {
  const d = new Date(atMs);
  return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())}`;
}

/**
 * Noon of a day written as `2026-05-12`, or null where it is no real day.
 * @param {string} text
 * @returns {number | null}
 */
export function parseDay(text) {
  const m = /^(\d{4})-(\d{2})-(\d{2})$/.exec(text.trim());
  if (!m) return null;
  const at = new Date(Number(m[1]), Number(m[2]) - 1, Number(m[3]), 12).getTime();
  return isoDay(at) === m[0] ? at : null;
}
