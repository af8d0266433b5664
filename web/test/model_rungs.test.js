// Who sounds what, and who takes over (PROTOCOL.md, 3.9; hazards H03, H09, H25).
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { anotherIsFit, isFit, partOf, unheardMs } from '../app/rungs.js';
import { FAULT_DOUBT_MS } from '../app/time.js';

/** @typedef {import('../app/rungs.js').Present} Present */

const HOLD = 'aaaaaaaaaa-h01';
const FIT = { visible: true, sound: 'proven', hold: HOLD };
const HIDDEN = { ...FIT, visible: false };
const UNPROVEN = { ...FIT, sound: 'unproven' };

/**
 * @param {string} device
 * @param {string} role
 * @param {Partial<Present>} [over]
 * @returns {Present}
 */
const there = (device, role, over = {}) => ({ device, role, age_ms: 200, state: FIT, ...over });

/**
 * @param {Present} me
 * @param {Present[]} others
 * @param {{phase?: string, stage?: string | null}} [at]
 */
const part = (me, others, { phase = 'hold', stage = 'easy' } = {}) =>
  partOf({ me: { device: me.device, role: me.role, state: me.state }, present: others, hold: HOLD, phase, stage });

test('one phone alone sounds everything, proven or not', () => {
  for (const state of [FIT, HIDDEN, UNPROVEN, {}]) {
    assert.deepEqual(part(there('b', 'buddy', { state }), []).part, 'buddy');
  }
});

test('the buddy prompts, the diver\'s phone and a siren keep to theirs', () => {
  const b = there('b', 'buddy');
  const d = there('d', 'diver');
  const s = there('s', 'siren');
  assert.deepEqual(part(b, [d, s]), { part: 'buddy', takes: true, elected: 'b' });
  assert.deepEqual(part(d, [b, s]), { part: 'diver', takes: false, elected: 'b' });
  assert.deepEqual(part(s, [b, d]), { part: 'siren', takes: false, elected: 'b' });
});

test('of two buddies the first who joined, is seen and has proven sound prompts', () => {
  const one = there('b1', 'buddy');
  const two = there('b2', 'buddy');
  assert.equal(part(one, [one, two]).takes, true);
  assert.equal(part(two, [one, two]).takes, false);
  const mute = there('b1', 'buddy', { state: UNPROVEN });
  assert.equal(part(two, [mute, two]).takes, true);
});

test('H03 a hidden buddy\'s phone is replaced: second buddy, then siren, then the diver\'s phone', () => {
  const b = there('b', 'buddy', { state: HIDDEN });
  const b2 = there('b2', 'buddy');
  const s = there('s', 'siren');
  const d = there('d', 'diver');
  assert.equal(part(b2, [b, d, s]).part, 'buddy');
  assert.equal(part(s, [b, b2, d]).part, 'siren');
  assert.equal(part(s, [b, d]).part, 'buddy');
  assert.equal(part(d, [b, s]).part, 'diver');
  assert.equal(part(d, [b]).part, 'buddy');
});

test('H03 a phone that gives up its rungs goes on sounding until another says it has them', () => {
  const b = there('b', 'buddy', { state: HIDDEN });
  const waits = there('b2', 'buddy', { state: { ...FIT, takes: false } });
  const took = there('b2', 'buddy', { state: { ...FIT, takes: true } });
  assert.equal(part(b, [b, waits]).takes, true);
  assert.equal(part(b, [b, took]).takes, false);
});

test('H09 a buddy\'s phone not heard for 5 s is replaced; in late, final and recovery after 2 s', () => {
  const d = there('d', 'diver');
  const heard = (/** @type {number} */ age_ms) => there('b', 'buddy', { age_ms });
  assert.equal(part(d, [heard(5000)]).part, 'diver');
  assert.equal(part(d, [heard(5001)]).part, 'buddy');
  for (const at of [{ stage: 'late' }, { stage: 'final' }, { phase: 'recovery', stage: null }]) {
    assert.equal(part(d, [heard(2000)], at).part, 'diver');
    assert.equal(part(d, [heard(2001)], at).part, 'buddy', JSON.stringify(at));
  }
  assert.equal(unheardMs('watch', null), 5000);
});

test('where nobody is fit but the buddy\'s page is seen, the buddy sounds as well as it can', () => {
  const b = there('b', 'buddy', { state: UNPROVEN });
  const d = there('d', 'diver', { state: UNPROVEN });
  assert.equal(part(b, [d]).takes, true);
  assert.equal(part(d, [b]).part, 'diver');
});

