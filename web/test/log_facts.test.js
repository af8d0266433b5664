// Ensures that what the sheets say of earlier holds is what the log holds: who is blocked, what is usual, what may be amended.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { addEvent, newHold } from '../rules/fold.js';
import { factsOf, liftsOf, newestPlan, recordOf } from '../app/log_facts.js';
import { markWords, marksOf, moveProblem } from '../app/log_marks.js';
import { debriefRows, finalFrom, logWords, saidBefore, soundedWords, trendWords } from '../app/debrief_facts.js';
import { askWords, previousReading, readNumber, readingLine } from '../app/reading_facts.js';
import { blockOf } from '../app/guards.js';
import { expected } from '../app/expected.js';
import { localZone } from '../app/clock_text.js';
import { expectationsOf } from '../rules/expect.js';
import { holdsOfDiver, logHoldOf } from '../rules/log.js';
import { randomOf } from './fuzz_helper.js';

const NOON = new Date(2026, 4, 12, 12).getTime();
const PLAN = {
  diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 240, end_by_s: 264, longest_s: 250, cadence: 'standard',
  signal: 'two taps', ok_within_s: 15, recovery_s: 30, watch_s: 60, hears: [],
};

let counter = 0;

/**
 * A hold made of kinds, seconds after its start, and data.
 * @param {string} id
 * @param {[string, number, Record<string, any>?, string?][]} events
 * @param {number} [start]
 * @param {Record<string, any>} [plan]
 */
function made(id, events, start = NOON, plan = PLAN) {
  const hold = newHold(id);
  /** @type {[string, number, Record<string, any>?, string?][]} */
  const all = [['plan', -200, plan], ['start', 0], ...events];
  for (const [kind, s, data, by] of all) {
    counter += 1;
    const event = { id: `aaaaaaaaaa-${String(counter).padStart(6, '0')}`, hold: id, kind, at: start + s * 1000, by: by ?? 'buddy' };
    addEvent(hold, /** @type {any} */ (data ? { ...event, data } : event));
  }
  return hold;
}

/** Answered in time, up at 200 s, OK, and watched to the end. @type {[string, number, Record<string, any>?][]} */
const CALM = [
  ['look', 29], ['look', 58], ['look', 87], ['look', 116], ['contraction', 118, { site: 'belly' }],
  ['asked', 140], ['answered', 141, { took_ms: 1000 }], ['asked', 165], ['answered', 166, { took_ms: 1200 }],
  ['asked', 182], ['answered', 183, { took_ms: 900 }], ['asked', 195], ['answered', 196, { took_ms: 1100 }],
  ['surfaced', 200], ['ok', 205], ['look', 209], ['look', 216], ['look', 223], ['look', 231], ['look', 246], ['look', 261],
  ['watch-ended', 262],
];
const LATER = NOON + 3_600_000;

test('a hold that is over gives its facts to the guards', () => {
  const facts = factsOf([made('h-01', [...CALM, ['verdict', 300, { what: 'clean' }]])], LATER);
  assert.deepEqual(facts, [{
    hold: 'h-01', diver: 'Ansa', buddy: 'Odo', diver_id: null, buddy_id: null, series: null, start_at: NOON, end_at: NOON + 200_000, hold_ms: 200_000, over: true,
    incident: null, incident_at: null, verdict: 'clean', passed_out: false,
  }]);
});

test('H19 what is stamped a little ahead counts when its time has come, also in a hold that was over', () => {
  const hold = made('h-01', [...CALM, ['incident', 301, { what: 'blackout' }]]);
  assert.equal(factsOf([hold], NOON + 300_000)[0].incident, null);
  assert.equal(factsOf([hold], NOON + 301_000)[0].incident, 'blackout');
  assert.equal(recordOf(hold, NOON + 301_000).status.phase, 'incident');
});

test('a hold that was only planned is no hold yet', () => {
  const hold = newHold('h-01');
  addEvent(hold, /** @type {any} */ ({ id: 'aaaaaaaaaa-900001', hold: 'h-01', kind: 'plan', at: NOON, by: 'buddy', data: PLAN }));
  assert.deepEqual(factsOf([hold], LATER), []);
});

