// Calls the rules of the log by name, for vectors and for the comparison with Go.
//
//   node web/test/log_calls.js < calls.jsonl
//
// Each line is {"call", "in"} and gives one line, what came out.

import { createInterface } from 'node:readline';
import { pathToFileURL } from 'node:url';
import { debriefOf } from '../rules/debrief.js';
import { decodeEvent } from '../rules/event.js';
import { expectationsOf } from '../rules/expect.js';
import { foldEvents } from '../rules/fold.js';
import { guardsOf } from '../rules/guards.js';
import { holdsOfDiver, logHoldOf, zoneOf } from '../rules/log.js';
import { maybeSamePerson, profilesOf, samePerson } from '../rules/people.js';
import { judgeReading } from '../rules/readings.js';
import { growingHolds, seriesAt, seriesOf } from '../rules/series.js';
import { robustLine } from '../rules/stats.js';
import { conditionsOf, trendsOf } from '../rules/trends.js';

/** @typedef {import('../rules/log.js').LogHold} LogHold */
/** @typedef {Record<string, any>} Input */

/** What a case leaves out of a hold's line. @type {LogHold} */
const BLANK = {
  v: 1, hold: '', events: 1, start_at: 0, day: 0, day_end_at: 0, end_at: null, over: true, setting: null,
  diver: '', diver_key: '', diver_id: null, buddy: '', buddy_key: '', buddy_id: null, series: null, series_no: null,
  planned_s: null, end_by_s: null, longest_s: null, hold_ms: null, first_contraction_ms: null, first_contraction_site: null,
  easy_permille: null, answers: 0, answer_median_ms: null, answer_slowest_ms: null, ok_ms: null,
  spo2_lowest: null, spo2_lowest_ms: null, hr_lowest: null, hr_lowest_ms: null, back_to_95_ms: null,
  clean: false, verdict: null, passed_out: false, incident: null, incident_at: null, conditions: [], felt: [], training_days: null,
};

/** @param {Partial<LogHold>[] | undefined} log */
const whole = (log) => (log ?? []).map((h) => ({ ...BLANK, ...h }));

/** @param {unknown[]} events */
const decoded = (events) => events.map((e) => decodeEvent(e)).flatMap((d) => ('event' in d ? [d.event] : []));

/** @param {Input} input */
const holdOf = (input) => {
  const events = decoded(input.events);
  return foldEvents(events[0].hold, events);
};

/** @type {Record<string, (input: Input) => unknown>} */
const CALLS = {
  same: ({ a, b }) => ({ same: samePerson(a, b), maybe: maybeSamePerson(a, b) }),
  profiles: ({ events }) => profilesOf(decoded(events)),
  holdsOfDiver: ({ log, diver }) => holdsOfDiver(whole(log), diver),
  logHold: (input) => logHoldOf(holdOf(input), input.at_ms, zoneOf(input.offset_min)),
  debrief: (input) => debriefOf(holdOf(input), input.at_ms),
  line: ({ points }) => robustLine(points),
  expectations: ({ log, setting }) => expectationsOf(whole(log), setting),
  guards: (input) => guardsOf({
    .../** @type {any} */ (input),
    zone: zoneOf(input.offset_min),
    holds: whole(input.holds),
    log: whole(input.log ?? input.holds),
  }),
  trends: ({ log, setting }) => trendsOf(whole(log), setting),
  conditions: ({ log, setting, field }) => conditionsOf(whole(log), setting, field),
  reading: ({ reading, previous }) => judgeReading(reading, previous),
  series: ({ events }) => seriesOf(decoded(events)),
  seriesAt: ({ series, log, now_ms }) => seriesAt(series, whole(log), now_ms),
  growing: (input) => growingHolds(/** @type {any} */ (input)),
};

/**
 * @param {string} name
 * @param {Input} input
 */
export function callRule(name, input) {
  const rule = CALLS[name];
  if (!rule) throw new Error(`there is no call ${name}`);
  return rule(input);
}

if (import.meta.url === pathToFileURL(process.argv[1] ?? '').href) {
  for await (const line of createInterface({ input: process.stdin })) {
    const { call, in: input } = JSON.parse(line);
    process.stdout.write(`${JSON.stringify(callRule(call, input) ?? null)}\n`);
  }
}
