// The two ladders of a hold: the checks, which a silence climbs, and "bring them up" beside them.
// All times are whole ms since the start.

import { LONGEST, PATTERN, asksAt, everyMs, firstMs, nextTap, secondMs, stageAt } from './cadence.js';

/** @typedef {import('./cadence.js').Boundaries} Boundaries */
/** @typedef {import('./plan.js').Plan} Plan */
/** @typedef {'look' | 'tap' | 'up' | 'ok' | 'awake' | 'help'} Asks */

/**
 * A rung, with the time it was or will be reached.
 * @typedef {{rung: 'prompt' | 'again' | 'alarm', asks: Asks, t: number}} Due
 */

/**
 * Where the checks stand. The rungs are those already reached in this ladder.
 * @typedef {object} Checks
 * @property {number} proof the last proof
 * @property {number | null} answer the last answer that was a proof
 * @property {number} asks how often the buddy has asked in this silence
 * @property {number | null} asked when the buddy last asked in this silence
 * @property {number | null} last_asked when the buddy last asked in this hold
 * @property {boolean} touch_spent the diver's unasked touch is used up
 * @property {Due | null} prompt
 * @property {Due | null} again
 * @property {Due | null} alarm
 * @property {number | null} look_alarm alarm of the look ladder that a listed tap has replaced
 * @property {number | null} raised the first raise, which ends an announced pattern
 * @property {number} latest_prompt where it ended one in this silence, when that would have brought its next prompt; else Infinity
 * @property {number} latest_alarm and its alarm
 */

/**
 * What the checks follow: the plan and the boundaries as they lie now.
 * @typedef {{plan: Readonly<Plan>, bounds: Readonly<Boundaries>}} Rules
 */

/** @returns {Checks} checks at the start, which is itself a proof */
export function newChecks() {
  return {
    proof: 0, answer: null, asks: 0, asked: null, last_asked: null, touch_spent: false,
    prompt: null, again: null, alarm: null, look_alarm: null, raised: null,
    latest_prompt: Infinity, latest_alarm: Infinity,
  };
}

/**
 * The smallest whole t in [lo, hi] where the condition holds. It must be true at `hi` and, once true, stay true.
 * @param {number} lo
 * @param {number} hi
 * @param {(t: number) => boolean} holds
 */
export function smallest(lo, hi, holds) {
  // Bisects the distance from `lo`, which stays small and whole even where an absurd time of an event does not.
  let least = 0;
  let most = hi - lo;
  while (least < most) {
    const middle = Math.floor((least + most) / 2);
    if (holds(lo + middle)) most = middle;
    else least = middle + 1;
  }
  return lo + least;
}

/**
 * Does the announced pattern hold: announced cadence, and no raise has come?
 * @param {Rules} rules
 * @param {Checks} c
 */
function patternHolds(rules, c) {
  return rules.plan.cadence === 'announced' && c.raised === null;
}

/**
 * The rungs of the checks still to come if nothing happens, in order of time.
 * @param {Rules} rules
 * @param {Checks} c
 * @returns {Due[]}
 */
export function comingChecks(rules, c) {
  if (c.alarm) return [];
  return patternHolds(rules, c) ? comingPattern(rules, c) : comingStandard(rules, c);
}

/**
 * @param {Rules} rules
 * @param {Checks} c
 * @returns {Due[]}
 */
function comingStandard({ plan, bounds }, c) {
  // What an announced pattern did not reach before its end comes no earlier than that end.
  const floor = c.raised !== null && plan.cadence === 'announced' ? c.raised : 0;
  /**
   * @param {number} from @param {number} most the condition is true that long after `from` @param {(t: number) => boolean} holds
   */
  const reach = (from, most, holds) => smallest(Math.max(from, floor), Math.max(from + most, floor), holds);
  const { cadence } = plan;
  const first = (/** @type {number} */ t) => firstMs(cadence, bounds, t);

  const promptAt = c.prompt?.t ?? Math.min(c.latest_prompt, reach(c.proof, LONGEST.every_ms, (t) => t - c.proof >= everyMs(cadence, bounds, t)));
  const from = Math.max(promptAt, c.last_asked ?? promptAt);
  const againAt = reach(from, LONGEST.first_ms, (t) => t - from >= first(t));
  const alarmAt = Math.min(c.latest_alarm, reach(promptAt, LONGEST.first_ms + LONGEST.second_ms,
    (t) => t - promptAt >= first(t) + secondMs(cadence, bounds, t)));

  /** @type {Due[]} */
  const due = [];
  if (!c.prompt) due.push({ rung: 'prompt', asks: asksAt(cadence, bounds, promptAt), t: promptAt });
  if (!c.again && againAt < alarmAt) due.push({ rung: 'again', asks: asksAt(cadence, bounds, againAt), t: againAt });
  due.push({ rung: 'alarm', asks: 'tap', t: alarmAt });
  return due;
}

/**
 * The announced pattern: looks until the first listed time, then the listed taps.
 * @param {Rules} rules
 * @param {Checks} c
 * @returns {Due[]}
 */
