// A hold in numbers, as its log tells it: amendments count here, unlike in the ladder.

import { compareEvents, wholeIn, wordOf } from './event.js';
import { tookMsOf } from './apply.js';
import { dropped, rungsReached, stateAt } from './fold.js';
import { READING_LIMITS } from './readings.js';

/** @typedef {import('./fold.js').Hold} Hold */
/** @typedef {import('./apply.js').Rung} Rung */
/** @typedef {import('./event.js').HoldEvent} HoldEvent */

/**
 * Whole ms since the start unless it says otherwise, shares in tenths of a percent; null is unknown.
 * @typedef {object} Summary
 * @property {number | null} hold_ms start to surfacing, or to `recovered` where that came without
 * @property {number | null} first_contraction_ms
 * @property {string | null} first_contraction_site
 * @property {number | null} easy_ms start to first contraction
 * @property {number | null} struggle_ms first contraction to surfacing
 * @property {number | null} easy_permille
 * @property {number | null} struggle_permille
 * @property {number} contractions
 * @property {{from_ms: number, to_ms: number, count: number}[]} contraction_rates by half minute, from the first contraction on
 * @property {{at_ms: number, took_ms: number | null, after: Rung['rung'] | null}[]} answers `after`: the highest rung of
 *   the checks it came after
 * @property {number | null} answer_median_ms
 * @property {number | null} answer_slowest_ms
 * @property {number | null} answer_trend_ms_per_min Theil–Sen: the median slope of all pairs of answers
 * @property {number | null} longest_silence_ms as the ladder saw it
 * @property {{prompt: number, again: number, alarm: number}} rungs_reached
 * @property {number} rungs_missed prompts that nobody met before the second call or the alarm
 * @property {number | null} ok_ms since surfacing
 * @property {number | null} spo2_lowest percent
 * @property {number | null} spo2_lowest_ms relative to surfacing
 * @property {number | null} hr_lowest beats a minute
 * @property {number | null} hr_lowest_ms relative to surfacing
 * @property {number | null} back_to_95_ms since surfacing
 * @property {{what: string, at_ms: number}[]} signs
 * @property {string | null} incident
 * @property {string | null} verdict
 * @property {boolean} forced_end
 * @property {boolean} clean said to be clean, without an incident, with the OK in time
 */

/** An event with the time its log gives it. @typedef {{event: HoldEvent, at: number}} Entry */

export const SITES = /** @type {const} */ (['belly', 'chest', 'throat']);
export const SIGNS = /** @type {const} */ (['tense', 'blue', 'shaking', 'air', 'limp']);
const VERDICTS = /** @type {const} */ (['clean', 'shaky', 'passed-out']);
const WHATS = /** @type {const} */ (['lmc', 'blackout', 'unknown']);
/** From this on the oxygen is back, percent. */
const SPO2_BACK = 95;
/** Width of a bar of the contraction rate, and where the bars end, so that a wrong time never makes millions. */
const BAR_MS = 30000;
const BARS_END_MS = 3600000;
/** The trend is drawn through so many of the newest answers: its cost grows with the square. */
const TREND_ANSWERS = 500;

/**
 * The events as they count for the log at `atMs`: what was withdrawn left out, what was moved at its new time, in order.
 * Amendments themselves are not among them.
 * @param {Hold} hold
 * @param {number} atMs shared ms
 * @returns {Entry[]}
 */
export function effectiveEvents(hold, atMs) {
  /** @type {Map<unknown, HoldEvent>} */
  const amendments = new Map();
  for (const e of hold.events) {
    if (e.kind === 'amend' && e.at <= atMs) amendments.set(e.data?.target, e);
  }
  /** @type {Entry[]} */
  const entries = [];
  for (const event of hold.events) {
    if (event.kind === 'amend' || (event.at > atMs && event.kind !== 'start') || dropped(hold, event, atMs)) continue;
    const amended = amendments.get(event.id)?.data;
    if (amended?.drop === true) continue;
    entries.push({ event, at: wholeIn(amended?.at, -Number.MAX_SAFE_INTEGER) ?? event.at });
  }
  return entries.sort((a, b) => compareEvents({ ...a.event, at: a.at }, { ...b.event, at: b.at }));
}

/**
 * @param {Hold} hold
 * @param {number} atMs shared ms
 * @returns {Summary}
 */
