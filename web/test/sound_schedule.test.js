// Ensures that the list of what to sound follows from a hold's status and nothing else: which rung, when, how loud, on
// which device, and what keeps quiet.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { BREATH_MS, SOUNDS } from '../sound/patterns.js';
import { AHEAD_MS, QUIET_FIRST_MS, RUNGS_HERE, holdAlarm, planSounds } from '../sound/schedule.js';

/** @typedef {import('../sound/schedule.js').SoundStatus} SoundStatus */
/** @typedef {import('../sound/schedule.js').SoundItem} SoundItem */

const START = 1_790_000_000_000;

/** @param {Partial<SoundStatus>} [over] @returns {SoundStatus} */
function status(over = {}) {
  return {
    phase: 'hold', boundaries: { struggle_at_ms: 90_000, late_at_ms: 180_000 }, start_at: START, surfaced_at: null,
    recovered_at: null, ok_at: null, over_at: null, asked_at: null, prompt_at: null, ladder: null,
    bring_up: null, next_abs: [], awake_due: false, incident: null, ...over,
  };
}

/** @param {string} rung @param {string} asks @param {number} t ms since the start */
function rung(rung, asks, t) {
  return { rung, asks, at: START + t };
}

/** @param {Partial<SoundStatus>} over @param {Partial<Parameters<typeof planSounds>[0]>} [how] @param {number} [t] */
function plan(over, how = {}, t = 0) {
  return planSounds({ status: status(over), now: START + t, rungsHere: RUNGS_HERE.buddy, ...how });
}

/** Sounds only, as [t, name]. @param {SoundItem[]} list @param {string} [name] */
function sounds(list, name) {
  return list.filter((i) => i.sound !== null && (!name || i.sound === name)).map((i) => [i.at - START, i.sound]);
}

const EASY = [rung('prompt', 'look', 30_000), rung('again', 'look', 38_000), rung('alarm', 'tap', 45_000)];

test('H01 the whole ladder to come is in the list, up to a minute of alarm', () => {
  const list = plan({ next_abs: EASY });
  assert.deepEqual(sounds(list, 'prompt-quiet'), [[32_000, 'prompt-quiet']]);
  // Again at 38 and 40.5 s; the one at 43 s would end before the alarm at 45 s as well.
  assert.deepEqual(sounds(list, 'again').map(([t]) => t), [38_000, 40_500, 43_000]);
  assert.deepEqual(sounds(list, 'alarm').map(([t]) => t), Array.from({ length: 12 }, (_, k) => 45_000 + k * 5000));
  assert.deepEqual(list.map((i) => i.at), list.map((i) => i.at).sort((a, b) => a - b));
  assert.equal(new Set(list.map((i) => i.key)).size, list.length);
});

test('H01 every standing alarm is laid for the next minute, in its own rhythm, and goes on without end', () => {
  for (const t of [45_000, 45_001, 49_999, 50_000, 600_123]) {
    const list = sounds(plan({ ladder: rung('alarm', 'tap', 45_000) }, {}, t)).map(([at]) => Number(at));
    assert.ok(list[0] <= t && list[0] > t - 5000, `${t}: begins with the one that is due`);
    list.forEach((at) => assert.equal((at - 45_000) % 5000, 0));
    assert.ok(list[list.length - 1] >= t + AHEAD_MS - 5000);
  }
});

test('H17 prompts of the early stages are vibration first and a tone 2 s later; easy in the quiet form', () => {
  for (const [t, wantSound, delay] of /** @type {[number, string, number][]} */ ([
    [30_000, 'prompt-quiet', QUIET_FIRST_MS], [89_999, 'prompt-quiet', QUIET_FIRST_MS],
    [90_000, 'prompt', QUIET_FIRST_MS], [179_999, 'prompt', QUIET_FIRST_MS],
    [180_000, 'prompt', 0], [400_000, 'prompt', 0]])) {
    const list = plan({ next_abs: [rung('prompt', t < 90_000 ? 'look' : 'tap', t)] });
    const buzz = list.find((i) => i.buzz);
    assert.equal(buzz?.at, START + t, 'vibration at the rung itself');
    assert.deepEqual(sounds(list), [[t + delay, wantSound]]);
    assert.equal(list.find((i) => i.sound)?.due, START + t);
  }
});

test('H17 an answer within 2 s keeps an early prompt quiet', () => {
  const before = plan({ ladder: rung('prompt', 'look', 30_000), next_abs: EASY.slice(1) }, {}, 31_000);
  assert.deepEqual(sounds(before, 'prompt-quiet'), [[32_000, 'prompt-quiet']]);
  const after = plan({ next_abs: [rung('prompt', 'look', 61_500)] }, {}, 31_600);
  assert.deepEqual(sounds(after), [[63_500, 'prompt-quiet']]);
});

