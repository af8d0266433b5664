// What the board sounds: one voice at a time, each signal with its pair's number (H14).
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { ATTENDED_MS, HIGH_AFTER_MS, knocksOf, newBoardVoice, takenRungs } from '../sound/board.js';
import { SOUNDS, pitchOf } from '../sound/patterns.js';

/** @typedef {import('../sound/board.js').HeardPair} HeardPair */
/** @typedef {import('../sound/schedule.js').SoundItem} SoundItem */

/**
 * @param {number} number
 * @param {number | null} alarm_at
 * @param {Partial<HeardPair>} [over]
 * @returns {HeardPair}
 */
const pair = (number, alarm_at, over = {}) => ({ pair: `p${number}`, number, alarm_at, words: 'no answer', attended: false, quiet_until: -Infinity, rungs: [], ...over });

/** @param {SoundItem} item */
const endOf = (item) => item.at + (item.sound ? SOUNDS[item.sound].length_ms : 0);

/**
 * What is really heard when the plan is made anew four times a second: each item as it was when its time came.
 * @param {(now: number) => HeardPair[]} facts
 * @param {number} until
 * @param {{speaks?: boolean, fault_at?: number | null}} [how]
 */
function heard(facts, until, { speaks = false, fault_at = null } = {}) {
  const voice = newBoardVoice();
  /** @type {Map<string, SoundItem>} */
  const played = new Map();
  /** @type {Map<string, number>} */
  const planned = new Map();
  for (let now = 0; now <= until; now += 250) {
    const list = voice.plan(facts(now), now, { speaks, fault_at });
    for (const item of list) {
      if (item.at > now + 250) continue;
      const before = planned.get(item.key);
      if (before !== undefined) assert.equal(item.at, before, `${item.key} keeps its time once it has begun`);
      planned.set(item.key, item.at);
      played.set(item.key, item);
    }
  }
  return [...played.values()].sort((a, b) => a.at - b.at);
}

/** @param {SoundItem[]} items */
const calls = (items) => items.filter((i) => i.sound === 'call' || i.sound === 'alarm');

test('one pair: medium when its alarm begins, high five seconds later, then every five', () => {
  const items = calls(heard(() => [pair(3, 1000)], 20_000));
  assert.deepEqual(items.slice(0, 4).map((i) => [i.sound, i.at]), [['call', 1000], ['alarm', 1000 + HIGH_AFTER_MS], ['alarm', 11_000], ['alarm', 16_000]]);
});

test('H14: of three alarms within five seconds one sounds at a time, each names its pair, and none is left out', () => {
  const items = heard(() => [pair(2, 1000), pair(7, 2500), pair(11, 4800)], 60_000);
  const sounds = items.filter((i) => i.sound !== null);
  for (let i = 1; i < sounds.length; i += 1) assert.ok(sounds[i].at >= endOf(sounds[i - 1]), `${sounds[i].key} begins before ${sounds[i - 1].key} has ended`);
  const order = calls(items);
  assert.deepEqual(order.slice(0, 3).map((i) => i.pair), ['p2', 'p7', 'p11'], 'the first word of each comes in turn');
  assert.equal(order[0].at, 1000);
  assert.ok(order[1].at - 2500 < 3000 && order[2].at - 4800 < 4000, 'a call waits for the one before it only');
  for (const call of order.slice(0, 12)) {
    const number = Number(call.pair?.slice(1));
    const next = order[order.indexOf(call) + 1];
    const knocks = items.filter((i) => i.sound?.startsWith('knock') && i.at > call.at && i.at < next.at).map((i) => i.sound);
    assert.deepEqual(knocks, knocksOf(number).map((k) => k.sound), `the number ${number} is knocked after its call`);
  }
  const share = [2, 7, 11].map((n) => order.filter((i) => i.pair === `p${n}`).length);
  assert.ok(Math.max(...share) - Math.min(...share) <= 1, 'they take turns');
});

