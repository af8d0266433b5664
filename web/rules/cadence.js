// Stages of a hold and how often each asks for a check. All times are whole ms since the start.

/** @typedef {import('./plan.js').Plan} Plan */
/** @typedef {import('./plan.js').Cadence} Cadence */
/** @typedef {'easy' | 'struggle' | 'late' | 'final'} Stage */

/**
 * What the events of a hold have moved, ms since the start; null where nothing has.
 * @typedef {object} Marks
 * @property {number | null} contraction first contraction
 * @property {number | null} late first raise to late
 * @property {number | null} final first raise to final
 */

/**
 * Where the stages begin, ms since the start. `glide_end` is where the numbers of the late stage reach their second value.
 * @typedef {object} Boundaries
 * @property {number} struggle_at
 * @property {number} late_at
 * @property {number} final_at
 * @property {number} end_at
 * @property {number} glide_end
 */

/**
 * One row of the table: each number at the begin of the stage and at the end of its glide, ms.
 * @typedef {{asks: 'look' | 'tap', every: [number, number], first: [number, number], second: [number, number]}} Row
 */

/** @type {Record<Stage, Row>} */
const STANDARD = {
  easy: { asks: 'look', every: [30000, 30000], first: [8000, 8000], second: [7000, 7000] },
  struggle: { asks: 'tap', every: [30000, 30000], first: [6000, 6000], second: [5000, 5000] },
  late: { asks: 'tap', every: [15000, 6000], first: [5000, 4000], second: [4000, 3000] },
  final: { asks: 'tap', every: [6000, 6000], first: [4000, 4000], second: [3000, 3000] },
};

/** @type {Record<Stage, Row>} */
const CLOSE = {
  easy: { asks: 'look', every: [30000, 30000], first: [6000, 6000], second: [5000, 5000] },
  struggle: { asks: 'tap', every: [15000, 15000], first: [5000, 5000], second: [4000, 4000] },
  late: { asks: 'tap', every: [10000, 6000], first: [5000, 4000], second: [4000, 3000] },
  final: STANDARD.final,
};

/** No stage of any cadence asks more rarely, or waits longer, than this. */
export const LONGEST = Object.freeze({ every_ms: 30000, first_ms: 8000, second_ms: 7000 });

/** The numbers of the announced pattern, ms. */
export const PATTERN = Object.freeze({
  look: Object.freeze({ every_ms: 30000, first_ms: 8000, second_ms: 7000 }),
  tap: Object.freeze({ early_ms: 4000, first_ms: 4000, second_ms: 3000 }),
});

/**
 * @param {Readonly<Plan>} plan
 * @param {Readonly<Marks>} marks
 * @returns {Boundaries}
 */
export function boundariesOf(plan, marks) {
  const planned = plan.planned_s * 1000;
  const longest = plan.longest_s === null ? Infinity : plan.longest_s * 1000;
  const final = Math.min(planned, longest, marks.final ?? Infinity);
  return {
    struggle_at: Math.min(marks.contraction ?? Infinity, plan.onset_s === null ? Infinity : plan.onset_s * 1000, plan.planned_s * 500),
    late_at: Math.min(
      plan.planned_s < 120 ? plan.planned_s * 500 : planned - 60000,
      plan.longest_s === null ? Infinity : plan.longest_s * 800,
      marks.late ?? Infinity,
      final,
    ),
    final_at: final,
    end_at: plan.end_by_s * 1000,
    glide_end: Math.min(planned, longest),
  };
}

/**
 * @param {Readonly<Boundaries>} b
 * @param {number} tMs
 * @returns {Stage}
 */
export function stageAt(b, tMs) {
  if (tMs >= b.final_at) return 'final';
  if (tMs >= b.late_at) return 'late';
  return tMs >= b.struggle_at ? 'struggle' : 'easy';
}

/**
 * @param {Cadence} cadence `announced` reads as `standard`: that is its ladder once a raise has ended the pattern
 * @param {Stage} stage
 */
function rowOf(cadence, stage) {
  return (cadence === 'close' ? CLOSE : STANDARD)[stage];
}

/**
 * @param {Cadence} cadence
 * @param {Readonly<Boundaries>} b
 * @param {number} tMs
 * @param {'every' | 'first' | 'second'} column
 */
function numberAt(cadence, b, tMs, column) {
  const stage = stageAt(b, tMs);
  const [from, to] = rowOf(cadence, stage)[column];
  // Late ends at final_at, which is never after glide_end, so the divisor is positive.
  return stage === 'late' ? from - Math.floor(((from - to) * (tMs - b.late_at)) / (b.glide_end - b.late_at)) : from;
}

/** How long after a proof the prompt comes, at instant `tMs`. @param {Cadence} cadence @param {Readonly<Boundaries>} b @param {number} tMs */
export const everyMs = (cadence, b, tMs) => numberAt(cadence, b, tMs, 'every');

/** How long after the prompt the second call comes, at instant `tMs`. @param {Cadence} cadence @param {Readonly<Boundaries>} b @param {number} tMs */
export const firstMs = (cadence, b, tMs) => numberAt(cadence, b, tMs, 'first');

/** How long after the second call the alarm comes, at instant `tMs`. @param {Cadence} cadence @param {Readonly<Boundaries>} b @param {number} tMs */
export const secondMs = (cadence, b, tMs) => numberAt(cadence, b, tMs, 'second');

/** What a check asks for at instant `tMs`. @param {Cadence} cadence @param {Readonly<Boundaries>} b @param {number} tMs */
export const asksAt = (cadence, b, tMs) => rowOf(cadence, stageAt(b, tMs)).asks;

/**
 * The first tap of the announced pattern that lies after `afterMs`.
 * @param {number} plannedMs planned time, more than 0
 * @param {number} afterMs
 */
export function nextTap(plannedMs, afterMs) {
  for (const t of [plannedMs - 60000, plannedMs - 30000, plannedMs]) {
    if (t > 0 && t > afterMs) return t;
  }
  return plannedMs + 15000 * (Math.floor((afterMs - plannedMs) / 15000) + 1);
}
