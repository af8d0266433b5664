// A hold as one line of the log: flat and small, so that what is said over thousands of holds never folds them again.

import { dropped, MISPRESS_MS } from './fold.js';
import { nameKey, samePerson, wordsIn } from './people.js';
import { statusAt } from './status.js';
import { effectiveEvents, summarize } from './summary.js';
import { wholeIn } from './event.js';

/** @typedef {import('./fold.js').Hold} Hold */
/** @typedef {import('./people.js').Person} Person */
/** @typedef {import('./summary.js').Entry} Entry */

/**
 * Where days begin. `dayOf` counts days so that the next day has the next number; `dayEnd` is the shared ms at which it ends.
 * @typedef {{dayOf: (ms: number) => number, dayEnd: (ms: number) => number}} Zone
 */

/**
 * Times in `_ms` are since the start or, after surfacing, since surfacing (as in the summary); times in `_at` are shared ms.
 * @typedef {object} LogHold
 * @property {number} v version of this shape
 * @property {string} hold
 * @property {number} events how many it was made from
 * @property {number} start_at
 * @property {number} day
 * @property {number} day_end_at
 * @property {number | null} end_at surfaced, or an incident ended without that
 * @property {boolean} over
 * @property {'dry' | 'pool' | null} setting
 * @property {string} diver
 * @property {string} diver_key
 * @property {string | null} diver_id
 * @property {string} buddy
 * @property {string} buddy_key
 * @property {string | null} buddy_id
 * @property {string | null} series
 * @property {number | null} series_no
 * @property {number | null} planned_s
 * @property {number | null} end_by_s
 * @property {number | null} longest_s
 * @property {number | null} hold_ms
 * @property {number | null} first_contraction_ms
 * @property {string | null} first_contraction_site
 * @property {number | null} easy_permille
 * @property {number} answers
 * @property {number | null} answer_median_ms
 * @property {number | null} answer_slowest_ms
 * @property {number | null} ok_ms
 * @property {number | null} spo2_lowest
 * @property {number | null} spo2_lowest_ms
 * @property {number | null} hr_lowest
 * @property {number | null} hr_lowest_ms
 * @property {number | null} back_to_95_ms
 * @property {boolean} clean
 * @property {'clean' | 'shaky' | 'passed-out' | null} verdict
 * @property {boolean} passed_out it was said and stood longer than a mis-press does, whatever was said later
 * @property {'lmc' | 'blackout' | 'unknown' | null} incident the gravest that was named
 * @property {number | null} incident_at when one was named last
 * @property {string[]} conditions
 * @property {string[]} felt
 * @property {number | null} training_days
 */

/** Version of the shape of a LogHold, and of the rules that make it: kept ones of another are made anew. */
export const LOG_VERSION = 1;
/** From light to grave. */
const GRAVE = /** @type {const} */ (['unknown', 'lmc', 'blackout']);
/** Most training days in a row that a note may tell of. */
const TRAINING_DAYS_MAX = 60;
const DAY_MS = 86_400_000;

/**
 * A zone that is so many minutes from UTC all year.
 * @param {number} offsetMin
 * @returns {Zone}
 */
export function zoneOf(offsetMin) {
  const dayOf = (/** @type {number} */ ms) => Math.floor((ms + offsetMin * 60_000) / DAY_MS);
  return { dayOf, dayEnd: (ms) => (dayOf(ms) + 1) * DAY_MS - offsetMin * 60_000 };
}

/**
 * What was said about a hold. Of each of diver and buddy the newest note counts; an instructor's word that lifts a block is none.
 * @param {Entry[]} entries as they count for the log
 */
export function notesOf(entries) {
  /** @type {Map<'diver' | 'buddy', Entry>} */
  const newest = new Map();
  for (const entry of entries) {
    const { kind, data } = entry.event;
    if (kind === 'note' && data && data.lifts === undefined) newest.set(data.about === 'buddy' ? 'buddy' : 'diver', entry);
  }
  const of = (/** @type {'diver' | 'buddy'} */ who) => newest.get(who)?.event.data ?? {};
  return {
    notes: /** @type {const} */ (['diver', 'buddy']).flatMap((about) => {
      const entry = newest.get(about);
      return entry ? [{ about, ...entry }] : [];
    }),
    conditions: wordsIn([...wordsIn(of('diver').conditions), ...wordsIn(of('buddy').conditions)]),
    felt: wordsIn(of('diver').felt),
    training_days: wholeIn(of('diver').training_days, 0, TRAINING_DAYS_MAX),
  };
}