export function summarize(hold, atMs) {
  const s = stateAt(hold, atMs);
  const entries = effectiveEvents(hold, atMs);
  const span = spanOf(entries);
  const { start, end, surfaced } = span;
  const inHold = start === null ? [] : entries.filter((e) => e.at >= start && e.at <= end);
  const since = start ?? 0;
  const incident = incidentOf(entries, start, s.awake_missed);
  const verdict = entries.reduce(
    (said, { event }) => (event.kind === 'verdict' && wordOf(event.data?.what, VERDICTS)) || said,
    /** @type {string | null} */ (null));
  const okMs = surfaced === null ? null : okOf(entries, surfaced);
  const running = s.start !== null && s.start <= atMs;
  const silence = running && !s.watch && !s.incident ? atMs - /** @type {number} */ (s.start) - s.checks.proof : 0;
  return {
    hold_ms: start === null || end === Infinity ? null : end - start,
    ...contractionsOf(inHold, since, end),
    ...answersOf(inHold, since, new Map([...s.answers, ...s.touches].map((a) => [a.id, a.after]))),
    longest_silence_ms: running && start !== null ? Math.max(s.longest_silence, silence) : null,
    ...rungsOf(rungsReached(hold, atMs)),
    ok_ms: okMs,
    ...readingsOf(start === null ? [] : entries.filter((e) => e.at >= start), surfaced),
    signs: inHold.flatMap(({ event, at }) => {
      const what = event.kind === 'sign' ? wordOf(event.data?.what, SIGNS) : null;
      return what ? [{ what, at_ms: at - since }] : [];
    }),
    incident,
    verdict,
    forced_end: s.forced_end,
    clean: verdict === 'clean' && incident === null && okMs !== null && okMs <= s.plan.ok_within_s * 1000,
  };
}

/**
 * Start, end of the hold (Infinity where it is not over) and surfacing, shared ms.
 * @param {Entry[]} entries
 */
export function spanOf(entries) {
  /** @type {number | null} */
  let start = null;
  /** @type {number | null} */
  let surfaced = null;
  let end = Infinity;
  let incident = false;
  for (const { event, at } of entries) {
    if (start === null) {
      if (event.kind === 'start') start = at;
    } else if (event.kind === 'incident') {
      incident = true;
    } else if (event.by === 'buddy' && surfaced === null && (event.kind === 'surfaced' || (event.kind === 'recovered' && incident))) {
      if (event.kind === 'surfaced') surfaced = at;
      end = Math.min(end, at);
    }
  }
  return { start, surfaced, end };
}

/**
 * @param {Entry[]} inHold
 * @param {number} start
 * @param {number} end
 */
function contractionsOf(inHold, start, end) {
  const marks = inHold.filter(({ event: { kind, by, data } }) =>
    kind === 'contraction' && (data?.signalled !== true || by === 'buddy' || by === 'diver'));
  const times = marks.map((e) => e.at - start);
  const hold = end - start;
  const known = times.length > 0 && end !== Infinity;
  const easy = known ? times[0] : null;
  const easyShare = easy !== null && hold > 0 ? Math.floor((easy * 2000 + hold) / (2 * hold)) : null;
  /** @type {Summary['contraction_rates']} */
  const bars = [];
  if (easy !== null) {
    for (let from = easy - (easy % BAR_MS); from < Math.min(hold, BARS_END_MS); from += BAR_MS) {
      const to = Math.min(from + BAR_MS, hold);
      const count = times.filter((t) => t >= from && (t < to || (t === hold && to === hold))).length;
      bars.push({ from_ms: from, to_ms: to, count });
    }
  }
  return {
    first_contraction_ms: times[0] ?? null,
    first_contraction_site: wordOf(marks[0]?.event.data?.site, SITES),
    easy_ms: easy,
    struggle_ms: easy === null ? null : hold - easy,
    easy_permille: easyShare,
    struggle_permille: easyShare === null ? null : 1000 - easyShare,
    contractions: times.length,
    contraction_rates: bars,
  };
}

/**
 * @param {Entry[]} inHold
 * @param {number} start
 * @param {Map<string, Rung['rung'] | null>} afterOf
 */
