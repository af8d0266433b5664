import assert from 'node:assert/strict';
import { test } from 'node:test';

import { newOthers } from '../app/others.js';

test('the ages of other devices grow from when they were told', () => {
  let now = 1000;
  const others = newOthers(() => now);
  others.hear([{ device: 'bbbbbbbbbb', age_ms: 300, state: { sound: 'proven' } }, { device: 'cccccccccc' }]);
  now = 3500.4;
  assert.deepEqual(others.now(), [
    { device: 'bbbbbbbbbb', age_ms: 2800, state: { sound: 'proven' } },
    { device: 'cccccccccc', age_ms: 2500, state: {} },
  ]);
  now = 900; // a clock that went back makes nobody younger
  assert.equal(others.now()[0].age_ms, 300);
});

test('what is no device is passed over, and others are forgotten with their pair', () => {
  const others = newOthers(() => 0);
  others.hear([null, 7, {}, { device: 4 }, { device: 'dddddddddd' }]);
  assert.deepEqual(others.now().map((p) => p.device), ['dddddddddd']);
  others.forget();
  assert.deepEqual(others.now(), []);
});