/**
 * What of a hold can keep its diver from diving on: "passed out" that stood longer than a mis-press does, and the gravest
 * incident anybody named, or the one that began by itself. What is said or amended later does not count here: only an
 * instructor lifts a block. The sheets and the lines of the log both ask here, so that they never tell two stories.
 * @param {Hold} hold
 * @param {number} startAt
 * @param {string | null} summed the summary's incident
 * @param {number} atMs
 * @returns {Pick<LogHold, 'passed_out' | 'incident' | 'incident_at'>}
 */
export function graveOf(hold, startAt, summed, atMs) {
  const said = (/** @type {string} */ kind) => hold.events.filter((e) => e.kind === kind && e.at <= atMs && !dropped(hold, e, atMs));
  const verdicts = said('verdict');
  // A verdict that another one follows as soon was a mis-press too.
  const passed_out = verdicts.some((e, i) =>
    e.data?.what === 'passed-out' && !(i + 1 < verdicts.length && verdicts[i + 1].at - e.at <= MISPRESS_MS));
  let worst = GRAVE.findIndex((what) => what === summed);
  let incident_at = null;
  for (const { at, data } of said('incident')) {
    if (at < startAt) continue;
    worst = Math.max(worst, GRAVE.findIndex((what) => what === data?.what), 0);
    incident_at = at;
  }
  return { passed_out, incident: worst < 0 ? null : GRAVE[worst], incident_at };
}

/**
 * @param {Hold} hold
 * @param {number} atMs shared ms
 * @param {Zone} zone
 * @returns {LogHold | null} null where the hold has not begun
 */
export function logHoldOf(hold, atMs, zone) {
  const status = statusAt(hold, atMs);
  const start = status.start_at;
  if (start === null || start > atMs) return null;
  const s = summarize(hold, atMs);
  const { conditions, felt, training_days } = notesOf(effectiveEvents(hold, atMs));
  const plan = status.plan;
  return {
    v: LOG_VERSION,
    hold: hold.id,
    events: hold.events.length,
    start_at: start,
    day: zone.dayOf(start),
    day_end_at: zone.dayEnd(start),
    end_at: status.surfaced_at ?? status.recovered_at ?? null,
    over: status.phase === 'over',
    setting: plan?.setting ?? null,
    diver: plan?.diver ?? '',
    diver_key: nameKey(plan?.diver ?? ''),
    diver_id: plan?.diver_id ?? null,
    buddy: plan?.buddy ?? '',
    buddy_key: nameKey(plan?.buddy ?? ''),
    buddy_id: plan?.buddy_id ?? null,
    series: plan?.series ?? null,
    series_no: plan?.series_no ?? null,
    planned_s: plan?.planned_s ?? null,
    end_by_s: plan?.end_by_s ?? null,
    longest_s: plan?.longest_s ?? null,
    hold_ms: s.hold_ms,
    first_contraction_ms: s.first_contraction_ms,
    first_contraction_site: s.first_contraction_site,
    easy_permille: s.easy_permille,
    answers: s.answers.length,
    answer_median_ms: s.answer_median_ms,
    answer_slowest_ms: s.answer_slowest_ms,
    ok_ms: s.ok_ms,
    spo2_lowest: s.spo2_lowest,
    spo2_lowest_ms: s.spo2_lowest_ms,
    hr_lowest: s.hr_lowest,
    hr_lowest_ms: s.hr_lowest_ms,
    back_to_95_ms: s.back_to_95_ms,
    clean: s.clean,
    verdict: /** @type {LogHold['verdict']} */ (s.verdict),
    ...graveOf(hold, start, s.incident, atMs),
    conditions,
    felt,
    training_days,
  };
}

/** @param {{diver_id: string | null, diver_key: string}} h @returns {Person} */
export const diverIn = (h) => ({ id: h.diver_id, key: h.diver_key });

/**
 * One diver's holds, oldest first.
 * @param {LogHold[]} log
 * @param {Person} diver
 */
export function holdsOfDiver(log, diver) {
  return log.filter((h) => samePerson(diverIn(h), diver)).sort((a, b) => a.start_at - b.start_at);
}
