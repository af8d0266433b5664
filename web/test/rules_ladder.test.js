import assert from 'node:assert/strict';
import { test } from 'node:test';
import { boundariesOf, everyMs, firstMs, nextTap, secondMs, stageAt } from '../rules/cadence.js';
import { smallest } from '../rules/ladder.js';
import { readPlan } from '../rules/plan.js';
import { holdWith, randomFrom } from './rules_helper.js';

/** @param {Record<string, unknown>} data */
function planOf(data) {
  const plan = readPlan(data);
  assert.ok(plan, 'the plan is void');
  return plan;
}

const NO_MARKS = { contraction: null, late: null, final: null };

/**
 * Plans of every shape, with raises.
 * @param {number} count
 * @param {(plan: import('../rules/plan.js').Plan, bounds: import('../rules/cadence.js').Boundaries, random: () => number) => void} visit
 */
function eachPlan(count, visit) {
  const random = randomFrom(7);
  const whole = (/** @type {number} */ below) => Math.floor(random() * below);
  for (let i = 0; i < count; i++) {
    const planned = 15 + whole(400);
    const plan = planOf({
      planned_s: planned, cadence: i % 2 ? 'standard' : 'close',
      onset_s: random() < 0.5 ? null : whole(planned), longest_s: random() < 0.5 ? null : whole(planned * 2),
    });
    const mark = () => (random() < 0.6 ? null : whole(planned * 1000));
    visit(plan, boundariesOf(plan, { contraction: mark(), late: mark(), final: mark() }), random);
  }
}

// Ensures that with no input each rung comes at its time, for every stage of every cadence.
test('H01 no input: prompt, again and alarm come when the table says, stage by stage', () => {
  /** @type {[Record<string, unknown>, number, string[]][]} the plan, the last answer, what follows it */
  const cases = [
    [{ planned_s: 240 }, 0, ['prompt look 30000', 'again look 38000', 'alarm tap 45000']],
    [{ planned_s: 240, onset_s: 10 }, 20000, ['prompt tap 50000', 'again tap 56000', 'alarm tap 61000']],
    [{ planned_s: 600, longest_s: 100, onset_s: 0 }, 101000, ['prompt tap 107000', 'again tap 111000', 'alarm tap 114000']],
    // Late from 180 s to 240 s, d ms into it: every 15000 - floor(0.15 d), so d = 13044; first 5000 - floor(d / 60), so
    // d = 13044 + 4705; both windows 9000 - 2 floor(d / 60), so d = 13044 + 8290.
    [{ planned_s: 240 }, 180000, ['prompt tap 193044', 'again tap 197749', 'alarm tap 201334']],
    [{ planned_s: 240 }, 260000, ['prompt tap 266000', 'again tap 270000', 'alarm tap 273000']],
  ];
  for (const [plan, answered, rungs] of cases) {
    const h = holdWith({ cadence: 'standard', end_by_s: 1200, ...plan });
    for (let t = 1000; t < answered; t += 5000) h.add('answered', t);
    if (answered > 0) h.add('answered', answered);
    assert.deepEqual(h.next(answered), rungs);
    assert.deepEqual(h.rungs(answered + 60000).slice(-3), rungs);
  }
  const close = holdWith({ planned_s: 240, cadence: 'close', onset_s: 20 });
  assert.deepEqual(close.next(0), ['prompt tap 20000', 'again tap 25000', 'alarm tap 29000']);
});

test('bisection finds what a search ms by ms finds', () => {
  eachPlan(60, (plan, bounds, random) => {
    const proof = Math.floor(random() * 1.2 * plan.planned_s * 1000);
    const { cadence } = plan;
    const search = (/** @type {number} */ from, /** @type {(t: number) => boolean} */ holds) => {
      let t = from;
      while (!holds(t)) t++;
      return t;
    };
    const due = (/** @type {number} */ t) => t - proof >= everyMs(cadence, bounds, t);
    const prompt = search(proof, due);
    assert.equal(smallest(proof, proof + 30000, due), prompt);
    const over = (/** @type {number} */ t) => t - prompt >= firstMs(cadence, bounds, t) + secondMs(cadence, bounds, t);
    assert.equal(smallest(prompt, prompt + 15000, over), search(prompt, over));
  });
});