test('H24 with them turns the pair\'s phones down and not the board: high every five seconds, also of two such pairs', () => {
  const one = calls(heard((now) => [pair(3, 1000, { attended: now >= 4000 })], 30_000));
  assert.deepEqual(one.map((i) => [i.sound, i.at]).slice(0, 5), [['call', 1000], ['alarm', 6000], ['alarm', 11_000], ['alarm', 16_000], ['alarm', 21_000]]);
  const two = calls(heard(() => [pair(3, 1000, { attended: true }), pair(5, 1000, { attended: true })], 60_000));
  for (const p of ['p3', 'p5']) assert.ok(two.filter((i) => i.pair === p && i.sound === 'alarm').length >= 5, p);
  const quiet = calls(heard((now) => [pair(3, 1000, { attended: true, quiet_until: now >= 7000 ? 22_000 : -Infinity })], 40_000));
  assert.deepEqual(quiet.filter((i) => i.at >= 7000 && i.at < 22_000), [], 'who goes to it quiets it as before');
});

test('H14 H24 while another\'s alarm stands that nobody is at, a pair that somebody is with is called at medium, seldom, and after it', () => {
  const items = calls(heard((now) => [pair(2, 1000, { attended: now >= 4000 }), pair(7, now < 55_000 ? 10_000 : null)], 80_000));
  const of = (/** @type {string} */ p) => items.filter((i) => i.pair === p);
  const meanwhile = of('p2').filter((i) => i.at >= 10_000 && i.at < 55_000);
  assert.deepEqual(new Set(meanwhile.map((i) => i.sound)), new Set(['call']));
  const gaps = meanwhile.slice(1).map((i, n) => i.at - meanwhile[n].at);
  assert.ok(gaps.length >= 1 && gaps.every((g) => g >= ATTENDED_MS), `${gaps}`);
  const after = of('p2').filter((i) => i.at >= 55_000);
  assert.ok(after.length >= 4 && after.every((i) => i.sound === 'alarm'), 'with that one lifted it is full again');
  const first = of('p7').slice(0, 2);
  assert.deepEqual(first.map((i) => [i.sound, i.at]), [['call', 10_000], ['alarm', 10_000 + HIGH_AFTER_MS]], 'the other one waits for nothing');
});

test('an alarm that the board learns of late is called whole and with its number, before the next one', () => {
  const items = heard((now) => [pair(2, now >= 750 ? 150 : null), pair(7, now >= 1500 ? 1350 : null)], 12_000);
  const sounds = items.filter((i) => i.sound !== null);
  assert.deepEqual(sounds.slice(0, 3).map((i) => [i.sound, i.pair ?? null]), [['call', 'p2'], ['knock', null], ['knock', null]]);
  assert.equal(sounds[0].at, 750);
  for (let i = 1; i < sounds.length; i += 1) assert.ok(sounds[i].at >= endOf(sounds[i - 1]));
});

test('where the browser has a voice the number is spoken in place of the knocks', () => {
  const items = heard(() => [pair(4, 1000)], 12_000, { speaks: true });
  assert.ok(items.some((i) => i.say === 'pair 4. no answer'));
  assert.ok(!items.some((i) => i.sound?.startsWith('knock')));
});

test('"I\'m going" quiets that pair for its time and no other, and cuts what sounds', () => {
  const facts = (/** @type {number} */ now) => [pair(1, 1000, now >= 7000 ? { quiet_until: 22_000 } : {}), pair(2, 12_000)];
  const items = calls(heard(facts, 30_000));
  const one = items.filter((i) => i.pair === 'p1').map((i) => i.at);
  assert.deepEqual(one.filter((at) => at < 7000), [1000, 6000]);
  assert.deepEqual(one.filter((at) => at >= 7000 && at < 22_000), []);
  assert.ok(one.some((at) => at >= 22_000 && at < 27_000), 'it comes back by itself');
  assert.equal(items.find((i) => i.pair === 'p2')?.at, 12_000, 'another pair is heard at once');
});

