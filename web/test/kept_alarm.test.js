// An alarm that sounds on although late news says that it never stood: what ends it, and what does not.

import test from 'node:test';
import assert from 'node:assert/strict';
import { newKeeper } from '../app/voice.js';
import { addEvent, newHold } from '../rules/fold.js';
import { statusAt } from '../rules/status.js';

const START = 1_790_000_000_000;

/** A dry hold, standard checks: with no press the alarm comes at 45 s. */
function begun() {
  const hold = newHold('h-01');
  const keeper = newKeeper();
  /** @type {Record<string, number>} */
  const counters = {};
  /** @param {string} device @param {string} kind @param {number} t ms since the start @param {Record<string, unknown>} [data] */
  const add = (device, kind, t, data) => {
    counters[device] = (counters[device] ?? 0) + 1;
    const id = `${device}-${String(counters[device]).padStart(6, '0')}`;
    addEvent(hold, { id, hold: 'h-01', kind, at: START + t, by: device.startsWith('diver') ? 'diver' : 'buddy', ...(data ? { data } : {}) });
    return id;
  };
  /** @param {number} t */
  const look = (t) => {
    const status = statusAt(hold, START + t);
    return { ...keeper.keep(hold, status, START + t), stands: status.standing?.rung === 'alarm', status };
  };
  add('buddy1', 'plan', -1000, { planned_s: 240, setting: 'dry', cadence: 'standard' });
  add('buddy1', 'start', 0);
  return { add, look, keeper };
}

/** As above, in the alarm at 45 s, when a look of 31 s comes from a phone that was cut off. */
function kept() {
  const h = begun();
  assert.ok(h.look(45_100).stands);
  h.add('buddy2', 'look', 31_000);
  const now = h.look(47_000);
  assert.deepEqual([now.stands, now.kept !== null], [false, true], 'it sounds on');
  return h;
}

test('nothing but what lifts an alarm ends one that is kept', () => {
  for (const [what, press] of /** @type {[string, (h: ReturnType<typeof begun>) => void][]} */ ([
    ['a contraction taken back', (h) => h.add('diver1', 'amend', 48_000, { target: h.add('diver1', 'contraction', 47_500), drop: true })],
    ['something unknown taken back', (h) => h.add('buddy1', 'amend', 48_000, { target: 'nosuch-000001', drop: true })],
    ["the diver's touch", (h) => h.add('diver1', 'answered', 48_000)],
    ["the diver's signal", (h) => h.add('diver1', 'contraction', 48_000, { signalled: true })],
    ['a look', (h) => h.add('buddy2', 'look', 48_000)],
    ['an answer of before', (h) => h.add('buddy2', 'answered', 44_000)],
    ['an answer taken back', (h) => h.add('buddy2', 'amend', 49_000, { target: h.add('buddy2', 'answered', 48_000), drop: true })],
  ])) {
    const h = kept();
    press(h);
    assert.ok(h.look(50_000).held, what);
  }
});

test('what lifts an alarm ends it', () => {
  for (const [what, press] of /** @type {[string, (h: ReturnType<typeof begun>) => void][]} */ ([
    ["the buddy's answer", (h) => h.add('buddy1', 'answered', 48_000)],
    ['surfacing', (h) => h.add('buddy1', 'surfaced', 48_000)],
    ['a press here', (h) => h.keeper.quiet(START + 48_000)],
  ])) {
    const h = kept();
    press(h);
    assert.equal(h.look(50_000).held, null, what);
  }
});

test('an alarm whose cause is taken back is over', () => {
  const h = begun();
  const cause = h.add('buddy2', 'no-answer', 10_000);
  assert.ok(h.look(10_100).stands);
  h.add('buddy2', 'amend', 13_000, { target: cause, drop: true });
  assert.equal(h.look(13_100).held, null);
});

test('H27 whoever comes up while it sounds is asked whether they are awake', () => {
  const h = kept();
  h.add('buddy1', 'surfaced', 48_000, { alarm: true });
  const { status } = h.look(48_000);
  assert.deepEqual([status.awake_due, status.standing?.asks], [true, 'awake']);
});
