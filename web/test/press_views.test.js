// Presses through the very pages of a hold: what is too short for the water, and what is one press doubled (hazards H12, H22).
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { phoneInAHold } from './touch_helper.js';
import * as incident from '../views/incident.js';
import * as live from '../views/live.js';
import * as recovery from '../views/recovery.js';

/** @typedef {Awaited<ReturnType<typeof phoneInAHold>>} Phone */

/** Long enough for any dead time after a change. */
const SETTLED_MS = 1100;

/**
 * Touches all that can be pressed just too shortly for a pool.
 * @param {Phone} phone
 * @param {string} where
 */
async function tooShort(phone, where) {
  await phone.wait(SETTLED_MS);
  const all = phone.surfaces();
  const before = phone.recorded();
  for (const surface of all) {
    const said = phone.words(surface);
    await phone.touch(surface, 249);
    await phone.wait(300);
    assert.equal(phone.recorded(), before, `${where}: 249 ms on [${said}]`);
  }
  assert.deepEqual(phone.surfaces().length, all.length, `${where}: nothing has opened or closed`);
}

/** @param {Phone} phone @param {string} words */
async function presses(phone, words) {
  await phone.wait(SETTLED_MS);
  await phone.touch(phone.surface(words), 250);
}

test('H12 in a pool no key of a hold counts a contact of less than 250 ms', async () => {
  const phone = await phoneInAHold('pool');
  phone.shows(live);
  await tooShort(phone, 'hold');
  await presses(phone, 'contraction');
  assert.equal(phone.kinds().at(-1), 'contraction');
  await tooShort(phone, 'where the contraction was');
  await presses(phone, 'showed it');
  assert.deepEqual(phone.kinds().slice(-2).sort(), ['amend', 'contraction'], 'at 250 ms it counts');
  await phone.wait(12_000);
  await presses(phone, 'sign');
  assert.ok(phone.surface('tense'));
  // Nobody's choice closes after 10 s, so the signs are opened again for each.
  const signs = phone.surfaces().filter((n) => n.getAttribute('class')?.startsWith('choice'));
  assert.ok(signs.length >= 5);
  for (const sign of signs) {
    if (!phone.surfaces().includes(sign)) await presses(phone, 'sign');
    await phone.wait(SETTLED_MS);
    const before = phone.recorded();
    await phone.touch(sign, 249);
    assert.equal(phone.recorded(), before, phone.words(sign));
  }
});

test('H12 in a pool no key after surfacing counts a contact of less than 250 ms', async () => {
  const phone = await phoneInAHold('pool');
  await phone.wait(20_000);
  await phone.model.record('surfaced', null);
  phone.shows(recovery);
  await tooShort(phone, 'recovery');
  await presses(phone, 'OK sign');
  assert.equal(phone.kinds().at(-1), 'ok');
  await phone.wait(8000);
  await presses(phone, 'watch');
  await tooShort(phone, 'the way to an early end');
});

test('H12 in a pool no key of AWAKE? counts a contact of less than 250 ms', async () => {
  const phone = await phoneInAHold('pool');
  await phone.wait(20_000);
  await phone.model.record('no-answer', null);
  await phone.wait(1000);
  await phone.model.record('surfaced', null);
  phone.shows(recovery);
  await phone.wait(SETTLED_MS);
  const before = phone.recorded();
  await phone.touch(phone.surface('not awake'), 249);
  assert.equal(phone.recorded(), before);
  await phone.wait(300);
  await phone.touch(phone.surface('not awake'), 250);
  assert.equal(phone.kinds().at(-1), 'incident');
});

test('H12 in a pool no key of an incident counts a contact of less than 250 ms', async () => {
  const phone = await phoneInAHold('pool');
  await phone.wait(20_000);
  await phone.model.record('incident', { what: 'unknown' });
  phone.shows(incident);
  await tooShort(phone, 'nobody is with them');
  await presses(phone, 'with them');
  assert.equal(phone.kinds().at(-1), 'with-them');
  await tooShort(phone, 'somebody is with them');
  await presses(phone, 'step done');
  assert.equal(phone.kinds().at(-1), 'step');
});

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