test('stages only tighten: no number of the table ever grows', () => {
  eachPlan(40, (plan, bounds) => {
    for (const number of [everyMs, firstMs, secondMs]) {
      for (let t = 0, before = Infinity; t < 1.1 * plan.planned_s * 1000; t += 17) {
        const now = number(plan.cadence, bounds, t);
        assert.ok(now <= before && Number.isInteger(now), `${now} after ${before} at ${t}`);
        before = now;
      }
    }
  });
});

test('bound: an alarm at most 13 s after a proof in final, and at most 7 s after the prompt once final has begun', () => {
  const random = randomFrom(3);
  for (let i = 0; i < 300; i++) {
    const planned = 15 + Math.floor(random() * 300);
    const h = holdWith({ planned_s: planned, cadence: i % 2 ? 'standard' : 'close', end_by_s: 1200 });
    const proof = Math.floor(random() * planned * 1300);
    h.add('answered', proof);
    if (i % 3 === 0) h.add('sign', proof + Math.floor(random() * 40000), { what: 'blue' });
    const [prompt, alarm] = ['prompt', 'alarm'].map((rung) => h.rungs(3600000).findLast((r) => r.startsWith(`${rung} `) && !r.includes(' up ')));
    assert.ok(prompt && alarm);
    const promptAt = Number(prompt.split(' ')[2]);
    const alarmAt = Number(alarm.split(' ')[2]);
    const final = h.at(3600000).boundaries.final_at_ms;
    if (proof >= final) assert.equal(alarmAt, proof + 13000);
    assert.ok(alarmAt <= promptAt + 15000);
    if (alarmAt >= final) assert.ok(alarmAt <= Math.max(promptAt + 7000, final), `${alarmAt} after ${promptAt}, final ${final}`);
  }
});

test('H02 "no answer" is the alarm at its own instant', () => {
  const h = holdWith({ planned_s: 240 });
  h.add('no-answer', 50000);
  assert.equal(h.stands(49999), 'alarm tap');
  assert.equal(h.stands(50000), 'alarm up');
  assert.ok(h.rungs(50000).includes('alarm up 50000'));
});

test('H07 "no answer" is lifted by surfacing or by taking it back, never by an answer, whatever comes first', () => {
  for (const answered of [49999, 50000, 50001, 70000]) {
    const h = holdWith({ planned_s: 240, cadence: 'standard', setting: 'dry' });
    h.add('no-answer', 50000);
    h.add('answered', answered);
    h.add('answered', answered, {}, { by: 'diver' });
    assert.equal(h.stands(71000), 'alarm up');
  }
  const h = holdWith({ planned_s: 240, cadence: 'standard' });
  h.add('answered', 45000);
  const press = h.add('no-answer', 50000);
  h.takeBack(press, 60000);
  assert.equal(h.stands(59999), 'alarm up');
  assert.equal(h.stands(60000), null);
});

test('H22 what no person pressed is no proof: readings, sounds, steps, notes, repeats, later events', () => {
  const h = holdWith({ planned_s: 240, cadence: 'standard' });
  h.add('answered', 1000);
  h.add('reading', 20000, { spo2: 99, hr: 60, source: 'finger' });
  h.add('sounded', 20000, { rung: 'prompt', due: 20000 });
  h.add('step', 20000, { what: 'airway' });
  h.add('note', 20000, { text: 'answered' });
  h.add('something-newer', 20000, { took_ms: 100 });
  h.add('answered', 20000, {}, { by: 'siren' });
  h.add('answered', 20000, {}, { by: 'instructor' });
  h.add('answered', 90000);
  assert.equal(h.at(25000).silence_ms, 24000, 'a later answer does not exist yet');
});

test('H25 the diver alone, touching every second, cannot keep the alarm away', () => {
  for (const plan of [{ planned_s: 240 }, { planned_s: 240, onset_s: 0 }, { planned_s: 120, longest_s: 60 }]) {
    for (const cadence of ['standard', 'close', 'announced']) {
      const h = holdWith({ ...plan, cadence, setting: 'dry' });
      for (let t = 500; t < 120000; t += 1000) h.add('answered', t, { took_ms: 300 }, { by: 'diver' });
      const alarms = h.rungs(120000).filter((r) => r.startsWith('alarm tap'));
      assert.equal(alarms.length, 1, JSON.stringify(plan));
      assert.ok(Number(alarms[0].split(' ')[2]) <= 500 + 45000);
    }
  }
});

