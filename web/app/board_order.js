/**
 * In which order the board shows its pairs. Pure. The most urgent stands on
 * top, and still the board can be read: a pair moves up at once and down only
 * after a while.
 *
 * The rule:
 * 1. Pairs that need a person (ranks up to `NEEDS`) stand before all others, by rank, at once.
 * 2. Among the others a pair keeps the best rank it had within the last `CALM_MS`, so that one whose prompts come every
 *    few seconds does not go up and down with each of them, and one whose alarm was lifted stays under the eyes.
 * 3. Of equal rank the alarm nobody goes to, or is at already, comes first, then the older alarm. Of pairs asked a second
 *    time the one whose alarm comes first does, and of those that are not live the one furthest on in its hold. All others
 *    stand by their number.
 * 4. While a finger is down nothing moves, so that a press meant for one pair never meets another; but for no longer
 *    than `FINGER_MS`.
 */

/** Ranks, most urgent first. */
export const RANK = Object.freeze({ alarm: 0, surfaced: 1, again: 2, gone: 3, prompt: 4, tight: 5, hold: 6, watch: 7, breathe: 8, idle: 9 });
/** How far on in its hold a pair is. */
const STAGES = ['easy', 'struggle', 'late', 'final'];
/** The last rank that needs a person now. */
export const NEEDS = RANK.gone;
/**
 * So long a pair keeps its place after it has become calmer (ms, own): longer than from one prompt to the next in final,
 * and in the watch, whose looks are up to 15 s apart.
 */
export const CALM_MS = 16_000;
/** So long a finger may hold the rows still (ms, own): longer than any deliberate press. */
export const FINGER_MS = 2500;

/**
 * What the order is made of.
 * @typedef {object} Placed
 * @property {string} pair
 * @property {number} number the pair's number on the board
 * @property {number} rank one of RANK
 * @property {number | null} since since when its alarm stands, shared ms
 * @property {boolean} met somebody is going to it, or there
 * @property {number | null} [next_alarm_at] when its next alarm comes, shared ms
 * @property {{stage: import('../rules/cadence.js').Stage | null} | null} [status]
 */

/**
 * @typedef {object} Order
 * @property {(rows: Placed[], now: number, touch?: {down: boolean}) => string[]} next ids of the pairs from the top down; call it
 *   on every update with any monotonic ms
 */

/** @returns {Order} */
export function newOrder() {
  /** @type {Map<string, {rank: number, at: number}[]>} when a pair last had each rank, best rank first, each later than the one before */
  const had = new Map();
  /** @type {string[]} */
  let shown = [];
  /** @type {number | null} since when a finger is down */
  let heldSince = null;

  /**
   * The best rank of the last `CALM_MS`. Only ranks that a later one has not bettered are kept.
   * @param {Placed} row
   * @param {number} now
   */
  const lately = (row, now) => {
    const past = (had.get(row.pair) ?? []).filter((h) => h.rank < row.rank && now - h.at < CALM_MS);
    past.push({ rank: row.rank, at: now });
    had.set(row.pair, past);
    return past[0].rank;
  };

  return {
    next(rows, now, touch = { down: false }) {
      const keys = new Map(rows.map((row) => [row.pair, keyOf(row, lately(row, now))]));
      for (const pair of [...had.keys()]) if (!keys.has(pair)) had.delete(pair);
      heldSince = touch.down ? (heldSince ?? now) : null;
      if (heldSince !== null && now - heldSince < FINGER_MS) {
        // Pairs may come and go meanwhile; the others keep their places.
        const known = new Set(shown);
        shown = [...shown.filter((pair) => keys.has(pair)), ...rows.map((r) => r.pair).filter((pair) => !known.has(pair))];
      } else {
        shown = rows.map((r) => r.pair).sort((a, b) => compareKeys(keys.get(a) ?? [], keys.get(b) ?? []));
      }
      return shown;
    },
  };
}

/**
 * @param {Placed} row
 * @param {number} lately its best rank of late
 * @returns {(number | string)[]}
 */
function keyOf(row, lately) {
  const rank = row.rank <= NEEDS ? row.rank : Math.max(lately, NEEDS + 1);
  const alarm = row.rank === RANK.alarm;
  return [rank, alarm && row.met ? 1 : 0, withinRank(row), row.number, row.pair];
}

/** Where a pair stands among those of its rank: the least first. @param {Placed} row */
function withinRank(row) {
  switch (row.rank) {
    case RANK.alarm:
      return row.since ?? 0;
    case RANK.again:
      return row.next_alarm_at ?? 0;
    case RANK.gone:
      return -STAGES.indexOf(row.status?.stage ?? '');
    default:
      return 0;
  }
}

/**
 * @param {(number | string)[]} a
 * @param {(number | string)[]} b
 */
function compareKeys(a, b) {
  for (let i = 0; i < a.length; i++) {
    if (a[i] !== b[i]) return a[i] < b[i] ? -1 : 1;
  }
  return 0;
}
