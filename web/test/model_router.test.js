// Which view is on the screen: in a hold the state decides.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { forgetsChoice, readsHere, viewFor } from '../app/router.js';

const NOW = 1_790_000_000_000;

/** @param {string | null} phase @param {object} [over] @returns {any} */
const status = (phase, over = {}) => (phase === null ? null : { hold: 'k7p2qabcde-h01', phase, over_at: null, ...over });

/** @param {{phase?: string | null, role?: string, joined?: boolean, chosen?: any, over?: object}} facts */
const shown = ({ phase = null, role = 'buddy', joined = true, chosen = null, over }) =>
  viewFor({ joined, role, status: status(phase, over), now: NOW, chosen });

test('a phone that has not joined is asked to join, unless a hold runs on it', () => {
  assert.equal(shown({ joined: false }), 'join');
  assert.equal(shown({ joined: false, chosen: 'plan' }), 'join');
  assert.equal(shown({ joined: false, phase: 'hold' }), 'live');
});

test('the buddy is led through the steps by the phase', () => {
  assert.equal(shown({}), 'plan');
  assert.equal(shown({ phase: 'planned' }), 'plan');
  assert.equal(shown({ phase: 'planned', chosen: 'soundcheck' }), 'soundcheck');
  assert.equal(shown({ phase: 'breathe-up' }), 'breathe');
  assert.equal(shown({ phase: 'breathe-up', chosen: 'place' }), 'place');
  assert.equal(shown({ phase: 'hold' }), 'live');
  assert.equal(shown({ phase: 'recovery' }), 'recovery');
  assert.equal(shown({ phase: 'watch' }), 'recovery');
  assert.equal(shown({ phase: 'over', over: { over_at: NOW - 1000 } }), 'debrief');
  assert.equal(shown({ phase: 'over', over: { over_at: NOW - 1000 }, chosen: 'plan' }), 'plan');
  assert.equal(shown({ phase: 'over', over: { over_at: NOW - 4 * 3_600_000 } }), 'plan', 'an old one is in the log');
});

test('nothing that was chosen stands over a running hold', () => {
  for (const phase of ['hold', 'recovery', 'watch', 'incident']) {
    const view = phase === 'hold' ? 'live' : phase === 'incident' ? 'incident' : 'recovery';
    for (const chosen of ['plan', 'log', 'debrief', 'join', 'soundcheck', null]) {
      assert.equal(shown({ phase, chosen }), view);
    }
  }
});

test('the diver\'s phone is the diver\'s, a siren stays a siren, an incident is on every pair\'s screen', () => {
  for (const phase of ['planned', 'breathe-up', 'hold', 'recovery', 'watch', 'over']) {
    assert.equal(shown({ phase, role: 'diver' }), 'diver');
    assert.equal(shown({ phase, role: 'siren' }), 'siren');
  }
  assert.equal(shown({ phase: 'incident', role: 'diver' }), 'incident');
  assert.equal(shown({ phase: 'incident', role: 'siren' }), 'siren');
  assert.equal(shown({ phase: 'planned', role: 'diver', chosen: 'soundcheck' }), 'soundcheck');
});

test('a choice is forgotten when something happens that all have to see', () => {
  const at = (/** @type {string} */ phase) => ({ hold: 'h', phase });
  assert.equal(forgetsChoice(at('planned'), at('breathe-up')), true);
  assert.equal(forgetsChoice(at('breathe-up'), at('hold')), true);
  assert.equal(forgetsChoice(at('watch'), at('over')), true);
  assert.equal(forgetsChoice(at('over'), at('planned')), false);
  assert.equal(forgetsChoice(at('planned'), at('planned')), false);
  assert.equal(forgetsChoice(null, at('planned')), false);
  assert.equal(forgetsChoice(null, at('hold')), true);
});

test('H15 readings are typed on a second phone only: with another buddy’s phone that looks, and no alarm', () => {
  const other = { device: 'b', role: 'buddy', link: 'live', state: { visible: true } };
  const frame = (/** @type {any} */ over = {}) => ({
    prefs: { reads: true }, me: { device: 'a', role: 'buddy' }, present: [other], status: { standing: null }, ...over,
  });
  assert.equal(readsHere(frame()), true);
  assert.equal(readsHere(frame({ prefs: {} })), false);
  assert.equal(readsHere(frame({ present: [] })), false, 'never the only buddy');
  assert.equal(readsHere(frame({ present: [{ ...other, link: 'lost' }] })), false);
  assert.equal(readsHere(frame({ present: [{ ...other, state: { visible: false } }] })), false);
  assert.equal(readsHere(frame({ present: [{ ...other, state: { visible: true, reads: true } }] })), false, 'two that type are nobody who looks');
  assert.equal(readsHere(frame({ present: [{ ...other, role: 'diver' }] })), false);
  assert.equal(readsHere(frame({ me: { device: 'a', role: 'diver' } })), false);
  assert.equal(readsHere(frame({ status: { standing: { rung: 'alarm' } } })), false);
  const facts = { joined: true, role: 'buddy', now: NOW, chosen: null, reads: true };
  assert.equal(viewFor({ ...facts, status: status('hold') }), 'readings');
  assert.equal(viewFor({ ...facts, status: status('watch') }), 'readings');
  assert.equal(viewFor({ ...facts, status: status('incident') }), 'incident');
  assert.equal(viewFor({ ...facts, status: status('planned') }), 'plan');
});
