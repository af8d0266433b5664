// After surfacing: AWAKE?, the OK sign, the looks of the watch and its end.
// All times are whole ms since surfacing, or since `recovered` in the watch after an incident.

/** @typedef {import('./ladder.js').Due} Due */

/**
 * @typedef {object} Watch
 * @property {'surfaced' | 'recovered'} since what its times count from
 * @property {number} base that instant, shared ms
 * @property {boolean} awake_due AWAKE? is not answered yet
 * @property {number} awake_at when it is asked
 * @property {number} awake_by without an answer by then an incident begins
 * @property {number} ok_within window of the OK sign
 * @property {number} lasts shortest length
 * @property {number | null} ok when the OK sign was given; 0 after an incident
 * @property {number | null} seen the newest look or OK since then
 */

/** Without a press that long after AWAKE? is asked, an incident begins, ms. */
export const AWAKE_MS = 5000;
const SHORT_WATCH_MS = 30000;
const AFTER_INCIDENT_MS = 60000;
const AFTER_OK_MS = 20000;
/** A look counts for those due up to this long after it; the second call and the alarm follow a look by once and twice this. */
const LOOK_MS = 4000;
const LOOKS = [8000, 15000, 22000, 30000, 45000, 60000];
const LATER_LOOKS_MS = 30000;

/**
 * @param {number} base shared ms
 * @param {Readonly<import('./plan.js').Plan>} plan
 * @param {{easy: boolean, alarm: boolean}} at did the diver surface in the easy stage, and under a standing alarm?
 * @returns {Watch}
 */
export function watchAfterSurfacing(base, plan, { easy, alarm }) {
  return {
    since: 'surfaced', base, awake_due: alarm, awake_at: 0, awake_by: AWAKE_MS, ok_within: plan.ok_within_s * 1000,
    lasts: easy && !alarm ? SHORT_WATCH_MS : plan.watch_s * 1000, ok: null, seen: null,
  };
}

/**
 * @param {number} base shared ms
 * @param {Readonly<import('./plan.js').Plan>} plan
 * @returns {Watch}
 */
export function watchAfterIncident(base, plan) {
  return {
    since: 'recovered', base, awake_due: false, awake_at: 0, awake_by: 0, ok_within: plan.ok_within_s * 1000,
    lasts: Math.max(plan.watch_s * 1000, AFTER_INCIDENT_MS), ok: 0, seen: 0,
  };
}

/**
 * Where the watch ends; before the OK sign, the earliest it can.
 * @param {Readonly<Watch>} w
 */
export function watchEnd(w) {
  return w.ok === null ? w.lasts : Math.max(w.lasts, w.ok + AFTER_OK_MS);
}

/**
 * The first look of the watch due after `x`, or null.
 * @param {number} x
 * @param {number} end
 */
function nextLook(x, end) {
  const last = LOOKS[LOOKS.length - 1];
  const listed = LOOKS.find((look) => look > x) ?? last + LATER_LOOKS_MS * (Math.floor((x - last) / LATER_LOOKS_MS) + 1);
  if (listed <= end) return listed;
  return end > x ? end : null;
}

/**
 * The rungs of the state it is in, reached or to come if nothing happens, in order of time.
 * @param {Readonly<Watch>} w
 * @returns {Due[]}
 */
export function watchRungs(w) {
  if (w.awake_due) {
    return [
      { rung: 'prompt', asks: 'awake', t: w.awake_at },
      { rung: 'alarm', asks: 'help', t: w.awake_by },
    ];
  }
  if (w.seen === null) {
    return [
      { rung: 'prompt', asks: 'ok', t: Math.floor(w.ok_within / 2) },
      { rung: 'again', asks: 'ok', t: Math.floor((w.ok_within * 3) / 4) },
      { rung: 'alarm', asks: 'ok', t: w.ok_within },
    ];
  }
  const due = nextLook(w.seen + LOOK_MS, watchEnd(w));
  if (due === null) return [];
  return [
    { rung: 'prompt', asks: 'look', t: due },
    { rung: 'again', asks: 'look', t: due + LOOK_MS },
    { rung: 'alarm', asks: 'look', t: due + 2 * LOOK_MS },
  ];
}

/**
 * Something grave is told at `x`, before the OK sign: AWAKE? is asked, and no alarm comes later for it than without.
 * @param {Watch} w
 * @param {number} x
 * @param {Readonly<import('./plan.js').Plan>} plan
 */
export function askAwake(w, x, plan) {
  if (w.ok !== null || w.awake_due) return;
  w.awake_due = true;
  w.awake_at = x;
  w.awake_by = Math.max(x, Math.min(x + AWAKE_MS, w.ok_within));
  w.lasts = plan.watch_s * 1000;
}

/**
 * `awake` at `x`. Gives the rungs of the OK sign that lay in the time of AWAKE?: they are reached with it.
 * @param {Watch} w
 * @param {number} x
 */
export function sayAwake(w, x) {
  if (!w.awake_due) return [];
  w.awake_due = false;
  return watchRungs(w).filter(({ t }) => t >= w.awake_at && t < x);
}

/**
 * The OK sign at `x`. A second one acts as a look.
 * @param {Watch} w
 * @param {number} x
 */
export function giveOk(w, x) {
  w.awake_due = false;
  w.ok ??= x;
  w.seen = x;
}

/**
 * A look at `x`; before the OK sign it is not asked for and meets nothing.
 * @param {Watch} w
 * @param {number} x
 */
export function seeThem(w, x) {
  if (w.ok !== null) w.seen = x;
}

/**
 * Is the end of the watch locked at `x`?
 * @param {Readonly<Watch>} w
 * @param {number} x
 * @param {boolean} rungStands
 */
export function watchLocked(w, x, rungStands) {
  return w.ok === null || rungStands || x < watchEnd(w);
}
