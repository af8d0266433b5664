// Ensures that what the rules reach is what sounds: real holds, folded by the rules, laid by the planner.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { statusAt, timelineAt } from '../rules/status.js';
import { QUIET_FIRST_MS, RUNGS_HERE, holdAlarm, planSounds } from '../sound/schedule.js';
import { START, holdWith } from './rules_helper.js';

const PLAN = { setting: 'pool', planned_s: 240, end_by_s: 300, onset_s: 120, cadence: 'standard', recovery_s: 30, hears: ['breaths'] };

/** @param {ReturnType<typeof holdWith>} h @param {number} t @param {Partial<Parameters<typeof planSounds>[0]>} [how] */
function heardAt(h, t, how = {}) {
  const status = h.at(t);
  return planSounds({
    status, now: START + t, rungsHere: RUNGS_HERE.buddy, hears: status.plan?.hears, withThem: status.incident?.with_them, ...how,
  });
}

test('H01 no input: each rung that the rules reach was laid at its time, in every stage', () => {
  // The last proof in easy, in struggle, in late, in final.
  for (const proof of [10_000, 100_000, 130_000, 185_000, 215_000, 245_000]) {
    const h = holdWith(PLAN);
    h.add('start', 0);
    for (let t = 5000; t <= proof; t += 5000) h.add('answered', t);
    const laid = heardAt(h, proof + 50);
    const reached = timelineAt(h.hold, START + proof + 60_000).filter((r) => r.at > START + proof);
    const sounding = reached.filter((r) => r.asks !== 'up');
    assert.deepEqual(sounding.map((r) => r.rung), ['prompt', 'again', 'alarm'], `${proof}`);
    for (const r of sounding) {
      const item = laid.find((i) => i.sound !== null && i.rung === r.rung && i.due === r.at);
      assert.ok(item, `${proof}: ${r.rung}`);
      const quiet = r.rung === 'prompt' && r.at - START < h.at(0).boundaries.late_at_ms;
      assert.equal(item.at - r.at, quiet ? QUIET_FIRST_MS : 0, `${proof}: ${r.rung}`);
    }
    const alarms = laid.filter((i) => i.sound === 'alarm');
    assert.equal(alarms.length, 12, 'a minute of it');
  }
});

test('H01 the agreed end calls the diver up at once and, unanswered, as an alarm 8 s later', () => {
  const h = holdWith({ ...PLAN, end_by_s: 250 });
  h.add('start', 0);
  for (let t = 5000; t <= 245_000; t += 5000) h.add('answered', t);
  const laid = heardAt(h, 245_100).filter((i) => i.sound !== null && i.due === START + 250_000);
  assert.equal(laid[0].sound, 'prompt');
  assert.equal(laid[0].at, START + 250_000);
  const first = heardAt(h, 245_100).find((i) => i.sound === 'alarm');
  assert.ok(first && first.at <= START + 258_000);
});

test('H02 no answer: the alarm is the first thing in the list, at the press', () => {
  const h = holdWith(PLAN);
  h.add('start', 0);
  h.add('no-answer', 20_000);
  const laid = heardAt(h, 20_010).filter((i) => i.sound !== null);
  assert.deepEqual([laid[0].sound, laid[0].at], ['alarm', START + 20_000]);
  h.add('answered', 22_000);
  assert.equal(heardAt(h, 22_010).filter((i) => i.sound !== null)[0].sound, 'alarm', 'an answer does not lift it');
  h.add('surfaced', 30_000);
  assert.deepEqual(heardAt(h, 30_010).filter((i) => i.sound === 'alarm' && i.at < START + 35_000), []);
});

