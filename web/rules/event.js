// Events: the envelope, its limits, and the order in which events are folded.

/** Largest magnitude of a whole number that both sides hold exactly: 2^53 − 1. */
const MAX_WHOLE = Number.MAX_SAFE_INTEGER;

/**
 * One thing that happened, as it travels and as it is stored. Unknown fields are kept.
 * @typedef {object} HoldEvent
 * @property {string} id device id, `-`, that device's counter
 * @property {string} hold the hold it belongs to
 * @property {string} kind one of KINDS, or a kind of a newer version
 * @property {number} at shared time, whole ms
 * @property {number} [err] half-width of the clock's doubt at that moment, whole ms
 * @property {string} [by] role of the sender
 * @property {Record<string, unknown>} [data]
 */

/** The kinds this version knows. Others are kept and change no state. */
export const KINDS = Object.freeze([
  'plan', 'place', 'sound-check', 'breathe-up', 'start', 'look', 'asked', 'answered', 'no-answer', 'contraction',
  'sign', 'reading', 'end-hold', 'surfaced', 'awake', 'ok', 'incident', 'with-them', 'step', 'recovered',
  'watch-ended', 'verdict', 'note', 'amend', 'sounded', 'profile', 'series', 'going',
]);

/**
 * Limits of the envelope: bytes are bytes of UTF-8, `event_bytes` those of the event as compact JSON. `levels` is how many
 * objects and arrays may lie in one another, the event itself among them: JavaScript cannot write all that it can read.
 */
export const LIMITS = Object.freeze({ id_bytes: 64, hold_bytes: 64, kind_bytes: 32, by_bytes: 32, event_bytes: 16384, levels: 64 });

/**
 * @param {unknown} value
 * @returns {value is Record<string, unknown>}
 */
export function isObject(value) {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}

/**
 * A whole number within [min, max], or null: a field of the wrong type or out of its limits counts as absent.
 * @param {unknown} value
 * @param {number} min
 * @param {number} [max]
 * @returns {number | null}
 */
export function wholeIn(value, min, max = MAX_WHOLE) {
  return typeof value === 'number' && Number.isSafeInteger(value) && value >= min && value <= max ? value + 0 : null;
}

/**
 * One of the given words, or null.
 * @template {string} W
 * @param {unknown} value
 * @param {readonly W[]} words
 * @returns {W | null}
 */
export function wordOf(value, words) {
  return words.find((word) => word === value) ?? null;
}

/**
 * Length of a well-formed string in bytes of UTF-8.
 * @param {string} text
 */
function utf8Length(text) {
  let bytes = 0;
  for (let i = 0; i < text.length; i++) {
    const unit = text.charCodeAt(i);
    // Each half of a surrogate pair stands for two of its four bytes.
    bytes += unit < 0x80 ? 1 : unit < 0x800 || (unit & 0xf800) === 0xd800 ? 2 : 3;
  }
  return bytes;
}

/**
 * Turns half characters (lone surrogates) into U+FFFD, as the server does. JSON.stringify writes a lone surrogate,
 * and nothing else, as a `\ud…` escape.
 * @param {string} text written by JSON.stringify
 */
function wellFormed(text) {
  return text.replace(/\\(?:u(d[89a-f][0-9a-f]{2})|.)/g, (escape, half) => (half ? '\ufffd' : escape));
}

/**
 * Do more objects and arrays lie in one another than allowed?
 * @param {object} value
 */
function isTooDeep(value) {
  /** @type {object[]} */
  let level = [value];
  for (let levels = 0; level.length > 0; levels++) {
    if (levels === LIMITS.levels) return true;
    level = level.flatMap((v) => Object.values(v).filter((inner) => typeof inner === 'object' && inner !== null));
  }
  return false;
}

/**
 * Is a number in it that no double can hold? JSON.parse makes an infinity of one, which JSON cannot write.
 * @param {unknown} value
 * @returns {boolean}
 */
function isEndless(value) {
  if (typeof value === 'object' && value !== null) return Object.values(value).some(isEndless);
  return value === Infinity || value === -Infinity;
}

/**
 * Is it a non-empty string of at most that many bytes?
 * @param {unknown} value
 * @param {number} maxBytes
 */
function isName(value, maxBytes) {
  return typeof value === 'string' && value !== '' && utf8Length(value) <= maxBytes;
}

/**
 * Judges the envelope of a parsed JSON value. Only the envelope is strict; `data` is read leniently later.
 * @param {unknown} value
 * @returns {{event: HoldEvent} | {code: string, problem: string}}
 */
