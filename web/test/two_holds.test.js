// H05: a phone that was cut off may have begun a hold of its own while the pair's ran.

import test from 'node:test';
import assert from 'node:assert/strict';
import { newBook } from '../app/book.js';
import { statusAt } from '../rules/status.js';

const START = 1_790_000_000_000;

/** A book with hold A, a look at 29 s, and the hold B that another phone begins at 60 s. */
function twoHolds() {
  const book = newBook();
  /** @type {Record<string, number>} */
  const counters = {};
  /** @param {string} device @param {string} hold @param {string} kind @param {number} t @param {Record<string, unknown>} [data] */
  const add = (device, hold, kind, t, data) => {
    counters[device] = (counters[device] ?? 0) + 1;
    book.add({ id: `${device}-${String(counters[device]).padStart(6, '0')}`, hold, kind, at: START + t, by: 'buddy', ...(data ? { data } : {}) }, 'pair');
  };
  const plan = { planned_s: 240, setting: 'pool', cadence: 'standard' };
  add('one', 'A', 'plan', -90_000, plan);
  add('one', 'A', 'start', 0);
  add('one', 'A', 'look', 29_000);
  add('two', 'B', 'plan', 20_000, plan);
  add('two', 'B', 'start', 60_000);
  const at = (/** @type {number} */ t) => {
    const hold = book.current('pair', START + t);
    assert.ok(hold);
    return `${hold.id} ${statusAt(hold, START + t).standing?.rung ?? 'calm'}`;
  };
  return { add, at };
}

test('H05 of two holds that run the one in which most is asked for is shown', () => {
  const { add, at } = twoHolds();
  assert.equal(at(58_000), 'A calm', 'B is only planned');
  assert.equal(at(60_000), 'A prompt', 'a look was due at 59');
  assert.equal(at(75_000), 'A alarm');
  add('one', 'A', 'answered', 76_000);
  assert.equal(at(76_000), 'B calm');
  add('two', 'B', 'incident', 92_000, { what: 'unknown' });
  assert.equal(at(125_000), 'B alarm', 'an incident is before an alarm');
  add('one', 'A', 'surfaced', 126_000);
  add('one', 'A', 'watch-ended', 127_000);
  add('two', 'B', 'recovered', 128_000);
  assert.equal(at(128_000), 'B calm');
});
