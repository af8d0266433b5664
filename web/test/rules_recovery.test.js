import assert from 'node:assert/strict';
import { test } from 'node:test';
import { START, holdWith } from './rules_helper.js';

const PLAN = { planned_s: 240, cadence: 'standard', setting: 'dry' };

/**
 * A hold that surfaces at 130 s, in struggle, without an alarm.
 * @param {Record<string, unknown>} [plan]
 */
function surfaced(plan = {}) {
  const h = holdWith({ ...PLAN, ...plan });
  for (let t = 5000; t < 130000; t += 5000) h.add('answered', t);
  h.add('surfaced', 130000);
  return h;
}

test('H13 no input after surfacing: alarm at the end of the OK window', () => {
  // AIDA rules, event texts (grade: secondary): the surface protocol within 15 s; CMAS indoor notes: 20 s.
  assert.deepEqual(surfaced().rungs(400000).slice(-3), ['prompt ok 7500 after surfaced', 'again ok 11250 after surfaced', 'alarm ok 15000 after surfaced']);
  assert.deepEqual(surfaced({ ok_within_s: 20 }).rungs(400000).slice(-3), ['prompt ok 10000 after surfaced', 'again ok 15000 after surfaced', 'alarm ok 20000 after surfaced']);
});

test('H13 an early OK and no look: alarm at 16 s, and it stays', () => {
  const h = surfaced();
  h.add('ok', 131000);
  assert.deepEqual(h.rungs(400000).slice(-3), ['prompt look 8000 after surfaced', 'again look 12000 after surfaced', 'alarm look 16000 after surfaced']);
  assert.equal(h.stands(400000), 'alarm look');
});

test('H13 the end is locked until the watch has lasted, whatever the OK sign said', () => {
  // DAN, Alert Diver, spring 2016 (grade: read): watch at least 30 s after surfacing, even after an OK sign.
  const h = surfaced();
  h.add('ok', 131000);
  for (const look of [8000, 15000, 22000, 30000, 45000, 59000]) h.add('look', 130000 + look);
  assert.equal(h.at(189999).watch_locked, true);
  assert.equal(h.at(190000).watch_locked, false);
  h.add('watch-ended', 190000);
  assert.deepEqual([h.at(190000).phase, h.at(190000).forced_end], ['over', false]);
  const easy = holdWith(PLAN);
  easy.add('surfaced', 20000);
  assert.equal(easy.at(20000).watch_end_at, START + 50000, 'surfaced in easy: no less than 30 s');
});

test('H13 an end forced on a locked watch is kept and flagged', () => {
  for (const [kind, t] of /** @type {const} */ ([['ok', 131000], ['look', 131000]])) {
    const h = surfaced();
    h.add(kind, t);
    h.add('watch-ended', 150000);
    assert.deepEqual([h.at(150000).phase, h.at(150000).forced_end, h.stands(150000), h.next(150000)], ['over', true, null, []]);
  }
});

// Ensures that under each kind of alarm surfacing asks AWAKE? first, and that silence is an incident.
test('H27 coming up under any alarm asks AWAKE?, and 5 s without a press is an incident', () => {
  /** @type {[string, (h: ReturnType<typeof holdWith>) => void][]} */
  const alarms = [
    ['the silence', () => {}],
    ['no-answer', (h) => h.add('no-answer', 60000)],
    ['limp', (h) => h.add('sign', 60000, { what: 'limp' })],
    ['end-hold', (h) => h.add('end-hold', 50000)],
  ];
  for (const [name, raise] of alarms) {
    const build = () => {
      const h = holdWith(PLAN);
      if (name !== 'the silence') for (let t = 5000; t < 70000; t += 5000) h.add('answered', t);
      raise(h);
      h.add('surfaced', 70000);
      return h;
    };
    const h = build();
    assert.equal(h.at(70000).awake_due, true, name);
    assert.equal(h.stands(70000), 'prompt awake');
    assert.deepEqual(h.next(70000), ['alarm help 5000 after surfaced']);
    assert.equal(h.at(74999).phase, 'recovery');
    assert.equal(h.at(75000).phase, 'incident');
    assert.equal(h.stands(75000), 'alarm help');
    for (const press of ['awake', 'ok']) {
      const pressed = build();
      pressed.add(press, 75000);
      assert.notEqual(pressed.at(75000).phase, 'incident', `${press} at 5.000 s counts`);
    }
  }
  const calm = holdWith(PLAN);
  calm.add('surfaced', 20000);
  assert.equal(calm.at(20000).awake_due, false);
});

test('an incident said in the AWAKE? window keeps what was said', () => {
  const h = holdWith(PLAN);
  h.add('no-answer', 60000);
  h.add('surfaced', 70000);
  h.add('incident', 72000, { what: 'lmc' });
  assert.equal(h.at(90000).incident?.what, 'lmc');
  h.add('incident', 95000, { what: 'blackout' });
  assert.equal(h.at(95000).incident?.what, 'blackout', 'it may be said later');
  assert.deepEqual(h.rungs(100000).filter((r) => r.includes('help')), ['alarm help 2000 after surfaced'], 'and sounds once');
});

test('H24 with them: turned down, and the alarm stays until they are awake and breathing', () => {
  const h = holdWith(PLAN);
  h.add('incident', 60000, { what: 'blackout' });
  assert.equal(h.at(60000).incident?.with_them, false);
  h.add('with-them', 65000, undefined, { by: 'siren' });
  assert.equal(h.at(65000).incident?.with_them, true);
  assert.equal(h.stands(65000), 'alarm help');
  h.add('recovered', 100000);
  assert.deepEqual([h.at(100000).phase, h.stands(100000), h.at(100000).incident], ['watch', null, null]);
  assert.equal(h.at(100000).watch_end_at, START + 160000);
});

test('what the pages are told beside the printed fields', () => {
  const h = holdWith({ ...PLAN, end_by_s: 300 });
  h.add('asked', 33000);
  assert.deepEqual(h.at(35000).ladder, { rung: 'prompt', asks: 'look', at: START + 30000 });
  assert.deepEqual([h.at(35000).prompt_at, h.at(35000).asked_at, h.at(35000).last_proof_at], [START + 30000, START + 33000, START]);
  assert.deepEqual(h.at(35000).next_abs.map((r) => r.at - START), [41000, 45000, 300000, 304000, 308000]);
  assert.equal(h.at(35000).look_counts, true);
  h.add('no-answer', 36000);
  assert.deepEqual(h.at(36000).bring_up, { rung: 'alarm', asks: 'up', at: START + 36000 });
  assert.deepEqual([h.at(36000).prompt_at, h.at(36000).look_counts], [null, false]);
});
