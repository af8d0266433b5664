// Facts for the tape out of a hold or a plan. Pure: no page, no clock.

import { marksOf } from '../app/log_marks.js';
import { tookMsOf } from '../rules/apply.js';
import { stateAt } from '../rules/fold.js';
import { comingChecks as rungsToCome, newChecks, prove, reachCheck } from '../rules/ladder.js';
import { seeThem, watchEnd, watchRungs } from '../rules/recovery.js';
import { timelineAt } from '../rules/status.js';
import { BREATH_MS } from '../sound/patterns.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../rules/fold.js').State} State */
/** @typedef {import('../rules/status.js').Status} Status */
/** @typedef {import('./tape.js').TapeModel} TapeModel */
/** @typedef {import('./tape.js').TapeMark} TapeMark */
/** @typedef {import('../rules/plan.js').Plan} Plan */

/**
 * Where the stages begin, ms since the start, as a status tells it.
 * @typedef {object} StageTimes
 * @property {number} struggle_at_ms
 * @property {number} late_at_ms
 * @property {number} final_at_ms
 * @property {number} end_at_ms
 */

/** Notches are worked out this far ahead of now on a moving tape: more than any screen shows. */
const AHEAD_MS = 240_000;

/**
 * Where the late stage's numbers, and with them its hatch, are closest: the smaller of planned time and longest clean hold.
 * @param {Plan} plan
 */
export function glideEnd(plan) {
  return Math.min(plan.planned_s * 1000, plan.longest_s === null ? Infinity : plan.longest_s * 1000);
}

/**
 * The prompts to come if every one of them is answered at once.
 * @param {import('../rules/ladder.js').Rules} rules
 * @param {import('../rules/ladder.js').Checks} from is not changed
 * @param {number} untilMs
 */
function promptsToCome(rules, from, untilMs) {
  const checks = { ...from };
  if (checks.prompt) prove(rules, checks, checks.prompt.t, checks.prompt.asks === 'tap');
  /** @type {number[]} */
  const times = [];
  for (;;) {
    const prompt = rungsToCome(rules, checks).find((due) => due.rung === 'prompt');
    if (!prompt || prompt.t > untilMs) return times;
    times.push(prompt.t);
    reachCheck(checks, prompt);
    prove(rules, checks, prompt.t, prompt.asks === 'tap');
  }
}

/**
 * Where the checks of a plan fall if every one of them is answered at once: the notches of the plan sheet's tape.
 * @param {Plan} plan
 * @param {StageTimes} boundaries
 * @param {number} untilMs
 * @returns {number[]} ms since the start, ascending
 */
export function comingChecks(plan, boundaries, untilMs) {
  if (plan.planned_s === 0) return [];
  const bounds = {
    struggle_at: boundaries.struggle_at_ms, late_at: boundaries.late_at_ms, final_at: boundaries.final_at_ms,
    end_at: boundaries.end_at_ms, glide_end: glideEnd(plan),
  };
  return promptsToCome({ plan, bounds }, newChecks(), untilMs);
}

/**
 * The still tape of the plan sheet: the whole hold up to its planned time, with every check that is to come.
 * @param {Plan} plan
 * @param {StageTimes} boundaries
 * @returns {TapeModel}
 */
export function planTape(plan, boundaries) {
  const total = plan.planned_s * 1000;
  return {
    now_ms: null, total_ms: total, boundaries, glide_end_ms: glideEnd(plan), stages_to_ms: null, marks: [],
    coming: comingChecks(plan, boundaries, total),
  };
}

/** @type {Record<string, TapeMark['mark']>} kinds that leave a mark of the same meaning */
const MARK_OF = {
  answered: 'tap', look: 'look', contraction: 'contraction', sign: 'sign', surfaced: 'surfaced', ok: 'ok', 'no-answer': 'no-answer',
  incident: 'incident', recovered: 'recovered',
};

/**
 * What happened, for the tape: each mark where its last amendment has put it, withdrawn ones left out.
 * @param {Hold} hold
 * @param {State} state of the hold at `atMs`
 * @param {number} zeroAt shared ms of the tape's zero
 * @param {number} atMs shared ms
 * @returns {TapeMark[]}
 */
export function tapeMarks(hold, state, zeroAt, atMs) {
  const answers = new Map(state.answers.map((a) => [a.id, a]));
  /** @type {TapeMark[]} */
  const marks = [];
  for (const mark of marksOf(hold, zeroAt, atMs)) {
    const shape = MARK_OF[mark.kind];
    if (!shape || mark.gone || mark.at > atMs) continue;
    if (shape !== 'tap') {
      marks.push({ at_ms: mark.now_ms, mark: shape });
      continue;
    }
    // An answer that proved nothing, as a stray touch on the diver's phone, is no answer on the tape either.
    const answer = answers.get(mark.id);
    if (answer) {
      const late = answer.after === 'again' || answer.after === 'alarm';
      const event = hold.byId.get(mark.id);
      marks.push({ at_ms: mark.now_ms, mark: late ? 'tap-again' : 'tap', took_ms: event ? tookMsOf(event) : null });
    }
  }
  return marks;
}

/**
 * Checks that went on to the alarm: they stay holes in the tape's edge.
 * @param {Hold} hold
 * @param {State} state
 * @param {number} atMs
 * @returns {number[]} ms since the start
 */
