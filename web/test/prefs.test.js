import assert from 'node:assert/strict';
import { test } from 'node:test';

import { newDeviceStore } from '../app/device.js';
import { newPrefs } from '../app/prefs.js';

/** What is set on a device where nothing was set yet. */
const UNSET = newDeviceStore(/** @type {any} */ (null), null).prefs();

/** @param {boolean} dark whether the system asks for dark pages */
function prefsOn(dark) {
  /** @type {any} */ (globalThis).matchMedia = () => ({ matches: dark });
  /** @type {any[]} */
  const kept = [];
  let changes = 0;
  const prefs = newPrefs({ prefs: () => ({ ...UNSET }), setPrefs: (p) => kept.push(p) }, () => (changes += 1));
  return { prefs, kept, changes: () => changes };
}

test('night follows the system until it is set, and again once it is left to it', () => {
  const { prefs, kept, changes } = prefsOn(true);
  assert.equal(prefs.get('night'), true);
  assert.equal(prefs.get('night_mode'), 'auto');
  prefs.set('night', false);
  assert.equal(prefs.get('night'), false);
  assert.equal(prefs.now().night, false);
  assert.equal(kept.at(-1).night, 'day');
  prefs.set('night', true);
  assert.equal(kept.at(-1).night, 'night');
  prefs.set('night', 'auto');
  assert.equal(prefs.get('night_mode'), 'auto');
  assert.equal(prefs.now().night, true);
  assert.equal(changes(), 3);
});

test('what is set is kept, and leaves the rest alone', () => {
  const { prefs, kept } = prefsOn(false);
  prefs.set('hand', 'left');
  assert.deepEqual(kept, [{ ...UNSET, hand: 'left' }]);
  assert.deepEqual(prefs.now(), { ...UNSET, hand: 'left', night: false });
});
