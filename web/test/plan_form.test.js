// Ensures that the plan sheet takes every sensible plan, says what is wrong beside the field, and loses nothing typed.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { draftOf, newDraft, readDraft, stepped, withFigures, withLog, withSetting, withOuting } from '../app/plan_form.js';
import { longestOrigin, onsetOrigin, usualLines } from '../app/expected.js';
import { clockText, dayWords, parseClock, parseDay, tenthsText } from '../app/clock_text.js';

const NOW = new Date(2026, 4, 12, 19, 41).getTime();

/** @param {Partial<import('../app/plan_form.js').Draft>} [over] */
function typed(over = {}) {
  return { ...newDraft(), diver: 'Ansa', buddy: 'Odo', ...over };
}

/**
 * @param {Partial<import('../app/plan_form.js').Draft>} over
 * @param {keyof import('../app/plan_form.js').Draft} field
 */
function errorOf(over, field) {
  const read = readDraft(typed(over), NOW);
  assert.equal(read.data === null, Object.keys(read.errors).length > 0);
  return read.errors[field] ?? null;
}

test('times are read as people type them, and a bare number is not guessed at', () => {
  for (const [text, s] of /** @type {const} */ ([
    ['4:30', 270], ['4.30', 270], ['4,30', 270], [' 4 30 ', 270], ['4m30', 270], ['4m 30s', 270], ["4'30\"", 270],
    ['0:15', 15], ['12:05', 725], ['270 s', 270], ['270s', 270], ['5 min', 300], ['5m', 300],
  ])) assert.equal(parseClock(text), s, text);
  for (const text of ['', '430', '5', '4:60', '4:5', '4:300', '-1:00', '4;30', 'four', '4:30:00']) {
    assert.equal(parseClock(text), null, text);
  }
});

test('times are shown rounded down, so that no second shows before it is reached', () => {
  assert.equal(clockText(271_999), '4:31');
  assert.equal(clockText(0), '0:00');
  assert.equal(clockText(-500), '0:00');
  assert.equal(clockText(-61_000), '−1:01');
  assert.equal(clockText(3_600_000), '60:00');
  assert.equal(tenthsText(4_449), '4.4 s');
});

test('days are today, yesterday, a weekday within the week, else a date', () => {
  const back = (/** @type {number} */ days) => new Date(2026, 4, 12 - days, 0, 5).getTime();
  assert.equal(dayWords(back(0), NOW), 'today');
  assert.equal(dayWords(back(1), NOW), 'yesterday');
  assert.equal(dayWords(back(2), NOW), 'Sunday');
  assert.equal(dayWords(back(6), NOW), 'Wednesday');
  assert.equal(dayWords(back(7), NOW), '5 May');
  assert.equal(dayWords(new Date(2025, 4, 12).getTime(), NOW), '12 May 2025');
  assert.equal(parseDay('2026-02-29'), null);
  assert.equal(parseDay('2024-02-29'), new Date(2024, 1, 29, 12).getTime());
});

test('a filled sheet gives every field of the plan', () => {
  const read = readDraft(typed({
    planned: '4:00', onset: '2:35', longest: '4:28', longest_on: '2026-05-10', setting: 'pool', cadence: 'standard',
    ok_within_s: 20, recovery: '0:45', watch: '1:30', hears: ['minute', 'breaths'],
  }), NOW);
  assert.deepEqual(read.errors, {});
  assert.deepEqual(read.data, {
    diver: 'Ansa', buddy: 'Odo', setting: 'pool', planned_s: 240, end_by_s: 264, onset_s: 155, longest_s: 268,
    longest_on: '2026-05-10', cadence: 'standard', signal: 'two taps, one finger up', ok_within_s: 20, recovery_s: 45,
    watch_s: 90, hears: ['minute', 'breaths'],
  });
});

test('H19 planned takes 0:15 to 15:00 and says its limits beside the field', () => {
  for (const good of ['0:15', '15:00', '15.00']) assert.equal(errorOf({ planned: good }, 'planned'), null);
  for (const bad of ['0:14', '15:01']) assert.equal(errorOf({ planned: bad }, 'planned'), 'from 0:15 to 15:00');
  assert.equal(errorOf({ planned: '430' }, 'planned'), 'write 4:30 or 430 s');
  assert.equal(errorOf({ planned: '5' }, 'planned'), 'write 5:00 or 5 s');
  assert.equal(errorOf({ planned: '275' }, 'planned'), 'write 275 s');
  assert.match(String(errorOf({ planned: 'long' }, 'planned')), /not a time/);
});