test('H19 an incident that the log withdraws later still blocks; one taken back within 10 s does not', () => {
  const incident = /** @type {[string, number, Record<string, any>?]} */ (['incident', 10, { what: 'blackout' }]);
  const first = made('h-01', [incident, ['surfaced', 20], ['recovered', 40]]);
  const target = first.events.find((e) => e.kind === 'incident')?.id;
  addEvent(first, /** @type {any} */ ({ id: 'aaaaaaaaaa-800000', hold: 'h-01', kind: 'amend', at: NOON + 900_000, by: 'buddy', data: { target, drop: true } }));
  assert.equal(recordOf(first, LATER).summary.incident, null, 'the log has withdrawn it');
  assert.ok(blockOf('Ansa', factsOf([first], LATER), [], LATER), 'the block stands');

  const second = made('h-02', [incident, ['surfaced', 20], ['ok', 25]]);
  const pressed = second.events.find((e) => e.kind === 'incident')?.id;
  addEvent(second, /** @type {any} */ ({ id: 'aaaaaaaaaa-800001', hold: 'h-02', kind: 'amend', at: NOON + 14_000, by: 'buddy', data: { target: pressed, drop: true } }));
  assert.equal(blockOf('Ansa', factsOf([second], LATER), [], LATER), null);
});

/** What a hold's line and the sheets say of it that can block its diver. @param {import('../rules/fold.js').Hold} hold @param {number} nowMs */
function graveTwice(hold, nowMs) {
  const of = (/** @type {any} */ f) => f && { passed_out: f.passed_out, incident: f.incident, incident_at: f.incident_at, verdict: f.verdict };
  return { line: of(logHoldOf(hold, nowMs, localZone)), sheets: of(factsOf([hold], nowMs)[0] ?? null) };
}

test('H19 "passed out" that stood longer than a mis-press blocks, whatever is said or amended later', () => {
  const blocked = (/** @type {[string, number, Record<string, any>?][]} */ said, /** @type {[number, number]} */ [target, dropS] = [-1, 0]) => {
    const hold = made('h-01', [...CALM, ...said]);
    const verdict = hold.events.filter((e) => e.kind === 'verdict')[target];
    if (verdict) addEvent(hold, /** @type {any} */ ({ id: 'aaaaaaaaaa-800002', hold: 'h-01', kind: 'amend', at: NOON + dropS * 1000, by: 'buddy', data: { target: verdict.id, drop: true } }));
    const { line, sheets } = graveTwice(hold, LATER);
    assert.deepEqual(sheets, line);
    return blockOf('Ansa', factsOf([hold], LATER), [], LATER) !== null;
  };
  assert.equal(blocked([['verdict', 300, { what: 'passed-out' }], ['verdict', 310.001, { what: 'clean' }]]), true);
  assert.equal(blocked([['verdict', 300, { what: 'passed-out' }], ['verdict', 310, { what: 'clean' }]]), false);
  assert.equal(blocked([['verdict', 300, { what: 'clean' }], ['verdict', 360, { what: 'shaky' }]]), false);
  assert.equal(blocked([['verdict', 300, { what: 'passed-out' }]], [0, 400]), true, 'withdrawn when it had long stood');
  assert.equal(blocked([['verdict', 300, { what: 'passed-out' }], ['verdict', 330, { what: 'clean' }]], [0, 305]), false, 'a mis-press was never said');
});