test('H17 again and alarm are never quiet, whatever was chosen', () => {
  for (const quietFirst of [true, false]) {
    const list = plan({ next_abs: EASY }, { quietFirst });
    const again = list.find((i) => i.sound === 'again');
    const alarm = list.find((i) => i.sound === 'alarm');
    assert.deepEqual([again?.at, again?.level], [START + 38_000, 1]);
    assert.deepEqual([alarm?.at, alarm?.level], [START + 45_000, 1]);
  }
});

test('a pair that wants every tone at once gets it, and so does a device that took over', () => {
  assert.deepEqual(sounds(plan({ next_abs: EASY }, { quietFirst: false }), 'prompt'), [[30_000, 'prompt']]);
});

test('prompts after surfacing and those that call the diver up sound at once', () => {
  const up = plan({ next_abs: [rung('prompt', 'up', 60_000)] });
  assert.deepEqual(sounds(up), [[60_000, 'prompt']]);
  const ok = plan({ phase: 'recovery', surfaced_at: START + 100_000, next_abs: [rung('prompt', 'ok', 107_500)] }, { hears: [] }, 100_000);
  assert.deepEqual(sounds(ok), [[107_500, 'prompt']]);
});

test('who sounds what: again at half level and no prompt on the diver\'s phone, alarm alone on a siren', () => {
  const of = (/** @type {keyof typeof RUNGS_HERE} */ who) => {
    const list = plan({ next_abs: EASY }, { rungsHere: RUNGS_HERE[who] }).filter((i) => i.sound);
    return Object.fromEntries(list.map((i) => [i.sound, i.level]));
  };
  assert.deepEqual(of('buddy'), { 'prompt-quiet': 1, again: 1, alarm: 1 });
  assert.deepEqual(of('diver'), { again: 0.5, alarm: 1 });
  assert.deepEqual(of('siren'), { alarm: 1 });
  assert.deepEqual(of('none'), {});
});

test('of two ladders the higher rung sounds', () => {
  const list = plan({
    ladder: rung('again', 'tap', 200_000), bring_up: rung('prompt', 'up', 201_000),
    next_abs: [rung('alarm', 'tap', 204_000), rung('again', 'up', 205_000), rung('alarm', 'up', 209_000)],
  }, {}, 201_000);
  assert.deepEqual(new Set(sounds(list).map(([, name]) => name)), new Set(['again', 'alarm']));
  const alarms = sounds(list, 'alarm').map(([t]) => Number(t));
  assert.equal(alarms[0], 204_000);
  alarms.forEach((t) => assert.equal((t - 204_000) % 5000, 0, 'a second alarm does not break the first one\'s rhythm'));
});

test('a prompt of the second ladder is heard beside a prompt that stands', () => {
  const list = plan({ ladder: rung('prompt', 'tap', 200_000), bring_up: rung('prompt', 'up', 200_500) }, {}, 200_600);
  assert.deepEqual(sounds(list), [[200_000, 'prompt'], [200_500, 'prompt']]);
  assert.equal(list.find((i) => i.at === START + 200_000 && i.sound)?.cut_at, START + 200_500);
});

test('no again plays into the alarm: its repeats stop before, and a late one is cut', () => {
  const list = plan({ next_abs: [rung('again', 'tap', 10_000), rung('alarm', 'tap', 13_000)] });
  assert.deepEqual(sounds(list, 'again'), [[10_000, 'again']]);
  const close = plan({ next_abs: [rung('again', 'tap', 12_900), rung('alarm', 'tap', 13_000)] });
  assert.equal(close.find((i) => i.sound === 'again')?.cut_at, START + 13_000);
});

test('a sound keeps its key for as long as it is due', () => {
  const keysAt = (/** @type {number} */ t) => new Set(plan({ next_abs: EASY }, {}, t).map((i) => i.key));
  assert.deepEqual(keysAt(0), keysAt(29_000));
  const standing = plan({ ladder: EASY[0], next_abs: EASY.slice(1) }, {}, 30_100);
  const before = keysAt(29_000);
  standing.forEach((i) => assert.ok(before.has(i.key), i.key));
});

