// Ensures that the audio clock is joined to the page's clock within the limits, and that a sound that is late is still
// heard where it matters.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { SOUNDS } from '../sound/patterns.js';
import { createAudioClock, lateOffset, speakerAt } from '../sound/queue.js';

/**
 * Reads an audio clock at 4 Hz from 0 on.
 * @param {ReturnType<typeof createAudioClock>} clock @param {number} from_ms @param {number} to_ms
 * @param {(now_ms: number) => number} audioMs @param {(now_ms: number) => number} [wallMs]
 */
function run(clock, from_ms, to_ms, audioMs, wallMs = (t) => t) {
  const seen = [];
  for (let t = from_ms; t <= to_ms; t += 250) {
    seen.push({ t, ...clock.sample({ audio_s: audioMs(t) / 1000, speaker_s: audioMs(t) / 1000, now_ms: t, wall_ms: wallMs(t) }) });
  }
  return seen;
}

test('H04 a steady clock, its reading coarse by 20 ms, is never found to part', () => {
  const clock = createAudioClock();
  let seed = 7;
  const coarse = (/** @type {number} */ t) => t + 5000 - ((seed = (seed * 16807) % 2147483647) % 21);
  const seen = run(clock, 0, 300_000, coarse);
  assert.deepEqual(seen.filter((s) => s.still || s.parted || s.unsteady), []);
  assert.ok(Math.abs(clock.audioAt(400_000) * 1000 - 404_990) <= 10);
  assert.ok(Math.abs(clock.deviceAt(clock.audioAt(400_000)) - 400_000) < 0.001);
});

test('H06 a clock that drifts by 200 ppm is followed, not called unsteady', () => {
  const clock = createAudioClock();
  const seen = run(clock, 0, 600_000, (t) => t * 1.0002);
  assert.deepEqual(seen.filter((s) => s.still || s.unsteady), []);
  assert.ok(Math.abs(clock.audioAt(600_000) * 1000 - 600_120) < 1);
});

test('H04 a clock that stands still is found within the next tick after 300 ms', () => {
  const clock = createAudioClock();
  run(clock, 0, 5000, (t) => t);
  const seen = run(clock, 5250, 6000, () => 5000);
  assert.deepEqual(seen.map((s) => s.still), [false, true, true, true]);
  assert.equal(clock.still_ms(), 1000);
  const [back] = run(clock, 6250, 6250, () => 5100);
  assert.deepEqual([back.still, back.parted], [false, true], 'when it moves again everything is laid anew');
});

test('H04 a jump is found at once, a creeping difference above 30 ms soon, one below not', () => {
  // A clock that lost 3 s was not read meanwhile: the page was frozen with it.
  for (const [jump_ms, within] of [[3000, 0], [-3000, 0], [200, 0], [60, 500], [-60, 500], [25, Infinity]]) {
    const clock = createAudioClock();
    run(clock, 0, 5000, (t) => t);
    const from = 5250 + Math.max(0, -jump_ms);
    const first = run(clock, from, from + 4000, (t) => t + jump_ms).find((s) => s.parted);
    if (within === Infinity) assert.equal(first, undefined, `${jump_ms}`);
    else assert.ok(first && first.t - from <= within, `${jump_ms}: ${first?.t}`);
    assert.ok(Math.abs(clock.audioAt(9000) * 1000 - 9000 - jump_ms) < 1, `${jump_ms}: followed`);
  }
});

test('H04 a clock that keeps losing time is unsteady, and steady again ten seconds after it stopped losing', () => {
  const clock = createAudioClock();
  run(clock, 0, 5000, (t) => t);
  const losing = run(clock, 5250, 12_000, (t) => t - (t - 5000) * 0.04);
  const first = losing.find((s) => s.unsteady);
  assert.ok(first && first.t < 9000, `${first?.t}`);
  const steady = run(clock, 12_250, 25_000, (t) => t - 280);
  assert.ok(steady[0].unsteady);
  const clear = steady.find((s) => !s.unsteady);
  assert.ok(clear && clear.t > 20_000 && clear.t <= 23_000, `${clear?.t}`);
});

test('H03 a sleep that only the wall clock saw lays everything anew', () => {
  const clock = createAudioClock();
  run(clock, 0, 5000, (t) => t);
  const seen = run(clock, 5250, 6000, (t) => t, (t) => t + 20_000);
  assert.deepEqual(seen.map((s) => s.parted), [true, false, false, false]);
  assert.ok(!seen.some((s) => s.unsteady));
});

test('H02 a late alarm is heard at once, and then with the others', () => {
  const alarm = /** @type {const} */ ({ at: 0, sound: 'alarm', level: 1, key: 'a', late: 'join' });
  assert.equal(lateOffset(alarm, -10), 0);
  assert.equal(lateOffset(alarm, 250), 0, 'a little late: whole');
  assert.equal(lateOffset(alarm, 1200), 1200, 'in the middle: where the others are');
  assert.equal(lateOffset(alarm, 2600), SOUNDS.alarm.join_ms, 'after it: the second half at once');
  // Never silent for longer than it takes to hear the next one.
  let worst = 0;
  for (let late = 0; late < 5000; late += 10) {
    if (lateOffset(alarm, late) === null) worst = Math.max(worst, 5000 - late);
  }
  assert.ok(worst > 0 && worst <= 1200, `${worst}`);
});

test('a late prompt is said whole, a late breath is joined, a late chime is left out', () => {
  assert.equal(lateOffset({ at: 0, sound: 'prompt', level: 1, key: 'p', late: 'whole' }, 3000), 0);
  assert.equal(lateOffset({ at: 0, sound: 'breath-in', level: 1, key: 'b', late: 'join' }, 1000), 1000);
  assert.equal(lateOffset({ at: 0, sound: 'breath-in', level: 1, key: 'b', late: 'join' }, 2100), null);
  assert.equal(lateOffset({ at: 0, sound: 'minute', level: 1, key: 'm' }, 40), null);
  assert.equal(lateOffset({ at: 0, sound: null, level: 1, key: 'z', buzz: [90] }, 40), null);
});

test('what is at the speaker is what the browser stamps, where its stamp is sane; else what its latency says', () => {
  /** @param {object} [over] */
  const context = (over) => /** @type {any} */ ({
    outputLatency: 0.032, baseLatency: 0.01, getOutputTimestamp: () => ({ contextTime: 9.96, performanceTime: 4990 }), ...over,
  });
  const near = (/** @type {number} */ got, /** @type {number} */ want) => assert.ok(Math.abs(got - want) < 1e-9, `${got}`);
  near(speakerAt(context(), 10, 5000), 9.97);
  near(speakerAt(context({ outputLatency: 0 }), 10, 5000), 9.97);
  for (const stamp of [
    { contextTime: 8.4, performanceTime: 4990 }, // far from what the latency says
    { contextTime: 9.96, performanceTime: 4700 }, // old
    { contextTime: 9.96, performanceTime: 5001 }, // ahead
    { contextTime: 0, performanceTime: 0 }, {},
  ]) near(speakerAt(context({ getOutputTimestamp: () => stamp }), 10, 5000), 9.968);
  near(speakerAt(context({ getOutputTimestamp: undefined }), 10, 5000), 9.968);
  near(speakerAt(context({ getOutputTimestamp: undefined, outputLatency: 0 }), 10, 5000), 9.96);
});