test('H19 the sheets and the lines of the log say the same of random holds', () => {
  for (let seed = 1; seed <= 400; seed += 1) {
    const random = randomOf(seed);
    const one = (/** @type {any[]} */ list) => list[Math.floor(random() * list.length)];
    const some = Array.from({ length: 1 + Math.floor(random() * 12) }, () => {
      const kind = one(['verdict', 'verdict', 'verdict', 'incident', 'incident', 'recovered', 'surfaced', 'ok']);
      const what = one(kind === 'verdict' ? ['clean', 'shaky', 'passed-out', 'passed-out', 'odd'] : ['lmc', 'blackout', 'unknown', 'odd', undefined]);
      return /** @type {[string, number, Record<string, any>]} */ ([kind, Math.floor(random() * 80) - 5, { what }]);
    });
    const hold = made('h-01', some);
    const targets = hold.events.filter((e) => e.kind !== 'plan');
    for (let n = Math.floor(random() * 6); n > 0; n -= 1) {
      const target = one(targets);
      addEvent(hold, /** @type {any} */ ({
        id: `${one(['aaaaaaaaaa', 'bbbbbbbbbb'])}-${800_000 + n}`, hold: 'h-01', kind: 'amend', by: 'buddy',
        at: target.at + Math.floor(random() * 20_000), data: { target: target.id, ...one([{ drop: true }, { drop: true }, { at: target.at + 5000 }]) },
      }));
    }
    for (const s of [10, 30, 60, 90, 600]) {
      const { line, sheets } = graveTwice(hold, NOON + s * 1000);
      assert.deepEqual(sheets, line, `seed ${seed} at ${s} s`);
    }
  }
});

test('H19 only an instructor’s note with name and reason lifts a block', () => {
  const lift = { lifts: 'block', diver: 'Ansa', name: 'Runa', text: 'a mistaken press' };
  assert.equal(liftsOf([made('h-01', [['note', 300, lift, 'instructor']])]).length, 1);
  assert.equal(liftsOf([made('h-01', [['note', 300, lift, 'buddy']])]).length, 0);
  assert.equal(liftsOf([made('h-01', [['note', 300, { ...lift, name: ' ' }, 'instructor']])]).length, 0);
  assert.equal(liftsOf([made('h-01', [['note', 300, { ...lift, text: '' }, 'instructor']])]).length, 0);
});

test('H19 the longest clean hold is the longest that was said to be clean, not the longest', () => {
  const clean = made('h-01', [...CALM, ['verdict', 300, { what: 'clean' }]]);
  const shaky = made('h-02', [['surfaced', 300], ['ok', 305], ['verdict', 400, { what: 'shaky' }]], NOON + 7_200_000);
  const lines = [clean, shaky].map((hold) => logHoldOf(hold, NOON + 10_000_000, localZone));
  const people = /** @type {any} */ ([{ id: null, key: 'ansa' }]);
  const app = { log: { people: () => people, expected: (/** @type {any} */ who, /** @type {any} */ setting) => expectationsOf(holdsOfDiver(/** @type {any} */ (lines), who), setting) } };
  const { longest, cadence } = expected(app, ' ansa', 'dry');
  assert.deepEqual([longest.value, longest.hold, longest.start_at, cadence], [200_000, 'h-01', NOON, 'close']);
  assert.equal(expected(app, 'Odo', 'dry').longest.value, null);
});

test('the newest plan fills in the next sheet', () => {
  const holds = [made('h-01', [], NOON), made('h-02', [], NOON + 1000, { ...PLAN, diver: 'Odo', buddy: 'Ansa' })];
  assert.equal(newestPlan(holds)?.hold, 'h-02');
  assert.equal(newestPlan(holds, (data) => data.diver === 'Ansa')?.hold, 'h-01');
  assert.equal(newestPlan([]), null);
});

test('H20 a moved or withdrawn mark keeps its original', () => {
  const hold = made('h-01', CALM);
  const contraction = hold.events.find((e) => e.kind === 'contraction');
  const look = hold.events.find((e) => e.kind === 'look');
  const amend = (/** @type {string} */ id, /** @type {number} */ s, /** @type {Record<string, any>} */ data) =>
    addEvent(hold, /** @type {any} */ ({ id, hold: 'h-01', kind: 'amend', at: NOON + s * 1000, by: 'buddy', data }));
  amend('aaaaaaaaaa-700001', 400, { target: contraction?.id, at: NOON + 110_000 });
  amend('aaaaaaaaaa-700002', 401, { target: look?.id, drop: true });
  const marks = marksOf(hold, NOON, LATER);
  const moved = marks.find((m) => m.id === contraction?.id);
  assert.deepEqual([moved?.at_ms, moved?.now_ms, moved?.moved, moved?.gone], [118_000, 110_000, true, false]);
  const gone = marks.find((m) => m.id === look?.id);
  assert.deepEqual([gone?.at_ms, gone?.gone, gone?.final], [29_000, true, false]);

  amend('aaaaaaaaaa-700003', 402, { target: look?.id, at: look?.at });
  assert.equal(marksOf(hold, NOON, LATER).find((m) => m.id === look?.id)?.gone, false, 'put back');
});