test('where nobody is fit and no buddy is seen, every device sounds what it can', () => {
  const b = there('b', 'buddy', { state: HIDDEN });
  const d = there('d', 'diver', { state: UNPROVEN });
  const s = there('s', 'siren', { state: UNPROVEN });
  assert.equal(part(b, [d, s]).takes, true);
  assert.equal(part(d, [b, s]).takes, true);
  assert.equal(part(s, [b, d]).takes, true);
});

test('an instructor\'s device never takes the rungs', () => {
  assert.deepEqual(part(there('i', 'instructor'), []), { part: 'siren', takes: false, elected: null });
});

test('however two buddies see each other, at least one of them sounds', () => {
  /** @type {import('../app/rungs.js').PresenceState[]} */
  const states = [FIT, HIDDEN, UNPROVEN, { ...FIT, takes: true }, { ...HIDDEN, takes: true }];
  const ages = [0, 1500, 2500, 6000];
  for (const s1 of states) {
    for (const s2 of states) {
      for (const age of ages) {
        for (const stage of ['easy', 'final']) {
          const one = there('b1', 'buddy', { state: s1, age_ms: age });
          const two = there('b2', 'buddy', { state: s2, age_ms: age });
          const line = [one, two];
          // What each says of itself follows from what it decided; let it settle.
          let t1 = s1.takes ?? false;
          let t2 = s2.takes ?? false;
          for (let round = 0; round < 4; round += 1) {
            const see = [
              { ...one, state: { ...s1, takes: t1 } },
              { ...two, state: { ...s2, takes: t2 } },
            ];
            const p1 = part({ ...see[0] }, see, { stage });
            const p2 = part({ ...see[1] }, see, { stage });
            assert.ok(p1.takes || p2.takes, `${JSON.stringify(line)} round ${round}`);
            t1 = p1.takes;
            t2 = p2.takes;
          }
        }
      }
    }
  }
});

test('fit means seen and proven', () => {
  assert.equal(isFit(FIT), true);
  assert.equal(isFit(HIDDEN), false);
  assert.equal(isFit(UNPROVEN), false);
  assert.equal(anotherIsFit([there('b', 'buddy'), there('d', 'diver')], 'b', { hold: HOLD, phase: 'hold', stage: 'easy' }), true);
  assert.equal(anotherIsFit([there('b', 'buddy')], 'b', { hold: HOLD, phase: 'hold', stage: 'easy' }), false);
  assert.equal(anotherIsFit([there('d', 'diver', { age_ms: 3000 })], 'b', { hold: HOLD, phase: 'hold', stage: 'final' }), false);
});

test('H06 H09 a device whose clock is too far off is not fit: the next one takes the rungs', () => {
  const off = { ...FIT, doubt_ms: FAULT_DOUBT_MS + 1, takes: true };
  assert.deepEqual([isFit(off), isFit({ ...FIT, doubt_ms: FAULT_DOUBT_MS }), isFit({ ...FIT, doubt_ms: null })], [false, true, true]);
  const replaced = there('b2', 'buddy', { state: off });
  const d = there('d', 'diver');
  assert.deepEqual(part(d, [d, replaced], { stage: 'late' }), { part: 'buddy', takes: true, elected: 'd' });
  assert.equal(anotherIsFit([replaced], 'd', { hold: HOLD, phase: 'hold', stage: 'late' }), false);
  assert.equal(part(replaced, [], { stage: 'late' }).takes, true, 'alone it sounds all the same');
});

test('H01 a phone whose page is at another hold, or has none, or does not say, sounds nothing for this one', () => {
  const two = there('b2', 'buddy');
  const d = there('d', 'diver');
  for (const hold of ['aaaaaaaaaa-h02', null, undefined]) {
    const first = there('b1', 'buddy', { state: { ...FIT, hold, takes: true } });
    assert.deepEqual(part(two, [first, two, d]), { part: 'buddy', takes: true, elected: 'b2' });
    assert.deepEqual(part(d, [first, d]), { part: 'buddy', takes: true, elected: 'd' });
    const muteFirst = { ...first, state: { ...first.state, sound: 'unproven' } };
    const mute = there('d', 'diver', { state: UNPROVEN });
    assert.equal(part(mute, [muteFirst, mute]).takes, true, 'nor as well as it can');
    assert.equal(anotherIsFit([first], 'b2', { hold: HOLD, phase: 'hold', stage: 'easy' }), false);
  }
  const siren = there('s', 'siren', { state: { ...FIT, hold: null, board: true } });
  assert.deepEqual(part(d, [siren, d]), { part: 'diver', takes: false, elected: 's' }, 'a siren for all pairs is at every hold');
});