test('H26 the agreed end follows the planned time, and lies between it and 20:00', () => {
  const end = (/** @type {string} */ planned, end_by = '') => readDraft(typed({ planned, end_by }), NOW).end_by_s;
  assert.equal(end('2:00'), 135);
  assert.equal(end('2:30'), 165);
  assert.equal(end('2:40'), 176);
  assert.equal(end('2:00', '2:00'), 120);
  assert.equal(end('2:00', '20:00'), 1200);
  assert.match(String(errorOf({ planned: '2:00', end_by: '1:59' }, 'end_by')), /not before the planned 2:00/);
  assert.match(String(errorOf({ end_by: '20:01' }, 'end_by')), /to 20:00/);
});

test('watch, recovery and the OK window keep their limits', () => {
  for (const good of ['0:30', '5:00']) {
    assert.equal(errorOf({ watch: good }, 'watch'), null);
    assert.equal(errorOf({ recovery: good }, 'recovery'), null);
  }
  for (const bad of ['0:29', '5:01', '']) {
    assert.ok(errorOf({ watch: bad }, 'watch'), bad);
    assert.ok(errorOf({ recovery: bad }, 'recovery'), bad);
  }
  assert.equal(draftOf({ ok_within_s: 20 }).ok_within_s, 20);
  assert.equal(draftOf({ ok_within_s: 16 }).ok_within_s, 15);
});

test('text is at most 80 characters, counted as people count, and never cut', () => {
  assert.equal(errorOf({ signal: 'é'.repeat(80) }, 'signal'), null);
  assert.equal(errorOf({ signal: '\u{1F91D}'.repeat(80) }, 'signal'), null);
  assert.equal(errorOf({ signal: 'x'.repeat(81) }, 'signal'), '81 characters: 80 at most');
  assert.ok(errorOf({ diver: ' ' }, 'diver'));
  assert.ok(errorOf({ buddy: '' }, 'buddy'));
  assert.equal(errorOf({ buddy: ' ansa' }, 'buddy'), 'two people: a diver and a buddy');
});

test('the longest clean hold comes with its day', () => {
  assert.equal(errorOf({ longest: '4:28' }, 'longest_on'), 'on which day?');
  assert.equal(errorOf({ longest: '4:28', longest_on: '2026-05-12' }, 'longest_on'), null);
  assert.equal(errorOf({ longest: '4:28', longest_on: '2026-05-13' }, 'longest_on'), 'that day is still to come');
  assert.equal(errorOf({ longest: '4:28', longest_on: '2026-02-30' }, 'longest_on'), 'not a day of the calendar');
  assert.equal(errorOf({ longest: '', longest_on: 'anything' }, 'longest_on'), null, 'no hold, no day');
});

test('a plan fills in the next sheet and comes out the same', () => {
  const data = readDraft(typed({
    planned: '4:00', end_by: '4:30', onset: '2:35', longest: '4:28', longest_on: '2026-05-10', cadence: 'announced',
  }), NOW).data;
  assert.deepEqual(readDraft(draftOf(data), NOW).data, data);
});

test('a plan with nonsense in it fills in what makes sense', () => {
  const draft = draftOf({ diver: 7, planned_s: 12.5, onset_s: -1, watch_s: '60', hears: 'minute', cadence: 'sometimes', end_by_s: 10 });
  assert.deepEqual(draft, newDraft());
});

