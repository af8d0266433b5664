// Typed oximeter readings: what cannot be, and what is asked about.

/** Limits of a reading: percent, and beats a minute. Others are refused. */
export const READING_LIMITS = Object.freeze(/** @type {const} */ ({ spo2: [30, 100], hr: [20, 250] }));

/**
 * What is asked about before it is kept (own): values that are rare in a hold at rest, and leaps from the reading before that
 * no finger shows within ten seconds. A typing slip is likelier.
 */
export const UNLIKELY = Object.freeze({
  spo2: Object.freeze({ below: 50, leap: 20 }),
  hr: Object.freeze({ below: 30, above: 180, leap: 60 }),
  leap_within_ms: 10_000,
});

/**
 * @typedef {object} Reading
 * @property {number | null} spo2 percent
 * @property {number | null} hr beats a minute
 * @property {number} at shared ms, or any ms that both readings count in
 */

/** @typedef {{field: 'spo2' | 'hr', code: 'impossible' | 'low' | 'high' | 'leap'}} Doubt */

/**
 * @param {Reading} reading as typed; null is an empty field
 * @param {Reading | null} previous the one before it on the tape
 * @returns {{refused: Doubt[], ask: Doubt[]}} refused: it is not kept; ask: only if a person says so
 */
export function judgeReading(reading, previous) {
  /** @type {Doubt[]} */
  const refused = [];
  /** @type {Doubt[]} */
  const ask = [];
  for (const field of /** @type {const} */ (['spo2', 'hr'])) {
    const value = reading[field];
    if (value === null) continue;
    const [least, most] = READING_LIMITS[field];
    if (!Number.isInteger(value) || value < least || value > most) {
      refused.push({ field, code: 'impossible' });
      continue;
    }
    if (value < UNLIKELY[field].below) ask.push({ field, code: 'low' });
    if (field === 'hr' && value > UNLIKELY.hr.above) ask.push({ field, code: 'high' });
    const before = previous?.[field] ?? null;
    if (before !== null && previous && Math.abs(reading.at - previous.at) <= UNLIKELY.leap_within_ms
      && Math.abs(value - before) > UNLIKELY[field].leap) ask.push({ field, code: 'leap' });
  }
  return { refused, ask };
}