test('minutes are chimed if wanted, never over a rung and not while one stands', () => {
  const hears = ['minute'];
  assert.deepEqual(sounds(plan({}, { hears }, 1000), 'minute'), [[60_000, 'minute']]);
  assert.deepEqual(sounds(plan({}, { hears: [] }, 1000), 'minute'), []);
  assert.deepEqual(sounds(plan({}, { hears: undefined }, 1000), 'minute'), []);
  assert.deepEqual(sounds(plan({}, { hears: [], minute: true }, 1000), 'minute'), [[60_000, 'minute']]);
  // At 60 s sharp the prompt of 58 s sounds its tone.
  assert.deepEqual(sounds(plan({ next_abs: [rung('prompt', 'look', 58_000)] }, { hears }, 1000), 'minute'), []);
  assert.deepEqual(sounds(plan({ ladder: rung('again', 'tap', 50_000) }, { hears }, 51_000), 'minute'), []);
  assert.deepEqual(sounds(plan({}, { hears, rungsHere: RUNGS_HERE.siren }, 1000), 'minute'), []);
  assert.deepEqual(sounds(plan({ phase: 'recovery', surfaced_at: START + 50_000 }, { hears }, 50_000), 'minute'), []);
});

test('recovery breaths are paced from surfacing: 2 s in, 2.5 s kept, 1.5 s out, for at least 30 s', () => {
  const up = { phase: 'recovery', surfaced_at: START + 100_000 };
  const list = sounds(plan(up, {}, 100_000));
  assert.equal(list.length, 15);
  assert.deepEqual(list.slice(0, 4), [
    [100_000, 'breath-in'], [102_000, 'breath-keep'], [104_500, 'breath-out'], [106_000, 'breath-in']]);
  // Recovery breaths for at least 30 s, each held 2–3 s: common practice.
  const last = list[list.length - 1];
  assert.equal(Number(last[0]) + BREATH_MS.out, 130_000);
  assert.equal(sounds(plan(up, { recovery_s: 60 }, 100_000)).length, 30);
  assert.equal(sounds(plan(up, { recovery_s: 10 }, 100_000)).length, 15);
  assert.deepEqual(sounds(plan({ ...up, phase: 'watch', ok_at: START + 110_000 }, {}, 131_000)), []);
  assert.ok(sounds(plan({ ...up, phase: 'watch', ok_at: START + 110_000 }, {}, 111_000)).length > 0, 'an early OK does not end them');
  assert.deepEqual(sounds(plan(up, { hears: ['minute'] }, 100_000)), []);
});

test('H27 nobody who may be unconscious is paced', () => {
  const up = { phase: 'recovery', surfaced_at: START + 100_000 };
  const none = [
    { ...up, awake_due: true, ladder: rung('prompt', 'awake', 100_000), next_abs: [rung('alarm', 'help', 105_000)] },
    { ...up, phase: 'incident', incident: { what: 'unknown', at: START + 105_000, with_them: false } },
    { ...up, phase: 'incident', incident: { what: 'unknown', at: START + 105_000, with_them: true } },
    { ...up, phase: 'watch', recovered_at: START + 103_000 },
  ];
  for (const over of none) {
    for (const withThem of [false, true]) {
      const list = plan(over, { withThem, hears: ['breaths', 'minute'] }, 106_000);
      assert.deepEqual(list.filter((i) => i.sound?.startsWith('breath')), [], JSON.stringify(over));
    }
  }
});

test('a breath gives way to a rung that sounds', () => {
  const up = { phase: 'recovery', surfaced_at: START + 100_000, next_abs: [rung('prompt', 'ok', 107_500)] };
  const list = sounds(plan(up, {}, 100_000)).filter(([t]) => Number(t) >= 106_000 && Number(t) < 112_000);
  assert.deepEqual(list, [[107_500, 'prompt'], [110_500, 'breath-out']]);
});

test('H24 [with them] turns the pair\'s phones down to one reduced burst every 15 s', () => {
  const incident = { what: 'blackout', at: START + 100_000, with_them: false };
  const over = { phase: 'incident', incident, ladder: rung('alarm', 'help', 100_000) };
  const before = plan(over, {}, 111_000);
  const after = plan({ ...over, incident: { ...incident, with_them: true } }, { withThem: true }, 111_000);
  assert.equal(sounds(before, 'alarm').length, 13);
  assert.equal(sounds(before).length, 13);
  assert.deepEqual(sounds(after), [[115_000], [130_000], [145_000], [160_000]].map(([t]) => [t, 'alarm-reduced']));
  assert.deepEqual(after.filter((i) => i.buzz || i.say), []);
  // Share of the time in which something sounds.
  const share = (/** @type {SoundItem[]} */ list) => list.filter((i) => i.at >= START + 111_000 && i.at < START + 171_000 && i.sound)
    .reduce((sum, i) => sum + SOUNDS[/** @type {'alarm'} */ (i.sound)].length_ms, 0) / 60_000;
  assert.ok(share(before) > 0.45 && share(after) < 0.08, `${share(before)} → ${share(after)}`);
});