test('H20 a press taken back within 10 s is final', () => {
  const hold = made('h-01', CALM);
  const look = hold.events.find((e) => e.kind === 'look');
  for (const [id, s, data] of /** @type {[string, number, Record<string, any>][]} */ ([
    ['aaaaaaaaaa-700011', 32, { drop: true }], ['aaaaaaaaaa-700012', 500, { at: NOON + 30_000 }],
  ])) addEvent(hold, /** @type {any} */ ({ id, hold: 'h-01', kind: 'amend', at: NOON + s * 1000, by: 'buddy', data: { target: look?.id, ...data } }));
  const mark = marksOf(hold, NOON, LATER).find((m) => m.id === look?.id);
  assert.deepEqual([mark?.gone, mark?.final, mark?.moved], [true, true, false]);
});

test('a mark stays on its tape when it is moved', () => {
  assert.equal(moveProblem(261, 261_000), null);
  assert.match(String(moveProblem(262, 261_000)), /at most 4:21/);
  assert.match(String(moveProblem(null, 261_000)), /minutes and seconds/);
});

test('every kind of mark has its words', () => {
  const words = (/** @type {string} */ kind, /** @type {Record<string, any>} */ data = {}) =>
    markWords(/** @type {any} */ ({ id: 'a-1', hold: 'h', kind, at: 0, data }));
  assert.equal(words('answered', { took_ms: 4449 }), 'answer, 4.4 s');
  assert.equal(words('answered'), 'answer');
  assert.equal(words('contraction', { site: 'throat' }), 'contraction, throat');
  assert.equal(words('sign', { what: 'tense' }), 'sign: tense');
  assert.equal(words('incident', { what: 'lmc' }), 'LMC');
  assert.equal(words('incident', {}), 'trouble');
  assert.equal(words('reading', { spo2: 78, hr: 51 }), 'SpO₂ 78, pulse 51');
  assert.equal(words('asked'), 'tap');
});

test('the debrief says what the summary knows, and nothing it does not', () => {
  const record = recordOf(made('h-01', [...CALM, ['verdict', 300, { what: 'clean' }]]), LATER);
  const said = Object.fromEntries(debriefRows(record).map((r) => [r.label, r.words]));
  assert.equal(said['first contraction'], '1:58, belly');
  assert.equal(said.easy, '1:58');
  assert.equal(said.struggle, '1:22');
  assert.equal(said['OK sign'], '0:05 after surfacing');
  assert.equal(said['final from'], 'not reached');
  assert.equal(said.answers, '1.1 s median, 1.2 s slowest');
  assert.equal(said.sounded, 'nothing');
  assert.equal('lowest SpO₂' in said, false);
  assert.equal('signs' in said, false);
  assert.equal(logWords(record), 'clean');
});

test('the final stage is told with its cause', () => {
  const slow = recordOf(made('h-01', [['look', 29], ['look', 58], ['look', 87], ['asked', 100], ['answered', 104, { took_ms: 4000 }], ['surfaced', 150], ['ok', 155]]), LATER);
  assert.deepEqual(finalFrom(slow), { at_ms: 104_000, why: 'slow answer' });
  const blue = recordOf(made('h-02', [['sign', 90, { what: 'blue' }], ['surfaced', 95], ['ok', 99]]), LATER);
  assert.deepEqual(finalFrom(blue), { at_ms: 90_000, why: 'blue' });
  const long = recordOf(made('h-03', [['surfaced', 245], ['ok', 250]]), LATER);
  assert.deepEqual(finalFrom(long), { at_ms: 240_000, why: 'planned time' });
});