export function decodeEvent(value) {
  if (!isObject(value)) return { code: 'not-json', problem: 'the event is not one JSON object' };
  if (isTooDeep(value)) {
    return { code: 'too-deep', problem: `more than ${LIMITS.levels} objects and arrays of the event lie in one another` };
  }
  if (isEndless(value)) return { code: 'bad-number', problem: 'a number of the event is out of the range of a double' };
  const written = JSON.stringify(value);
  const text = wellFormed(written);
  const e = /** @type {Record<string, unknown>} */ (text === written ? { ...value } : JSON.parse(text));
  if (utf8Length(text) > LIMITS.event_bytes) {
    return { code: 'too-large', problem: `the event is larger than ${LIMITS.event_bytes} bytes of JSON` };
  }
  if (!isName(e.id, LIMITS.id_bytes)) {
    return { code: 'bad-id', problem: `"id" is not a non-empty string of at most ${LIMITS.id_bytes} bytes` };
  }
  if (!isName(e.hold, LIMITS.hold_bytes)) {
    return { code: 'bad-hold', problem: `"hold" is not a non-empty string of at most ${LIMITS.hold_bytes} bytes` };
  }
  if (!isName(e.kind, LIMITS.kind_bytes)) {
    return { code: 'bad-kind', problem: `"kind" is not a non-empty string of at most ${LIMITS.kind_bytes} bytes` };
  }
  const at = wholeIn(e.at, -MAX_WHOLE);
  if (at === null) {
    return { code: 'bad-at', problem: '"at" is not a whole number of milliseconds within 2^53 - 1' };
  }
  if (Object.hasOwn(e, 'err') && wholeIn(e.err, 0) === null) {
    return { code: 'bad-err', problem: '"err" is not a whole number of milliseconds from 0 to 2^53 - 1' };
  }
  if (Object.hasOwn(e, 'by') && !(typeof e.by === 'string' && utf8Length(e.by) <= LIMITS.by_bytes)) {
    return { code: 'bad-by', problem: `"by" is not a string of at most ${LIMITS.by_bytes} bytes` };
  }
  if (Object.hasOwn(e, 'data') && !isObject(e.data)) return { code: 'bad-data', problem: '"data" is not a JSON object' };
  e.at = at;
  return { event: /** @type {HoldEvent} */ (/** @type {unknown} */ (e)) };
}

/**
 * Order of two strings by their UTF-8 bytes. UTF-16 units compare the same way, except that surrogates
 * (which stand for the highest characters) must come after U+E000–U+FFFF.
 * @param {string} a
 * @param {string} b
 */
export function compareBytes(a, b) {
  const length = Math.min(a.length, b.length);
  for (let i = 0; i < length; i++) {
    const x = a.charCodeAt(i);
    const y = b.charCodeAt(i);
    if (x === y) continue;
    const xHigh = (x & 0xf800) === 0xd800;
    const yHigh = (y & 0xf800) === 0xd800;
    return xHigh === yHigh ? x - y : xHigh ? 1 : -1;
  }
  return a.length - b.length;
}

/**
 * The order in which events are folded: `at`, then `id` as bytes.
 * @param {HoldEvent} a
 * @param {HoldEvent} b
 * @returns {number} negative, zero or positive
 */
export function compareEvents(a, b) {
  return a.at - b.at || compareBytes(a.id, b.id);
}

/**
 * The device an event came from: its id up to the last `-`; '' where there is none.
 * @param {string} id
 */
export function deviceOf(id) {
  return id.slice(0, Math.max(id.lastIndexOf('-'), 0));
}

/**
 * Are two JSON values the same, whatever the order of their keys? Numbers compare as values, so 1.0 is 1.
 * @param {unknown} a
 * @param {unknown} b
 */
export function sameContent(a, b) {
  /** @type {[unknown, unknown][]} */
  const pairs = [[a, b]];
  for (let pair = pairs.pop(); pair; pair = pairs.pop()) {
    const [x, y] = pair;
    if (x === y) continue;
    if (Array.isArray(x)) {
      if (!Array.isArray(y) || x.length !== y.length) return false;
      for (let i = 0; i < x.length; i++) pairs.push([x[i], y[i]]);
    } else {
      if (!isObject(x) || !isObject(y)) return false;
      const keys = Object.keys(x);
      if (keys.length !== Object.keys(y).length) return false;
      for (const key of keys) {
        if (!Object.hasOwn(y, key)) return false;
        pairs.push([x[key], y[key]]);
      }
    }
  }
  return true;
}