test('H26 no press at the agreed end: prompt at it, again 4 s later, alarm 8 s later, and answers do not stop it', () => {
  const h = holdWith({ planned_s: 60, end_by_s: 75, cadence: 'standard' });
  for (let t = 3000; t < 90000; t += 3000) h.add('answered', t);
  assert.deepEqual(h.rungs(90000), ['prompt up 75000', 'again up 79000', 'alarm up 83000']);
});

test('H28 each sign tightens as little as it must', () => {
  const stageAfter = (/** @type {string} */ kind, /** @type {Record<string, unknown>} */ data) => {
    const h = holdWith({ planned_s: 240, cadence: 'standard' });
    h.add(kind, 30000, data);
    return [h.at(30000).stage, h.stands(30000)];
  };
  assert.deepEqual(stageAfter('contraction', { site: 'belly' }), ['struggle', 'prompt tap']);
  assert.deepEqual(stageAfter('contraction', { site: 'throat' }), ['late', 'prompt tap']);
  assert.deepEqual(stageAfter('sign', { what: 'tense' }), ['late', 'prompt tap']);
  assert.deepEqual(stageAfter('sign', { what: 'blue' }), ['final', 'prompt tap']);
  for (const what of ['shaking', 'air', 'limp']) assert.deepEqual(stageAfter('sign', { what }), ['easy', 'alarm up']);
});

test('announced: taps as published judged practice gives its signals', () => {
  // AIDA competition rules, static, 6.1.8 as quoted in 2024 (grade: secondary; the lists are derived from that line):
  // announced time − 60 s, − 30 s, at it, then every 15 s.
  const listed = (/** @type {number} */ plannedMs, /** @type {number} */ toMs) => {
    const taps = [];
    for (let t = nextTap(plannedMs, 0); t <= toMs; t = nextTap(plannedMs, t)) taps.push(t);
    return taps;
  };
  assert.deepEqual(listed(240000, 270000), [180000, 210000, 240000, 255000, 270000]);
  assert.deepEqual(listed(120000, 135000), [60000, 90000, 120000, 135000]);
  assert.deepEqual(listed(45000, 60000), [15000, 45000, 60000]);
  assert.equal(nextTap(240000, 1e15) - 1e15 > 0, true);
  assert.equal((nextTap(240000, 1e15) - 240000) % 15000, 0);
});

test('announced: at most 45 s from a proof to its alarm', () => {
  const random = randomFrom(5);
  for (let i = 0; i < 200; i++) {
    const planned = 15 + Math.floor(random() * 300);
    const h = holdWith({ planned_s: planned, cadence: 'announced', end_by_s: 1200 });
    const proof = Math.floor(random() * planned * 1300);
    h.add('answered', proof);
    const alarm = h.rungs(3600000).findLast((r) => r.startsWith('alarm tap'));
    assert.ok(Number(alarm?.split(' ')[2]) <= proof + 45000, `${alarm} after ${proof} of ${planned} s`);
  }
});

test('stages: the elite and novice figures fall into the stages they should', () => {
  // Apnea study, elite divers (grade: read): 288.8 s, struggle phase 47.1 %, so first contraction near 153 s (derived).
  const elite = boundariesOf(planOf({ planned_s: 290, onset_s: 153 }), NO_MARKS);
  assert.deepEqual([152999, 153000, 229999, 230000, 290000].map((t) => stageAt(elite, t)), ['struggle', 'struggle', 'struggle', 'late', 'final']);
  assert.equal(elite.struggle_at, 145000, 'half the planned time comes before the usual onset');
  // Pernett et al. 2023 (grade: read): novices, 111 s, first involuntary movement at 89 s.
  const novice = boundariesOf(planOf({ planned_s: 111, onset_s: 89, longest_s: 111 }), NO_MARKS);
  assert.deepEqual([55499, 55500].map((t) => stageAt(novice, t)), ['easy', 'late'], 'short holds go from easy to late at their half');
});