function answersOf(inHold, start, afterOf) {
  const answers = inHold
    .filter(({ event: { kind, by } }) => kind === 'answered' && (by === 'buddy' || by === 'diver'))
    .map(({ event, at }) => ({
      at_ms: at - start, took_ms: tookMsOf(event), after: afterOf.get(event.id) ?? null,
    }));
  const timed = answers.flatMap((a) => (a.took_ms === null ? [] : [{ at: a.at_ms, took: a.took_ms }]));
  const took = timed.map((a) => a.took);
  return {
    answers,
    answer_median_ms: median(took),
    answer_slowest_ms: took.length > 0 ? took.reduce((a, b) => Math.max(a, b)) : null,
    answer_trend_ms_per_min: trendPerMinute(timed.slice(-TREND_ANSWERS)),
  };
}

/**
 * The middle value; of an even count, the mean of the middle two, rounded down. Null of none.
 * @param {number[]} values
 */
function median(values) {
  if (values.length === 0) return null;
  const sorted = values.slice().sort((a, b) => a - b);
  const half = sorted.length >> 1;
  return sorted.length % 2 === 1 ? sorted[half] : Math.floor((sorted[half - 1] + sorted[half]) / 2);
}

/**
 * Each slope is rounded down to whole ms a minute. Null under three answers or where all came at one instant.
 * @param {{at: number, took: number}[]} answers in order of time
 */
function trendPerMinute(answers) {
  if (answers.length < 3) return null;
  const slopes = [];
  for (let i = 0; i < answers.length; i++) {
    for (let j = i + 1; j < answers.length; j++) {
      const ms = answers[j].at - answers[i].at;
      if (ms > 0) slopes.push(Math.floor(((answers[j].took - answers[i].took) * 60000) / ms));
    }
  }
  return median(slopes);
}

/** @param {Rung[]} rungs */
function rungsOf(rungs) {
  const reached = { prompt: 0, again: 0, alarm: 0 };
  let missed = 0;
  // A hold has two ladders at once; what a rung asks tells which it belongs to.
  const open = { up: false, check: false };
  for (const { rung, asks } of rungs) {
    const ladder = asks === 'up' ? 'up' : 'check';
    reached[rung]++;
    if (rung === 'prompt') open[ladder] = true;
    else if (open[ladder] && asks !== 'help') {
      missed++;
      open[ladder] = false;
    }
  }
  return { rungs_reached: reached, rungs_missed: missed };
}

/**
 * @param {Entry[]} entries
 * @param {number} surfaced
 */
function okOf(entries, surfaced) {
  const ok = entries.find(({ event, at }) => event.kind === 'ok' && event.by === 'buddy' && at >= surfaced);
  return ok ? ok.at - surfaced : null;
}

/**
 * The last word on the incident, one that began by itself among them.
 * @param {Entry[]} entries
 * @param {number | null} start
 * @param {boolean} awakeMissed
 */
function incidentOf(entries, start, awakeMissed) {
  /** @type {string | null} */
  let what = awakeMissed ? 'unknown' : null;
  if (start === null) return what;
  for (const { event, at } of entries) {
    if (event.kind === 'incident' && at >= start) what = wordOf(event.data?.what, WHATS) ?? 'unknown';
  }
  return what;
}

/**
 * @param {Entry[]} entries those since the start
 * @param {number | null} surfaced
 */
function readingsOf(entries, surfaced) {
  /** @type {{value: number, ms: number | null} | null} */
  let spo2Lowest = null;
  /** @type {{value: number, ms: number | null} | null} */
  let hrLowest = null;
  /** @type {number | null} */
  let back = null;
  let dipped = false;
  for (const { event, at } of entries) {
    if (event.kind !== 'reading') continue;
    const spo2 = wholeIn(event.data?.spo2, ...READING_LIMITS.spo2);
    const hr = wholeIn(event.data?.hr, ...READING_LIMITS.hr);
    const ms = surfaced === null ? null : at - surfaced;
    if (spo2 !== null && (spo2Lowest === null || spo2 < spo2Lowest.value)) spo2Lowest = { value: spo2, ms };
    if (hr !== null && (hrLowest === null || hr < hrLowest.value)) hrLowest = { value: hr, ms };
    if (spo2 === null || ms === null) continue;
    if (spo2 < SPO2_BACK) {
      // Finger readings lag: a later low value means they were not back yet.
      dipped = true;
      back = null;
    } else if (dipped && ms >= 0) back ??= ms;
  }
  return {
    spo2_lowest: spo2Lowest?.value ?? null,
    spo2_lowest_ms: spo2Lowest?.ms ?? null,
    hr_lowest: hrLowest?.value ?? null,
    hr_lowest_ms: hrLowest?.ms ?? null,
    back_to_95_ms: back,
  };
}