test('H24 an incident alone, without a ladder, is the full alarm', () => {
  const list = plan({ phase: 'incident', incident: { what: 'lmc', at: START + 50_000, with_them: false } }, {}, 50_010);
  assert.equal(sounds(list, 'alarm')[0][0], 50_000);
  assert.equal(sounds(list, 'alarm').length, 13);
});

test('H16 a fault sounds every 16 s and never over a rung', () => {
  const at = START + 10_000;
  assert.deepEqual(sounds(plan({}, { fault_at: at }, 10_000)).map(([t]) => t), [10_000, 26_000, 42_000, 58_000]);
  const under = plan({ next_abs: [rung('prompt', 'look', 24_000), rung('again', 'look', 32_000), rung('alarm', 'tap', 39_000)] }, { fault_at: at }, 10_000);
  assert.deepEqual(sounds(under, 'fault').map(([t]) => t), [10_000]);
  assert.deepEqual(sounds(plan({ ladder: rung('alarm', 'tap', 5000) }, { fault_at: at }, 10_000), 'fault'), []);
});

test('the words follow who has asked since the prompt, and where', () => {
  const alarm = { ladder: rung('alarm', 'tap', 213_000), prompt_at: START + 205_000 };
  const said = (/** @type {Partial<SoundStatus>} */ over, /** @type {'dry' | 'pool'} */ setting = 'pool') =>
    [...new Set(plan(over, { setting }, 215_000).flatMap((i) => i.say ?? []))];
  assert.deepEqual(said(alarm), ['check them now']);
  assert.deepEqual(said({ ...alarm, asked_at: START + 204_999 }), ['check them now']);
  assert.deepEqual(said({ ...alarm, asked_at: START + 205_000 }), ['no answer. bring them up']);
  assert.deepEqual(said({ ...alarm, asked_at: START + 206_000 }, 'dry'), ['no answer. open the airway, call their name']);
  assert.deepEqual(said({ bring_up: rung('alarm', 'up', 214_000) }), ['bring them up']);
  assert.deepEqual(said({ phase: 'incident', incident: { what: 'lmc', at: START, with_them: false } }), ['call help']);
  assert.deepEqual(said({ ladder: rung('again', 'tap', 209_000) }), []);
});

test('words are spoken in the gaps of the alarm only, by the buddy\'s phone only', () => {
  const over = { ladder: rung('alarm', 'tap', 45_000) };
  const said = plan(over, {}, 45_000).filter((i) => i.say);
  assert.ok(said.length >= 5);
  for (const item of said) {
    const into = (item.at - START - 45_000) % 5000;
    assert.ok(into > SOUNDS.alarm.length_ms && into < SOUNDS.alarm.length_ms + 500, `${into}`);
  }
  assert.deepEqual(plan(over, { rungsHere: RUNGS_HERE.diver }, 45_000).filter((i) => i.say), []);
});

test('an alarm that sounds here outlives a change of history until something after it lifts it', () => {
  const quiet = status();
  const began = START + 45_020;
  const held = holdAlarm(null, { status: status({ ladder: rung('alarm', 'tap', 45_000) }), now: began, alarmThen: true });
  assert.deepEqual(held, { at: START + 45_000, began });
  const later = { status: quiet, now: START + 47_000, alarmThen: false };
  assert.deepEqual(holdAlarm(held, later), held, 'no later answer is known');
  const list = planSounds({ status: quiet, now: START + 47_000, rungsHere: RUNGS_HERE.buddy, held });
  assert.equal(list[0].key, `alarm@${START + 45_000}#0`);
  assert.equal(holdAlarm(held, { ...later, alarmThen: true }), null, 'history agrees that it stood: it was lifted since');
  assert.equal(holdAlarm(held, { ...later, answered_at: began + 1 }), null);
  assert.deepEqual(holdAlarm(held, { ...later, answered_at: began }), held);
  assert.equal(holdAlarm(held, { ...later, status: status({ surfaced_at: began + 1 }) }), null);
  assert.equal(holdAlarm(held, { ...later, pressed_at: began + 900 }), null);
  assert.equal(holdAlarm(null, later), null);
});

test('nothing sounds in a hold at rest, before it and after it', () => {
  assert.deepEqual(plan({ phase: 'planned', start_at: null }), []);
  assert.deepEqual(plan({ phase: 'over', surfaced_at: START + 100_000, over_at: START + 170_000 }, { hears: ['minute', 'breaths'] }, 180_000), []);
});