test('the log’s row says the gravest thing first', () => {
  const words = (/** @type {[string, number, Record<string, any>?][]} */ events) => logWords(recordOf(made('h-01', events), LATER));
  assert.equal(words(CALM), 'no verdict yet');
  assert.equal(words([...CALM, ['verdict', 300, { what: 'passed-out' }]]), 'passed out');
  assert.equal(words([...CALM, ['verdict', 300, { what: 'shaky' }]]), 'shaky');
  assert.equal(words([...CALM, ['verdict', 300, { what: 'passed-out' }], ['verdict', 360, { what: 'clean' }]]), 'passed out', 'as its line says, though said anew');
  assert.equal(words([['surfaced', 20]]), 'not over');
});

test('what was sounded is counted once however many devices sounded it', () => {
  const hold = made('h-01', [
    ['sounded', 30, { rung: 'prompt', due: 30_000 }], ['sounded', 30.01, { rung: 'prompt', due: 30_000 }],
    ['sounded', 60, { rung: 'prompt', due: 60_000 }], ['sounded', 66, { rung: 'again', due: 66_000 }],
  ]);
  assert.equal(soundedWords(recordOf(hold, LATER)), 'prompt 2, again 1, alarm 0');
});

test('typed readings keep their limits: SpO₂ 30 to 100, pulse 20 to 250', () => {
  for (const [text, what, value] of /** @type {const} */ ([['30', 'spo2', 30], ['100', 'spo2', 100], [' 97 % ', 'spo2', 97], ['20', 'hr', 20], ['250', 'hr', 250]])) {
    assert.deepEqual(readNumber(text, what), { value, problem: null });
  }
  for (const [text, what] of /** @type {const} */ ([['29', 'spo2'], ['101', 'spo2'], ['19', 'hr'], ['251', 'hr'], ['9x', 'spo2'], ['97.5', 'spo2'], ['-40', 'hr']])) {
    assert.equal(readNumber(text, what).value, null);
    assert.match(String(readNumber(text, what).problem), /from/);
  }
  assert.deepEqual(readNumber('', 'spo2'), { value: null, problem: null });
});

test('a trend is told in tenths of a second a minute', () => {
  assert.equal(trendWords(320), '0.3 s slower each minute');
  assert.equal(trendWords(-260), '0.3 s faster each minute');
  assert.equal(trendWords(40), 'level over the hold');
});

test('a reading is told with its place, and what is unlikely is asked about', () => {
  assert.equal(readingLine({ at_ms: 214_000, spo2: 78, hr: null }, 200_000), '3:34, 0:14 after surfacing: SpO₂ 78');
  assert.equal(readingLine({ at_ms: 30_000, spo2: 97, hr: 60 }, 200_000), '0:30: SpO₂ 97, pulse 60');
  const known = [{ at_ms: 10_000, spo2: 97, hr: null }, { at_ms: 30_000, spo2: 92, hr: 58 }];
  assert.deepEqual(previousReading(known, 29_000), { spo2: 97, hr: null, at: 10_000 });
  assert.equal(previousReading(known, 9_000), null);
  assert.equal(askWords({ spo2: 41, hr: 60 }, [{ field: 'spo2', code: 'low' }, { field: 'hr', code: 'leap' }]), 'SpO₂ 41 is very low, pulse 60 leaps from the one before.');
});

test('what was said and said anew stays to be seen, the newest first', () => {
  const hold = made('h-01', [...CALM, ['verdict', 300, { what: 'shaky' }], ['note', 310, { text: 'cold water', conditions: ['cold'] }], ['note', 315, { about: 'buddy', text: 'calm' }],
    ['verdict', 320, { what: 'clean' }], ['note', 330, { text: '', conditions: ['cold', 'tired'] }]]);
  assert.deepEqual(saidBefore(hold).map((b) => b.words), ['note: cold, cold water', 'verdict: shaky']);
});
