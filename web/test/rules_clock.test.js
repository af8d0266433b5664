import assert from 'node:assert/strict';
import { test } from 'node:test';
import { delayMs, newClockEstimate, offsetMs } from '../rules/clock.js';
import { randomFrom } from './rules_helper.js';

// RFC 5905, section 8 (grade: read): offset ((t2 − t1) + (t3 − t4)) / 2, delay (t4 − t1) − (t3 − t2), and the error of the
// offset is at most half the delay, whatever the asymmetry.
test('one exchange: offset and delay by RFC 5905', () => {
  // The server is 5,000 ms ahead; 30 ms there, 4 ms at the server, 10 ms back.
  const exchange = { t1: 1000, t2: 6030, t3: 6034, t4: 1044 };
  assert.equal(delayMs(exchange), 40);
  assert.equal(offsetMs(exchange), 5010);
  assert.ok(Math.abs(offsetMs(exchange) - 5000) <= delayMs(exchange) / 2);
  const clock = newClockEstimate({ stepMs: 0, driftPpm: 30 });
  assert.equal(clock.add(exchange, 'one'), true);
  assert.deepEqual(clock.at(1044), { offset_ms: 5010, doubt_ms: 20, synced: false });
});

test('four exchanges that agree: the middle of what all of them allow', () => {
  const clock = newClockEstimate({ stepMs: 0, driftPpm: 0 });
  // Offset 100; legs out and back of 10/50, 50/10, 20/20, 30/30 ms: so between 100 − 10 and 100 + 10.
  for (const [t1, out, back] of [[0, 10, 50], [1000, 50, 10], [2000, 20, 20], [3000, 30, 30]]) {
    const t2 = t1 + 100 + out;
    clock.add({ t1, t2, t3: t2, t4: t2 - 100 + back }, 'one');
  }
  assert.deepEqual(clock.at(4000), { offset_ms: 100, doubt_ms: 10, synced: true });
});

test('the step of the clock and the age widen the doubt, both rounded away from zero', () => {
  const clock = newClockEstimate({ stepMs: 0.1, driftPpm: 30 });
  for (let t = 0; t < 4; t++) clock.add({ t1: t, t2: t + 7, t3: t + 7, t4: t }, 'one');
  assert.deepEqual(clock.at(3), { offset_ms: 7, doubt_ms: 0.1, synced: true });
  // 100,003 ms after the newest: 3.0001 ms of drift, so 3.001.
  assert.deepEqual(clock.at(100006), { offset_ms: 7, doubt_ms: 3.101, synced: true });
});

test('exchanges that cannot be are not taken', () => {
  const clock = newClockEstimate({ stepMs: 0, driftPpm: 30 });
  for (const exchange of [
    { t1: 10, t2: 0, t3: 0, t4: 9 }, { t1: 0, t2: 5, t3: 4, t4: 9 }, { t1: 0, t2: 0, t3: 10, t4: 9 },
    { t1: NaN, t2: 0, t3: 0, t4: 9 }, { t1: 0, t2: Infinity, t3: Infinity, t4: 9 },
  ]) assert.equal(clock.add(exchange, 'one'), false);
  assert.deepEqual(clock.at(9), { offset_ms: null, doubt_ms: null, synced: false });
});

test('another clock id voids what was known', () => {
  const clock = newClockEstimate({ stepMs: 0, driftPpm: 30 });
  for (let t = 0; t < 10; t++) clock.add({ t1: t, t2: t + 50, t3: t + 50, t4: t + 1 }, 'one');
  assert.equal(clock.at(10).synced, true);
  clock.add({ t1: 20, t2: 920, t3: 920, t4: 21 }, 'two');
  assert.deepEqual(clock.at(21), { offset_ms: 899.5, doubt_ms: 0.5, synced: false });
});

/**
 * Exchanges over a link that delays each leg by its own random time.
 * @param {{seconds: number, ppm: number, seed: number, jump?: {at: number, by: number}}} options
 * @param {(error: number, reading: import('../rules/clock.js').ClockReading, t: number) => void} visit
 */
function exchangesOver({ seconds, ppm, seed, jump }, visit) {
  const random = randomFrom(seed);
  const clock = newClockEstimate({ stepMs: 0.1, driftPpm: 30 });
  const server = (/** @type {number} */ real) => 1790000000000 + real;
  const device = (/** @type {number} */ real) =>
    Math.floor((real * (1 + ppm / 1e6) + (jump && real >= jump.at ? jump.by : 0)) * 10) / 10;
  for (let real = 0; real < seconds * 1000; real += 1000) {
    const leg = () => 20 + 15 * (random() + random() - 1) + (random() < 0.02 ? 400 * random() : 0);
    const [out, back] = [leg(), leg()];
    const exchange = { t1: device(real), t2: server(real + out), t3: server(real + out + 0.2), t4: device(real + out + 0.2 + back) };
    assert.equal(clock.add(exchange, 'one'), true);
    const later = real + 500;
    const reading = clock.at(device(later));
    visit(Number(reading.offset_ms) - (server(later) - device(later)), reading, real / 1000);
  }
}

test('H06 the doubt is never less than the error, and both are small', () => {
  for (const [seed, ppm] of [[1, 0], [2, 20], [3, -25]]) {
    exchangesOver({ seconds: 300, ppm, seed }, (error, { doubt_ms: doubt, synced }, t) => {
      assert.ok(Math.abs(error) <= Number(doubt) + 0.1, `off by ${error} at ${t} s, said ${doubt}`);
      assert.equal(synced, t >= 3);
      if (t > 30) assert.ok(Number(doubt) < 15, `doubt ${doubt} at ${t} s`);
    });
  }
});

test('H06 a drift of 200 ppm sheds old exchanges and stays within a few ms', () => {
  exchangesOver({ seconds: 600, ppm: 200, seed: 4 }, (error, { synced }, t) => {
    assert.ok(Math.abs(error) < 20, `off by ${error} at ${t} s`);
    assert.equal(synced, t >= 3);
  });
});

test('H06 a clock that jumps is unsynchronised until four new exchanges agree', () => {
  for (const by of [3600000, -3600000, 20000]) {
    exchangesOver({ seconds: 120, ppm: 0, seed: 5, jump: { at: 60000, by } }, (error, { doubt_ms: doubt, synced }, t) => {
      assert.equal(synced, t >= 3 && (t < 60 || t >= 63), `at ${t} s`);
      assert.ok(Math.abs(error) <= Number(doubt) + 0.1, `off by ${error} at ${t} s, said ${doubt}`);
    });
  }
});