test('H27 coming up under each kind of alarm: no breaths until [awake], and an incident after 5 s', () => {
  /** @type {[string, (h: ReturnType<typeof holdWith>) => number][]} */
  const kinds = [
    ['silence', () => 100_000],
    ['no answer', (h) => h.add('no-answer', 20_000).at - START + 500],
    ['limp', (h) => h.add('sign', 20_000, { what: 'limp' }).at - START + 500],
    ['agreed end', (h) => {
      for (let t = 5000; t <= 310_000; t += 5000) h.add('answered', t);
      return 310_500;
    }],
  ];
  for (const [what, begin] of kinds) {
    const h = holdWith(PLAN);
    h.add('start', 0);
    const up = begin(h);
    assert.equal(h.at(up).standing?.rung, 'alarm', what);
    h.add('surfaced', up);
    const breaths = (/** @type {number} */ t) => heardAt(h, t).filter((i) => i.sound?.startsWith('breath'));
    assert.deepEqual(breaths(up + 10), [], what);
    const alarm = heardAt(h, up + 10).find((i) => i.sound === 'alarm');
    assert.equal(alarm?.at, START + up + 5000, `${what}: the incident's alarm is laid ahead`);
    assert.deepEqual(breaths(up + 6000), [], what);
    h.add('awake', up + 3000);
    assert.ok(breaths(up + 3100).length > 0, `${what}: awake`);
    assert.ok(!heardAt(h, up + 3100).some((i) => i.sound === 'alarm' && i.at < START + up + 15_000), what);
  }
});

test('H24 H13 an incident: full alarm, then turned down; afterwards the looks of the new watch are laid', () => {
  const h = holdWith(PLAN);
  h.add('start', 0);
  h.add('incident', 60_000, { what: 'blackout' });
  assert.equal(heardAt(h, 60_100)[0].sound, 'alarm');
  h.add('with-them', 64_000);
  assert.deepEqual(new Set(heardAt(h, 64_100).map((i) => i.sound)), new Set(['alarm-reduced']));
  h.add('recovered', 90_000);
  const after = heardAt(h, 90_100).filter((i) => i.sound !== null);
  assert.deepEqual([after[0].sound, after[0].at], ['prompt', START + 98_000]);
});

test('H13 no OK after surfacing: its rungs are laid over the breaths, up to the alarm at the window\'s end', () => {
  const h = holdWith(PLAN);
  h.add('start', 0);
  for (let t = 5000; t <= 200_000; t += 5000) h.add('answered', t);
  h.add('surfaced', 201_000);
  const laid = heardAt(h, 201_010);
  const of = (/** @type {string} */ sound) => laid.filter((i) => i.sound === sound).map((i) => i.at - START - 201_000);
  assert.equal(of('prompt')[0], 7500);
  assert.equal(of('again')[0], 11_250);
  assert.equal(of('alarm')[0], 15_000);
  assert.ok(of('breath-in').includes(0));
  assert.ok(!of('breath-in').some((t) => t > 11_000), 'nothing is paced while again or the alarm would sound');
});

test('an alarm that a returning phone makes never to have been sounds on until a later answer', () => {
  const h = holdWith(PLAN);
  h.add('start', 0);
  const due = 45_000;
  assert.equal(h.stands(due), 'alarm tap');
  let held = holdAlarm(null, { status: h.at(due), now: START + due, alarmThen: true });
  // A phone that was cut off comes back with an answer from before.
  h.add('answered', 40_000, undefined, { device: 'second' });
  const then = () => statusAt(h.hold, /** @type {{began: number}} */ (held).began).standing?.rung === 'alarm';
  held = holdAlarm(held, { status: h.at(due + 3000), now: START + due + 3000, alarmThen: then(), answered_at: START + 40_000 });
  assert.equal(heardAt(h, due + 3000, { held })[0].sound, 'alarm');
  h.add('answered', due + 4000);
  held = holdAlarm(held, { status: h.at(due + 4000), now: START + due + 4000, alarmThen: then(), answered_at: START + due + 4000 });
  assert.equal(held, null);
  assert.notEqual(heardAt(h, due + 4000, { held })[0].sound, 'alarm');
});