test('the diver’s log gives onset and longest clean, but a longer hold typed in stays', () => {
  const figure = { value: null, low: null, high: null, count: 0, from: /** @type {const} */ ('unknown'), setting: /** @type {const} */ ('dry'), hold: null, start_at: null };
  const log = {
    onset: { ...figure, value: 155_900, count: 9, from: /** @type {const} */ ('log') }, longest: { ...figure, value: 268_400, count: 9, from: /** @type {const} */ ('log'), start_at: NOW - 86_400_000 },
    answer: figure, ok: figure, hr_lowest: figure, spo2_lowest: figure, recovery: figure, cadence: null,
  };
  const next = withLog(typed({ longest: '4:00', longest_on: '2026-05-01', cadence: 'standard' }), log);
  assert.equal(next.onset, '2:35');
  assert.equal(next.longest, '4:28');
  assert.equal(next.longest_on, '2026-05-11');
  assert.equal(next.cadence, 'standard');
  assert.equal(withLog(typed({ longest: '5:00', longest_on: '2026-05-01' }), log).longest, '5:00');
  assert.equal(withLog(typed({ cadence: 'standard' }), { ...log, cadence: 'close' }).cadence, 'close');
  assert.equal(withLog(typed({ onset: '1:50' }), { ...log, onset: figure }).onset, '1:50', 'what the log does not know stays as typed');

  const pool = { ...log, onset: figure, longest: { ...log.longest, value: 200_000 } };
  const there = withSetting({ ...next, setting: 'pool' }, log, pool);
  assert.deepEqual([there.onset, there.longest], ['', '3:20'], 'figures of the log are those of the setting');
  assert.equal(withSetting({ ...next, onset: '1:11', setting: 'pool' }, log, pool).onset, '1:11', 'a typed one stays');
});

test('every figure of the plan says where it comes from', () => {
  const figure = { value: 155_000, low: 140_000, high: 165_000, count: 9, from: /** @type {const} */ ('log'), setting: /** @type {const} */ ('dry'), hold: null, start_at: null };
  const none = { ...figure, value: null, low: null, high: null, count: 2, from: /** @type {const} */ ('unknown') };
  assert.deepEqual(onsetOrigin(figure, '2:35'), ['median of 9 dry holds', 'half of them 2:20 to 2:45']);
  assert.deepEqual(onsetOrigin(figure, '2:30'), ['typed']);
  assert.deepEqual(onsetOrigin(none, ''), ['not known yet, 2 of 3 holds: cautious']);
  assert.deepEqual(onsetOrigin({ ...none, count: 0 }, ''), ['not known yet: cautious']);
  assert.equal(longestOrigin(figure, '2:35', 'dry'), 'from the log');
  assert.equal(longestOrigin(figure, '2:35', 'pool'), 'from the log, dry');
  assert.equal(longestOrigin(figure, '', 'dry'), 'not known yet: cautious');
  const unknown = { onset: none, longest: none, answer: none, ok: none, hr_lowest: none, spo2_lowest: none, recovery: none, cadence: /** @type {const} */ ('close') };
  assert.deepEqual(usualLines(unknown), ['not known yet, 2 of 3 holds: cautious']);
  assert.deepEqual(usualLines({ ...unknown, answer: { ...figure, value: 1100 } }), ['answer 1.1 s, median of 9 dry holds']);
});

test('H19 changing over takes along nobody else’s longest hold', () => {
  const next = withFigures(typed({ longest: '4:28', longest_on: '2026-05-10', onset: '2:35', end_by: '5:00' }), {});
  assert.deepEqual([next.longest, next.longest_on, next.onset, next.end_by], ['', '', '', '']);
  assert.equal(withFigures(typed(), { longest: '3:00' }).longest, '3:00');
});

test('the keys step to the next quarter minute and stop at the limits', () => {
  assert.equal(stepped('4:54', 1), '5:00');
  assert.equal(stepped('4:54', -1), '4:45');
  assert.equal(stepped('5:00', 1), '5:15');
  assert.equal(stepped('0:15', -1), '0:15');
  assert.equal(stepped('15:00', 1), '15:00');
  assert.equal(stepped('nonsense', 1), '2:15');
});

test('the cadence that an instructor sets for all comes into an open sheet, until the pair picks one or has planned since', () => {
  const draft = newDraft();
  const set = { cadence: 'announced', at: 5000 };
  assert.equal(withOuting(draft, set, 0).cadence, 'announced');
  assert.equal(withOuting({ ...draft, cadence_at: 6000 }, set, 0).cadence, 'close');
  assert.equal(withOuting({ ...draft, cadence_at: 4000 }, set, 0).cadence, 'announced');
  assert.equal(withOuting(draft, set, 5000).cadence, 'close');
  for (const none of [null, undefined, {}, { cadence: 'never', at: 5000 }, { cadence: 'standard' }]) assert.equal(withOuting(draft, none, 0).cadence, 'close');
});
