/**
 * What an instructor tells a pair. "I'm going" is the word that they are on
 * their way: it quiets the boards for a while and is shown on the pair's
 * phones; it changes nothing else. A count for several pairs may be called off.
 * Pure.
 */

/** @typedef {import('../rules/fold.js').Hold} Hold */

/** "I'm going" counts for this long (ms). */
export const GOING_MS = 15_000;

/**
 * Who said last that they are going to this pair, within the last 15 s.
 * @param {Hold} hold
 * @param {number} at shared ms
 * @returns {{id: string, name: string, until: number} | null}
 */
export function goingOf(hold, at) {
  for (let i = hold.events.length - 1; i >= 0; i -= 1) {
    const e = hold.events[i];
    if (at - e.at >= GOING_MS) return null;
    if (e.kind !== 'going' || e.by !== 'instructor' || e.at > at) continue;
    return { id: e.id, name: typeof e.data?.name === 'string' ? e.data.name : '', until: e.at + GOING_MS };
  }
  return null;
}

/**
 * Until when the boards are quiet for this pair, or last were: shared ms, −Infinity where nobody ever went.
 * @param {Hold} hold
 * @param {number} at shared ms
 */
export function quietUntil(hold, at) {
  const last = hold.events.findLast((e) => e.kind === 'going' && e.by === 'instructor' && e.at <= at);
  return last ? last.at + GOING_MS : -Infinity;
}

/**
 * The same in words for the pair's phones.
 * @param {ReturnType<typeof goingOf>} going
 */
export function comingWords(going) {
  return going ? `${going.name || 'an instructor'} is coming` : '';
}

/**
 * Whether an instructor has called this pair's count off, and nobody has begun another.
 * @param {Hold} hold
 * @param {number} at shared ms
 */
export function isCalledOff(hold, at) {
  const counts = hold.events.filter((e) => e.kind === 'breathe-up' && e.at <= at);
  const last = counts.at(-1);
  return last?.by === 'instructor' && typeof last.data?.zero_at !== 'number' && counts.length > 1;
}