function comingPattern({ plan }, c) {
  const planned = plan.planned_s * 1000;
  const { look, tap } = PATTERN;
  /** @type {Due[]} */
  const due = [];
  let lookAlarm = c.look_alarm ?? Infinity;
  let tapAt = c.prompt?.t ?? 0;

  if (c.prompt?.asks !== 'tap') {
    tapAt = nextTap(planned, c.answer === null ? -Infinity : c.answer + tap.early_ms);
    const lookAt = c.prompt?.t ?? c.proof + look.every_ms;
    if (lookAt < nextTap(planned, 0)) {
      lookAlarm = lookAt + look.first_ms + look.second_ms;
      const againAt = Math.max(lookAt, c.last_asked ?? lookAt) + look.first_ms;
      if (!c.prompt) due.push({ rung: 'prompt', asks: 'look', t: lookAt });
      if (!c.again && againAt < Math.min(lookAlarm, tapAt)) due.push({ rung: 'again', asks: 'look', t: againAt });
      if (lookAlarm <= tapAt) {
        due.push({ rung: 'alarm', asks: 'tap', t: lookAlarm });
        return due;
      }
    }
    due.push({ rung: 'prompt', asks: 'tap', t: tapAt });
  }
  const tapAgainAt = Math.max(tapAt, c.last_asked ?? tapAt) + tap.first_ms;
  const alarmAt = Math.min(lookAlarm, tapAt + tap.first_ms + tap.second_ms);
  const tapAgainReached = c.prompt?.asks === 'tap' && c.again !== null;
  if (!tapAgainReached && tapAgainAt < alarmAt) due.push({ rung: 'again', asks: 'tap', t: tapAgainAt });
  due.push({ rung: 'alarm', asks: 'tap', t: alarmAt });
  return due;
}

/**
 * A raise at `t`. The first one ends an announced pattern, and puts neither the prompt nor the alarm of this silence off.
 * @param {Rules} rules
 * @param {Checks} c
 * @param {number} t
 */
export function endPattern(rules, c, t) {
  if (patternHolds(rules, c)) {
    const would = comingChecks(rules, c);
    c.latest_prompt = would.find((due) => due.rung === 'prompt')?.t ?? Infinity;
    c.latest_alarm = would.find((due) => due.rung === 'alarm')?.t ?? Infinity;
  }
  c.raised ??= t;
}

/**
 * Notes that a rung of the checks has been reached. A second prompt is a listed tap replacing a running look ladder.
 * @param {Checks} c
 * @param {Due} due
 */
export function reachCheck(c, due) {
  if (due.rung === 'prompt' && c.prompt) {
    c.look_alarm = c.prompt.t + PATTERN.look.first_ms + PATTERN.look.second_ms;
    c.again = null;
  }
  c[due.rung] = due;
}

/**
 * The highest rung of the checks reached and not lifted.
 * @param {Checks} c
 */
export function standingCheck(c) {
  return c.alarm ?? c.again ?? c.prompt;
}

/**
 * A proof at `t`: a new silence begins, and with it a new ladder.
 * @param {Rules} rules
 * @param {Checks} c
 * @param {number} t
 * @param {boolean} isAnswer answers meet the taps of an announced pattern, other proofs do not
 */
export function prove(rules, c, t, isAnswer) {
  c.proof = t;
  c.asks = 0;
  c.asked = null;
  if (isAnswer) c.answer = t;
  else if (patternHolds(rules, c) && c.prompt?.asks === 'tap') return;
  c.prompt = null;
  c.again = null;
  c.alarm = null;
  c.look_alarm = null;
  c.latest_prompt = Infinity;
  c.latest_alarm = Infinity;
}

/**
 * Would a buddy's look at `t` be a proof, no alarm standing?
 * @param {Rules} rules
 * @param {Checks} c
 * @param {number} t
 */
export function lookProves(rules, c, t) {
  return patternHolds(rules, c) ? t < nextTap(rules.plan.planned_s * 1000, 0) : stageAt(rules.bounds, t) === 'easy';
}

/** How long after the buddy's `asked` a touch on the diver's phone still answers it, ms. */
export const TOUCH_MS = 10000;

/**
 * Would a touch on the diver's phone at `t` be a proof, no alarm standing? `asked` where it answers the buddy,
 * `unasked` where it is the one free touch of the easy stage.
 * @param {Rules} rules
 * @param {Checks} c
 * @param {number} t
 * @returns {'asked' | 'unasked' | null}
 */
export function touchProves({ plan, bounds }, c, t) {
  if (plan.setting !== 'dry') return null;
  if (c.asked !== null && t - c.asked <= TOUCH_MS) return 'asked';
  return stageAt(bounds, t) === 'easy' && !c.touch_spent ? 'unasked' : null;
}

/**
 * "Bring them up": the earliest prompt, again and alarm of all its causes, reached or to come.
 * @typedef {{prompt: number, again: number, alarm: number}} BringUp
 */

/** From a cause that may be followed by hand to each rung, ms. */
export const UP_AFTER_MS = Object.freeze({ prompt: 0, again: 4000, alarm: 8000 });

/**
 * @param {number} endAt the agreed end
 * @returns {BringUp}
 */
export function newBringUp(endAt) {
  return { prompt: endAt, again: endAt + UP_AFTER_MS.again, alarm: endAt + UP_AFTER_MS.alarm };
}

/**
 * Somebody ended the hold at `t`.
 * @param {BringUp} up
 * @param {number} t
 */
export function endHold(up, t) {
  up.prompt = Math.min(up.prompt, t);
  up.again = Math.min(up.again, t + UP_AFTER_MS.again);
  up.alarm = Math.min(up.alarm, t + UP_AFTER_MS.alarm);
}

/**
 * A cause that is the alarm at once.
 * @param {BringUp} up
 * @param {number} t
 */
export function upAtOnce(up, t) {
  up.alarm = Math.min(up.alarm, t);
}

/**
 * All rungs of "bring them up", reached or to come, in order of time.
 * @param {Readonly<BringUp>} up
 * @returns {Due[]}
 */
export function bringUpRungs(up) {
  /** @type {Due[]} */
  const rungs = [];
  for (const rung of /** @type {const} */ (['prompt', 'again'])) {
    if (up[rung] < up.alarm) rungs.push({ rung, asks: 'up', t: up[rung] });
  }
  rungs.push({ rung: 'alarm', asks: 'up', t: up.alarm });
  return rungs;
}