test('an alarm that comes if nothing happens is laid ahead, and taken back by an answer', () => {
  const voice = newBoardVoice();
  const how = { speaks: false, fault_at: null };
  assert.ok(voice.plan([pair(1, 40_000)], 0, how).some((i) => i.sound === 'call' && i.at === 40_000));
  assert.deepEqual(voice.plan([pair(1, null)], 250, how), []);
});

test('faults sound lower than alarms, and never over one', () => {
  assert.ok(SOUNDS.fault.peak_db < SOUNDS.call.peak_db && SOUNDS.call.peak_db < SOUNDS.alarm.peak_db);
  const items = heard(() => [pair(1, 15_000)], 60_000, { fault_at: 500 });
  const faults = items.filter((i) => i.sound === 'fault');
  assert.ok(faults.length > 0);
  for (const f of faults) {
    for (const other of items) if (other !== f && other.sound) assert.ok(other.at >= endOf(f) || endOf(other) <= f.at);
  }
});

test('a pair with no fit device: the board sounds its prompt and again, an alarm of another goes first', () => {
  const rungs = [{ rung: /** @type {const} */ ('prompt'), at: 1000, until: 6000 }, { rung: /** @type {const} */ ('again'), at: 6000, until: 11_000 }];
  const alone = heard(() => [pair(5, 11_000, { rungs })], 12_000);
  assert.deepEqual(alone.filter((i) => i.rung !== 'alarm' && i.rung).map((i) => [i.sound, i.at, i.pair_number]), [['prompt', 1000, 5], ['again', 6000, 5], ['again', 8500, 5]]);
  const both = heard(() => [pair(5, 11_000, { rungs }), pair(1, 5900)], 12_000);
  assert.equal(calls(both)[0].at, 5900);
  assert.ok(Number(both.find((i) => i.sound === 'again')?.at) >= 5900 + SOUNDS.call.length_ms);
});

test('the rungs taken over end where the next higher one begins', () => {
  const status = /** @type {any} */ ({
    ladder: { rung: 'prompt', asks: 'tap', at: 100 }, bring_up: null,
    next_abs: [{ rung: 'again', asks: 'tap', at: 5100 }, { rung: 'alarm', asks: 'tap', at: 9100 }],
  });
  assert.deepEqual(takenRungs(status, 200), [{ rung: 'prompt', at: 100, until: 5100 }, { rung: 'again', at: 5100, until: 9100 }]);
});

test('numbers in knocks: a long one for five, a short one for one', () => {
  const told = (/** @type {number} */ n) => knocksOf(n).map((k) => (k.sound === 'knock-five' ? 'L' : 's')).join('');
  assert.deepEqual([1, 4, 5, 7, 12].map(told), ['s', 'ssss', 'L', 'Lss', 'LLss']);
});

test('each pair\'s prompts have a pitch of their own: pair 1 as published, neighbours well apart, all partials under 4 kHz', () => {
  const pitches = Array.from({ length: 12 }, (_, i) => pitchOf('prompt', i + 1));
  assert.equal(pitches[0], 1);
  assert.equal(new Set(pitches.slice(0, 6)).size, 6);
  for (let i = 1; i < 12; i += 1) assert.ok(Math.abs(Math.log2(pitches[i] / pitches[i - 1])) * 12 >= 5.9, `pairs ${i} and ${i + 1}`);
  for (const name of /** @type {const} */ (['prompt', 'prompt-quiet'])) {
    const highest = Math.max(...SOUNDS[name].pulses.map((p) => p.hz)) * SOUNDS[name].partials_db.length;
    for (const pitch of pitches) assert.ok(highest * pitch < 4000, `${name} at ${pitch}`);
    for (const pitch of pitches) assert.ok(Math.min(...SOUNDS[name].pulses.map((p) => p.hz)) * pitch >= 150);
  }
  for (const name of /** @type {const} */ (['again', 'alarm', 'fault'])) assert.equal(pitchOf(name, 3), 1, `${name} is the same for everybody`);
});
