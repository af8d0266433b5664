// Presses through the very pages of a hold: what is one press doubled (hazards H12, H22).
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { phoneInAHold } from './touch_helper.js';
import * as live from '../views/live.js';

test('H12 H22 dry: one doubled press is a tap given, and no answer', async () => {
  for (const gap_ms of [60, 80, 150, 300]) {
    const phone = await phoneInAHold('dry');
    phone.shows(live);
    for (let s = 0; s < 200 && phone.model.status()?.standing?.asks !== 'tap'; s += 1) {
      await phone.wait(1000);
      if (phone.model.status()?.standing?.asks === 'look') await phone.model.record('look', null);
    }
    const slab = phone.surface('TAP NOW');
    await phone.touch(slab, 140);
    await phone.wait(gap_ms);
    assert.equal(phone.words(slab), 'press when they answer', 'the slab already asks for the answer');
    await phone.touch(slab, 140);
    await phone.wait(200);
    assert.equal(phone.kinds().at(-1), 'asked', `${gap_ms} ms between the contacts`);
    assert.equal(slab.getAttribute('data-pressed'), null, 'and it is seen that the second did not count');
    assert.notEqual(phone.model.status()?.standing, null, 'the prompt stands');
    await phone.wait(700);
    await phone.touch(slab, 140);
    await phone.wait(50);
    assert.equal(phone.kinds().at(-1), 'answered', 'an answer is still one press');
    assert.equal(phone.model.status()?.standing, null);
  }
});
