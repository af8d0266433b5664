// Drawing on a device that is slower than what comes in.

import assert from 'node:assert/strict';
import { test } from 'node:test';

import { newMotion, newPace } from '../app/pace.js';

/** A device whose drawings take so long each. @param {number} costMs */
function device(costMs) {
  const it = {
    t: 0,
    shown: -1,
    latest: 0,
    drawings: 0,
    drew: 0,
    /** @type {{at: number, fn: () => void}[]} */
    later: [],
    changed: () => {},
    /** @param {number} t */
    until(t) {
      while (it.later.length > 0 && it.later[0].at <= t) {
        const { at, fn } = /** @type {{at: number, fn: () => void}} */ (it.later.shift());
        it.t = Math.max(it.t, at);
        fn();
      }
      it.t = Math.max(it.t, t);
    },
  };
  it.changed = newPace(() => {
    it.shown = it.latest;
    it.drawings += 1;
    it.t += costMs;
    it.drew += costMs;
  }, { now: () => it.t, after: (fn, ms) => it.later.push({ at: it.t + ms, fn }) });
  return it;
}

/** Something changes every so often, for ten seconds. @param {ReturnType<typeof device>} d @param {number} everyMs */
function busy(d, everyMs) {
  for (let i = 1; i * everyMs <= 10_000; i++) {
    d.until(i * everyMs);
    d.latest = i;
    d.changed();
  }
}

test('a fast device draws each change at once', () => {
  const d = device(1);
  busy(d, 10);
  assert.equal(d.drawings, 1000);
  assert.equal(d.shown, 1000);
});

test('a slow device draws a third of the time, however much changes, and shows the newest soon', () => {
  for (const [cost, every] of [[50, 10], [50, 1], [200, 7], [30, 31]]) {
    const d = device(cost);
    busy(d, every);
    assert.ok(d.drew <= (10_000 + 3 * cost) / 3, `${cost} ms each ${every} ms: ${d.drew} ms`);
    d.until(d.t + 2 * cost + 1);
    assert.equal(d.shown, d.latest, 'the last change is shown');
    assert.equal(d.later.length, 0);
  }
});

test('nobody waits longer than half a second for a view that was slow to draw', () => {
  const d = device(2000);
  d.changed();
  d.latest = 1;
  d.changed();
  d.until(d.t + 501);
  assert.equal(d.shown, 1);
});

test('a drawing that fails is no end of drawing', () => {
  let fails = true;
  let drawn = 0;
  const changed = newPace(() => {
    if (fails) throw new Error('broken');
    drawn += 1;
  }, { now: () => 0, after: (fn) => fn() });
  assert.throws(changed, /broken/);
  fails = false;
  changed();
  assert.equal(drawn, 1);
});

test('what moves is drawn about thirty times a second, on screens of any speed', () => {
  for (const hz of [24, 30, 60, 90, 120, 144]) {
    /** @type {((ms: number) => void)[]} */
    let frames = [];
    let drawn = 0;
    const move = newMotion(() => {
      drawn += 1;
      move();
      move();
    }, (fn) => frames.push(fn));
    move();
    for (let i = 0; i < 10 * hz; i++) {
      const now = frames;
      frames = [];
      assert.equal(now.length, 1, 'one frame is asked for at a time');
      for (const fn of now) fn((i * 1000) / hz);
    }
    assert.ok(drawn <= 10_000 / 30 + 1, `${hz} Hz: ${drawn}`);
    assert.ok(drawn >= 10 * Math.min(hz, 24), `${hz} Hz: ${drawn}`);
  }
});
