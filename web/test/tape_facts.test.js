// The tape's facts: what its notches, holes and marks stand for.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { addEvent, newHold, stateAt } from '../rules/fold.js';
import { statusAt } from '../rules/status.js';
import { readPlan } from '../rules/plan.js';
import { BREATH_MS } from '../sound/patterns.js';
import { breathAt, breathsEnd, comingChecks, holdTape, planTape, recoveryTape, tapeMarks } from '../tape/facts.js';

const T0 = 1_790_000_000_000;

/** @param {Record<string, any>} plan */
function begun(plan) {
  const hold = newHold('k7p2qabcde-h01');
  let n = 0;
  const add = (/** @type {string} */ kind, /** @type {number} */ ms, /** @type {object} */ data = {}, by = 'buddy', device = 'k7p2qabcde') => {
    n += 1;
    const event = /** @type {any} */ ({ id: `${device}-${String(n).padStart(6, '0')}`, hold: hold.id, kind, at: T0 + ms, by, data });
    addEvent(hold, event);
    return event;
  };
  add('plan', -60_000, { setting: 'dry', ...plan });
  add('start', 0);
  return { hold, add, at: (/** @type {number} */ ms) => statusAt(hold, T0 + ms) };
}

test('notches stand where the prompts come if every one is answered at once', () => {
  for (const plan of [
    { planned_s: 300, onset_s: 155, longest_s: 268, cadence: 'standard' },
    { planned_s: 180, cadence: 'close' },
    { planned_s: 240, cadence: 'announced' },
    { planned_s: 45, cadence: 'standard' },
  ]) {
    const { hold, add, at } = begun(plan);
    const drawn = comingChecks(/** @type {any} */ (readPlan(plan)), at(0).boundaries, plan.planned_s * 1000);
    assert.deepEqual(planTape(/** @type {any} */ (readPlan(plan)), at(0).boundaries).coming, drawn);
    /** @type {number[]} */
    const came = [];
    for (let t = 0; ;) {
      const prompt = at(t).next_abs.find((r) => r.rung === 'prompt' && r.asks !== 'up');
      if (!prompt || prompt.at - T0 > plan.planned_s * 1000) break;
      t = prompt.at - T0;
      came.push(t);
      add(prompt.asks === 'look' ? 'look' : 'answered', t);
      // On the live tape the rest stays where the plan sheet drew it.
      const rest = holdTape(hold, at(t), T0 + t).coming ?? [];
      assert.deepEqual(rest.filter((ms) => ms <= plan.planned_s * 1000), drawn.filter((ms) => ms > t && ms <= t + 240_000));
    }
    assert.deepEqual(came, drawn, JSON.stringify(plan));
    assert.ok(drawn.length > 2);
  }
});

test('a check that is due or was never answered stays a hole, an answered one does not', () => {
  const { hold, add, at } = begun({ planned_s: 300, onset_s: 100, cadence: 'standard' });
  assert.deepEqual(holdTape(hold, at(31_000), T0 + 31_000).holes, [30_000]);
  add('look', 32_000);
  assert.deepEqual(holdTape(hold, at(33_000), T0 + 33_000).holes, []);
  const alarm = at(78_000);
  assert.equal(alarm.standing?.rung, 'alarm');
  add('answered', 79_000);
  assert.deepEqual(holdTape(hold, at(80_000), T0 + 80_000).holes, [62_000]);
});

test('the fuse shows what follows of the same ladder, and the first alarm of any', () => {
  const { hold, at } = begun({ planned_s: 300, cadence: 'standard' });
  assert.equal(holdTape(hold, at(29_000), T0 + 29_000).fuse, null);
  assert.deepEqual(holdTape(hold, at(30_000), T0 + 30_000).fuse, { again_ms: 38_000, alarm_ms: 45_000 });
  assert.deepEqual(holdTape(hold, at(39_000), T0 + 39_000).fuse, { again_ms: null, alarm_ms: 45_000 });
  assert.equal(holdTape(hold, at(45_000), T0 + 45_000).fuse, null);
});