function missedChecks(hold, state, atMs) {
  /** @type {number[]} */
  const missed = [];
  let prompt = null;
  for (const rung of timelineAt(hold, atMs)) {
    if (rung.since !== 'start' || (rung.asks !== 'look' && rung.asks !== 'tap')) continue;
    if (rung.rung === 'prompt') prompt = rung.at_ms;
    else if (rung.rung === 'alarm' && prompt !== null) missed.push(prompt);
  }
  const standing = state.watch ? null : state.checks.prompt;
  return standing ? [...missed, standing.t] : missed;
}

/**
 * What follows a standing rung if nothing happens, ms since `zeroAt`: the second call of its own ladder, and the first
 * alarm of any.
 * @param {Status} status
 * @param {number} zeroAt
 */
function fuseOf({ standing, next_abs }, zeroAt) {
  if (standing === null || standing.rung === 'alarm') return null;
  const up = standing.asks === 'up';
  const again = standing.rung === 'prompt' ? next_abs.find((r) => r.rung === 'again' && (r.asks === 'up') === up) : undefined;
  const alarm = next_abs.find((r) => r.rung === 'alarm');
  return { again_ms: again ? again.at - zeroAt : null, alarm_ms: alarm ? alarm.at - zeroAt : null };
}

/**
 * The tape of a hold. On the live page it runs on; `still` gives the whole of it, cut at the end of the watch, for the
 * debrief and the log.
 * @param {Hold} hold
 * @param {Status} status of the hold at `atMs`
 * @param {number} atMs shared ms
 * @param {{still?: boolean}} [how]
 * @returns {TapeModel}
 */
export function holdTape(hold, status, atMs, { still = false } = {}) {
  const zeroAt = status.start_at ?? status.zero_at ?? atMs;
  const state = stateAt(hold, atMs);
  const now = atMs - zeroAt;
  const inHold = status.phase === 'hold';
  const ended = status.surfaced_at ?? status.incident?.at ?? null;
  const { plan } = state;
  const marks = tapeMarks(hold, state, zeroAt, atMs);
  if (state.planned && !still) {
    marks.push({ at_ms: plan.planned_s * 1000, mark: 'plan' }, { at_ms: plan.end_by_s * 1000, mark: 'end' });
  }
  const cut = status.over_at ?? status.watch_end_at ?? null;
  const totalMs = still ? (cut ?? atMs) - zeroAt : cut === null ? null : cut - zeroAt;
  return {
    now_ms: still ? null : now,
    total_ms: totalMs,
    boundaries: status.boundaries,
    glide_end_ms: state.planned ? glideEnd(plan) : null,
    stages_to_ms: ended === null ? (still ? totalMs : null) : ended - zeroAt,
    marks,
    coming: inHold && !still && state.start !== null && status.standing?.rung !== 'alarm' ? promptsToCome(state, state.checks, now + AHEAD_MS) : [],
    holes: missedChecks(hold, state, atMs),
    fuse: inHold && !still ? fuseOf(status, zeroAt) : null,
    asked_ms: inHold && !still && status.asked_at !== null ? status.asked_at - zeroAt : null,
  };
}

/**
 * The tape after surfacing, or of the watch after an incident: its zero is that instant.
 * @param {Hold} hold
 * @param {Status} status of the hold at `atMs`
 * @param {number} atMs shared ms
 * @returns {TapeModel}
 */
export function recoveryTape(hold, status, atMs) {
  const state = stateAt(hold, atMs);
  const { watch, plan } = state;
  const zeroAt = watch?.base ?? status.surfaced_at ?? atMs;
  /** @type {TapeModel} */
  const model = {
    now_ms: atMs - zeroAt, total_ms: null, boundaries: null,
    marks: tapeMarks(hold, state, zeroAt, atMs).filter((m) => m.at_ms >= 0 && m.mark !== 'surfaced' && m.mark !== 'recovered'),
    coming: [], holes: [], fuse: fuseOf(status, zeroAt), breaths_to_ms: 0,
  };
  if (!watch || status.phase === 'incident') return model;
  model.total_ms = watchEnd(watch);
  const paced = watch.since === 'surfaced' && !watch.awake_due;
  model.breaths_to_ms = paced ? breathsEnd(plan.recovery_s) : 0;
  const ahead = { ...watch };
  const standing = status.prompt_at === null ? null : status.prompt_at - zeroAt;
  if (standing !== null) model.holes = [standing];
  if (ahead.seen === null) {
    if (!watch.awake_due && standing === null) model.coming = [Math.floor(watch.ok_within / 2)];
    return model;
  }
  if (standing !== null) seeThem(ahead, standing);
  for (let due = watchRungs(ahead)[0]; due; due = watchRungs(ahead)[0]) {
    model.coming?.push(due.t);
    seeThem(ahead, due.t);
  }
  return model;
}

/**
 * How long breaths are paced, in whole breaths, ms since surfacing: at least 30 s, whatever the plan says.
 * @param {number} recoveryS
 */
export function breathsEnd(recoveryS) {
  return Math.ceil(Math.max(30_000, recoveryS * 1000) / BREATH_MS.cycle) * BREATH_MS.cycle;
}

/**
 * The breath that runs `ms` after surfacing.
 * @param {number} ms
 * @returns {{n: number, word: 'in'|'keep'|'out', left_ms: number}} `n` counts from 1
 */
export function breathAt(ms) {
  const into = ms % BREATH_MS.cycle;
  const n = Math.floor(ms / BREATH_MS.cycle) + 1;
  if (into < BREATH_MS.in) return { n, word: 'in', left_ms: BREATH_MS.in - into };
  if (into < BREATH_MS.in + BREATH_MS.keep) return { n, word: 'keep', left_ms: BREATH_MS.in + BREATH_MS.keep - into };
  return { n, word: 'out', left_ms: BREATH_MS.cycle - into };
}
