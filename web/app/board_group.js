/**
 * One count for several pairs. Pure. The starts lie so far apart that late
 * stages, where checks come every few seconds, do not fall together.
 */

/** From the press to the first start: a usual breathe-up (ms, own). */
export const LEAD_MS = 180_000;
/** Starts lie at least and at most this far apart, s (own: the last pair is not to wait for long either). */
export const APART = Object.freeze({ least: 20, usual: 30, most: 30 });

/**
 * @typedef {object} GroupMember
 * @property {string} pair
 * @property {number} number
 * @property {string} hold
 * @property {number} zero_at shared ms at which its count is at zero
 */

/**
 * Which pairs can go, and when each has its zero: by number, one after another.
 * @param {import('./board_facts.js').RowFacts[]} rows
 * @param {{now: number, lead_ms: number, apart_s: number, chosen: ReadonlySet<string>}} how
 * @returns {GroupMember[]}
 */
export function groupOf(rows, { now, lead_ms, apart_s, chosen }) {
  const apart = Math.min(APART.most, Math.max(APART.least, apart_s)) * 1000;
  return rows
    .filter((r) => chosen.has(r.pair) && canGo(r))
    .sort((a, b) => a.number - b.number)
    .map((r, i) => ({ pair: r.pair, number: r.number, hold: r.hold?.id ?? '', zero_at: Math.ceil((now + lead_ms) / 1000) * 1000 + i * apart }));
}

/** Final stages that begin less far apart than this fall together (ms): as starts lie at least. */
const FINALS_APART_MS = APART.least * 1000;

/**
 * Which two pairs would come into their final stage together, by their numbers; null where none would. Their starts lie
 * apart, but a pair that plans a shorter hold is there sooner.
 * @param {import('./board_facts.js').RowFacts[]} rows
 * @param {GroupMember[]} group
 * @returns {[number, number] | null}
 */
export function finalsTogether(rows, group) {
  const finals = rows.flatMap((r) => {
    const start = group.find((m) => m.pair === r.pair)?.zero_at ?? startOf(r);
    return start === null || !r.status ? [] : [{ number: r.number, at: start + r.status.boundaries.final_at_ms }];
  }).sort((a, b) => a.at - b.at);
  const i = finals.findIndex((f, n) => n > 0 && f.at - finals[n - 1].at < FINALS_APART_MS);
  return i < 0 ? null : [finals[i - 1].number, finals[i].number];
}

/** When a pair's hold began, or will where its count runs; null where neither is. @param {import('./board_facts.js').RowFacts} row */
function startOf(row) {
  if (row.status?.phase === 'hold') return row.status.start_at;
  return isCounting(row) ? (row.status?.zero_at ?? null) : null;
}

/** Whether a pair's count runs. @param {import('./board_facts.js').RowFacts} row */
export const isCounting = ({ status, at }) => status?.phase === 'breathe-up' && (status.zero_at ?? 0) > at;

/** Whether a pair has a plan and nothing runs. @param {import('./board_facts.js').RowFacts} row */
export function canGo(row) {
  return row.hold !== null && row.status?.plan !== null && (row.status?.phase === 'planned' || row.status?.phase === 'breathe-up');
}