test('H20 marks follow their last amendment; what was taken back or proved nothing is not drawn', () => {
  const { hold, add } = begun({ planned_s: 300, onset_s: 20, cadence: 'standard' });
  const moved = add('contraction', 25_000, { site: 'belly' });
  const dropped = add('contraction', 28_000);
  add('amend', 29_000, { target: dropped.id, drop: true });
  add('answered', 29_500, {}, 'diver', 'd000000000');
  add('asked', 31_000);
  add('answered', 32_500, { took_ms: 1500 });
  add('amend', 50_000, { target: moved.id, at: T0 + 24_000 });
  const now = T0 + 60_000;
  assert.deepEqual(tapeMarks(hold, stateAt(hold, now), T0, now), [
    { at_ms: 24_000, mark: 'contraction' },
    { at_ms: 32_500, mark: 'tap', took_ms: 1500 },
  ]);
});

test('an answer after the second call stands out', () => {
  const { hold, add } = begun({ planned_s: 300, onset_s: 20, cadence: 'standard' });
  add('answered', 37_000);
  const now = T0 + 40_000;
  assert.deepEqual(tapeMarks(hold, stateAt(hold, now), T0, now).map((m) => m.mark), ['tap-again']);
});

test('the whole tape is cut at the end of the watch, its hatch at the surfacing', () => {
  const { hold, add, at } = begun({ planned_s: 120, onset_s: 20, cadence: 'standard' });
  add('answered', 33_000);
  add('surfaced', 55_000);
  add('ok', 60_000);
  for (const s of [70, 77, 85, 100, 115]) add('look', s * 1000);
  add('watch-ended', 116_000);
  const tape = holdTape(hold, at(200_000), T0 + 200_000, { still: true });
  assert.deepEqual([tape.now_ms, tape.total_ms, tape.stages_to_ms, tape.coming], [null, 116_000, 55_000, []]);
  assert.deepEqual(tape.marks?.map((m) => m.mark), ['tap', 'surfaced', 'ok', 'look', 'look', 'look', 'look', 'look']);
});

test('H13 after surfacing the notches are the OK sign and then every look up to the end of the watch', () => {
  const { hold, add, at } = begun({ planned_s: 120, onset_s: 20, cadence: 'standard' });
  add('answered', 33_000);
  add('surfaced', 55_000);
  assert.deepEqual(recoveryTape(hold, at(57_000), T0 + 57_000).coming, [7500]);
  const due = recoveryTape(hold, at(63_000), T0 + 63_000);
  assert.deepEqual([due.coming, due.holes, due.fuse], [[], [7500], { again_ms: 11_250, alarm_ms: 15_000 }]);
  add('ok', 64_000);
  const watch = recoveryTape(hold, at(65_000), T0 + 65_000);
  assert.deepEqual(watch.coming, [15_000, 22_000, 30_000, 45_000, 60_000]);
  assert.equal(watch.total_ms, 60_000);
});

test('H27 no breaths are drawn while AWAKE? is asked, nor after an incident', () => {
  const { hold, add, at } = begun({ planned_s: 120, onset_s: 20, cadence: 'standard' });
  add('surfaced', 60_000);
  assert.equal(at(61_000).awake_due, true);
  assert.equal(recoveryTape(hold, at(61_000), T0 + 61_000).breaths_to_ms, 0);
  add('awake', 62_000);
  assert.equal(recoveryTape(hold, at(63_000), T0 + 63_000).breaths_to_ms, 30_000);
  add('incident', 64_000, { what: 'unknown' });
  add('recovered', 70_000);
  assert.equal(recoveryTape(hold, at(71_000), T0 + 71_000).breaths_to_ms, 0);
});

test('breaths follow the sound: in, keep, out, for at least 30 s', () => {
  assert.deepEqual([0, BREATH_MS.in, BREATH_MS.in + BREATH_MS.keep, BREATH_MS.cycle].map((ms) => breathAt(ms)), [
    { n: 1, word: 'in', left_ms: BREATH_MS.in },
    { n: 1, word: 'keep', left_ms: BREATH_MS.keep },
    { n: 1, word: 'out', left_ms: BREATH_MS.out },
    { n: 2, word: 'in', left_ms: BREATH_MS.in },
  ]);
  assert.equal(breathsEnd(0), 30_000);
  assert.equal(breathsEnd(31), 36_000);
});
