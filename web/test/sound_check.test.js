// Ensures that sound counts as proven only when a person counted a random number of beeps rightly while the audio clock
// ran (H04).
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { HINTS, LEAST_BEEPS, MOST_BEEPS, createSoundCheck } from '../sound/check.js';

/** A sound that plays nothing but keeps what it was told. @param {boolean} [clockRuns] */
function recorder(clockRuns = true) {
  const said = /** @type {{beeps: number[], unproved: number, proved: number}} */ ({ beeps: [], unproved: 0, proved: 0 });
  return {
    said,
    /** @param {number} beeps */
    async check(beeps) {
      said.beeps.push(beeps);
      return { beeps, rate: 1, ran_ms: 1000, clock_ok: clockRuns };
    },
    proved() {
      said.proved += 1;
      return clockRuns;
    },
    unproved() {
      said.unproved += 1;
    },
  };
}

test('H04 between 2 and 4 beeps, each as likely', async () => {
  const sound = recorder();
  for (const value of [0, 0.33, 0.34, 0.66, 0.67, 0.999999]) await createSoundCheck(sound, () => value).play();
  assert.deepEqual(sound.said.beeps, [2, 2, 3, 3, 4, 4]);
  assert.deepEqual([LEAST_BEEPS, MOST_BEEPS], [2, 4]);
});

test('H04 the right count proves it, a wrong one does not', async () => {
  for (let count = 0; count <= 5; count++) {
    const sound = recorder();
    const check = createSoundCheck(sound, () => 0.5);
    await check.play();
    const { result } = check.answer(count);
    assert.equal(result, count === 3 ? 'proven' : 'wrong');
    assert.deepEqual([sound.said.proved, sound.said.unproved], count === 3 ? [1, 0] : [0, 1]);
  }
});

test('H04 a right count while the audio clock stood still proves nothing', async () => {
  const check = createSoundCheck(recorder(false), () => 0.5);
  await check.play();
  assert.equal(check.answer(3).result, 'not-played');
});

test('H04 nothing can be answered twice, or before it was played', async () => {
  const sound = recorder();
  const check = createSoundCheck(sound, () => 0.5);
  assert.equal(check.answer(0).result, 'not-played');
  await check.play();
  assert.ok(check.waiting());
  check.answer(2);
  assert.ok(!check.waiting());
  assert.equal(check.answer(3).result, 'not-played');
  assert.equal(sound.said.proved, 0);
});

test('H04 the second wrong count in a row brings the hints, and a right one clears them', async () => {
  const check = createSoundCheck(recorder(), () => 0.5);
  const hints = [];
  for (const count of [2, 4, 0, 3, 2]) {
    await check.play();
    hints.push(check.answer(count).hints.length);
  }
  assert.deepEqual(hints, [0, HINTS.length, HINTS.length, 0, 0]);
  assert.match(HINTS.join(' '), /Ringer.*Volume.*Headset/);
});

test('H04 what could not be played cannot be answered', async () => {
  const check = createSoundCheck({ ...recorder(), check: async () => { throw new Error('No sound can be played'); } }, () => 0.5);
  await assert.rejects(check.play(), /No sound can be played/);
  assert.ok(!check.waiting());
  assert.equal(check.answer(3).result, 'not-played');
});
