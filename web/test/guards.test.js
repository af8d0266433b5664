// Ensures that the plan sheet warns exactly where PROTOCOL.md (4a) says so: at each border and one step to either side.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import {
  BLOCK_AT_LEAST_MS, BUDDY_REST_MS, blockOf, blocks, guardsOf, marginS, restOf, sameName,
} from '../app/guards.js';
import { overLongest as rule } from '../rules/guards.js';
import { dayEnd } from '../app/clock_text.js';

const NOON = new Date(2026, 4, 12, 12).getTime();

/** @param {Partial<import('../app/guards.js').HoldFacts>} [over] */
function facts(over = {}) {
  return {
    hold: 'h-01', diver: 'Ansa', buddy: 'Odo', start_at: NOON, end_at: NOON + 240_000, hold_ms: 240_000, over: true,
    incident: null, incident_at: null, verdict: /** @type {const} */ ('clean'), ...over,
  };
}

/** @param {Partial<Parameters<typeof guardsOf>[0]>} [over] */
function kinds(over = {}) {
  const input = {
    now_ms: NOON + 3_600_000, diver: 'Ansa', buddy: 'Odo', planned_s: 240, longest_s: 240, holds: [facts()], ...over,
  };
  return guardsOf(input).map((g) => g.what);
}

/** @param {number | null} planned @param {number | null} longest */
const overLongest = (planned, longest) => rule(planned, null, longest, 'log');

test('H19 the margin over the longest clean hold is the larger of a tenth and 15 s', () => {
  assert.equal(marginS(15), 15);
  assert.equal(marginS(150), 15);
  assert.equal(marginS(159), 15);
  assert.equal(marginS(160), 16);
  assert.equal(marginS(268), 26);
});

test('H19 a plan is warned of one second past the margin, not at it', () => {
  assert.equal(overLongest(60 + 15, 60), null);
  assert.deepEqual(overLongest(60 + 16, 60), { what: 'over-longest', hard: false, source: 'log', percent: 27, suggest_s: 75 });
  assert.equal(overLongest(268 + 26, 268), null);
  assert.equal(overLongest(268 + 27, 268)?.suggest_s, 294);
  assert.equal(overLongest(300, 268)?.percent, 12);
  assert.equal(overLongest(900, null), null, 'nothing to compare with');
});

test('H19 the suggested plan passes its own guard', () => {
  for (let longest = 1; longest <= 900; longest++) {
    const guard = overLongest(2_000, longest);
    assert.ok(guard);
    assert.equal(overLongest(/** @type {number} */ (guard.suggest_s), longest), null);
  }
});

test('H19 rest shorter than twice the last hold is warned of, to the millisecond', () => {
  const due = NOON + 240_000 + 480_000;
  assert.deepEqual(kinds({ now_ms: due - 1 }), ['rest']);
  assert.deepEqual(kinds({ now_ms: due }), []);
  assert.deepEqual(restOf('ansa ', [facts()], due - 1000), {
    rest_ms: 479_000, need_ms: 480_000, until_ms: due, left_ms: 1000,
  });
  assert.equal(restOf('Odo', [facts()], due), null, 'only that diver’s own holds count');
});

test('H19 rest is counted from the newest of several holds', () => {
  const later = facts({ hold: 'h-02', start_at: NOON + 3_000_000, end_at: NOON + 3_060_000, hold_ms: 60_000 });
  const due = NOON + 3_060_000 + 120_000;
  assert.deepEqual(kinds({ holds: [later, facts()], now_ms: due - 1 }), ['rest']);
  assert.deepEqual(kinds({ holds: [later, facts()], now_ms: due }), []);
});

test('H19 a buddy out of the water for less than 3 min is warned of', () => {
  const holds = [facts({ diver: 'Odo', buddy: 'Ansa' })];
  const end = NOON + 240_000;
  assert.deepEqual(kinds({ holds, now_ms: end + BUDDY_REST_MS - 1 }), ['buddy-rest']);
  assert.deepEqual(kinds({ holds, now_ms: end + BUDDY_REST_MS }), []);
  assert.equal(BUDDY_REST_MS, 180_000);
});

test('H19 after an LMC or a blackout the diver is blocked for the rest of the day', () => {
  const at = NOON + 200_000;
  for (const what of /** @type {const} */ (['lmc', 'blackout'])) {
    const holds = [facts({ incident: what, incident_at: at, verdict: 'shaky' })];
    assert.deepEqual(blockOf('Ansa', holds, [], dayEnd(at) - 1), { until_ms: dayEnd(at), hold: 'h-01' });
    assert.equal(blockOf('Ansa', holds, [], dayEnd(at)), null);
    assert.equal(blockOf('Odo', holds, [], at + 1), null);
  }
});

test('H19 a block near midnight still lasts 8 h', () => {
  const late = new Date(2026, 4, 12, 23, 50).getTime();
  const holds = [facts({ start_at: late - 100_000, end_at: late, incident: 'blackout', incident_at: late })];
  assert.ok(blockOf('Ansa', holds, [], late + BLOCK_AT_LEAST_MS - 1));
  assert.equal(blockOf('Ansa', holds, [], late + BLOCK_AT_LEAST_MS), null);
});

test('H19 passed out at the debrief blocks, clean and shaky alone do not, unknown stays blocked until said clean', () => {
  assert.equal(blocks(facts({ verdict: 'passed-out' })), true);
  assert.equal(blocks(facts({ verdict: 'clean', passed_out: true })), true, 'a later word does not lift it');
  assert.equal(blocks(facts({ verdict: 'shaky' })), false);
  assert.equal(blocks(facts({ verdict: 'clean' })), false);
  assert.equal(blocks(facts({ incident: 'unknown', verdict: null })), true);
  assert.equal(blocks(facts({ incident: 'unknown', verdict: 'shaky' })), true);
  assert.equal(blocks(facts({ incident: 'unknown', verdict: 'clean' })), false);
  assert.equal(blocks(facts({ incident: 'blackout', verdict: 'clean' })), true, 'a verdict does not lift what was seen');
});

test('H19 a blocked diver is hard to plan for, and nobody’s only buddy', () => {
  const holds = [facts({ verdict: 'passed-out' })];
  const guard = guardsOf({ now_ms: NOON + 3_600_000, diver: 'Ansa', buddy: 'Odo', planned_s: 60, longest_s: null, holds })[0];
  assert.equal(guard.what, 'blocked');
  assert.equal(guard.hard, true);
  assert.deepEqual(kinds({ holds, diver: 'Odo', buddy: 'Ansa' }), ['buddy-blocked']);
  assert.deepEqual(kinds({ holds, diver: 'Odo', buddy: 'Ansa', others: ['Tuva'] }), []);
  for (const name of ['', ' ', 'ansa', 'Odo']) {
    assert.deepEqual(kinds({ holds, diver: 'Odo', buddy: 'Ansa', others: [name] }), ['buddy-blocked'], `"${name}" is no second buddy`);
  }
});

test('H19 an instructor’s word lifts the block it came after, and no later one', () => {
  const holds = [facts({ verdict: 'passed-out' })];
  const lift = { diver: 'Ansa', at: NOON + 1_000_000, name: 'Runa', reason: 'mistaken press, seen by me' };
  assert.deepEqual(kinds({ holds, lifts: [lift] }), []);
  assert.deepEqual(kinds({ holds, lifts: [{ ...lift, diver: 'Odo' }] }), ['blocked']);
  const again = facts({ hold: 'h-02', start_at: NOON + 2_000_000, end_at: NOON + 2_100_000, verdict: 'passed-out' });
  assert.deepEqual(kinds({ holds: [...holds, again], lifts: [lift] }), ['blocked']);
});

test('H19 the hold before must be over and must have its verdict', () => {
  assert.deepEqual(kinds({ holds: [facts({ verdict: null })] }), ['verdict']);
  assert.deepEqual(kinds({ holds: [facts({ over: false, end_at: null, hold_ms: null, verdict: null })] }), ['running']);
  const newer = facts({ hold: 'h-02', start_at: NOON + 600_000, end_at: NOON + 660_000, hold_ms: 60_000 });
  assert.deepEqual(kinds({ holds: [newer, facts({ verdict: null })] }), [], 'only the newest hold is asked about');
});

test('H19 several guards stand at once, the gravest first', () => {
  const end = NOON + 240_000;
  assert.deepEqual(
    kinds({ now_ms: end + 1000, planned_s: 300, holds: [facts({ verdict: null })] }),
    ['verdict', 'over-longest', 'rest'],
  );
});

test('a name is the same whatever its case and outer spaces, and an empty one is nobody’s', () => {
  assert.ok(sameName(' Ansa', 'ANSA '));
  assert.ok(sameName('Jo  Ann', 'jo ann'));
  assert.ok(!sameName('Ansa', 'Ansá'));
  assert.ok(!sameName('', ' '));
});

test('H19 the agreed end is held against the longest clean hold where the planned time passes', () => {
  // 1:40 longest: 1:55 may be planned, 2:10 agreed.
  const kindsAt = (/** @type {number} */ planned_s, /** @type {number} */ end_by_s) => kinds({ planned_s, end_by_s, longest_s: 100 });
  assert.deepEqual(kindsAt(115, 130), []);
  assert.deepEqual(kindsAt(115, 131), ['end-over-longest']);
  assert.deepEqual(kindsAt(116, 131), ['over-longest'], 'one of both is said');
});

test('H19 the fourth training day in a row is spoken of, with the diver’s name', () => {
  const days = (/** @type {number} */ n) => Array.from({ length: n }, (_, i) => {
    const at = new Date(2026, 4, 12 - 1 - i, 9).getTime();
    return facts({ hold: `h-${i}`, start_at: at, end_at: at + 60_000, hold_ms: 60_000 });
  });
  assert.deepEqual(kinds({ holds: days(2) }), []);
  const guard = guardsOf({ now_ms: NOON, diver: 'Ansa', buddy: 'Odo', planned_s: 60, longest_s: null, holds: days(3) })[0];
  assert.deepEqual([guard.what, guard.days, guard.who, guard.hard], ['days-in-row', 4, 'Ansa', false]);
});

test('H19 a short rest is said once for a series', () => {
  const series = { series: 's1', steps: [{ planned_s: 60, rest_s: 119 }, { planned_s: 60, rest_s: 120 }, { planned_s: 60, rest_s: 0 }] };
  const at = NOON + 240_000 + 1;
  assert.deepEqual(kinds({ now_ms: at, series }), ['rest', 'series-rest']);
  assert.deepEqual(kinds({ now_ms: at, series, holds: [facts({ series: 's1' })] }), [], 'the series has begun');
  assert.deepEqual(kinds({ now_ms: at, series, holds: [facts({ series: 's2' })] }), ['rest', 'series-rest'], 'another one had');
});

test('H19 a block holds by the name also where another phone made another id', () => {
  const holds = [facts({ diver_id: 'a1', incident: 'blackout', incident_at: NOON })];
  assert.deepEqual(kinds({ holds, diver_id: 'b2' }), ['blocked']);
  assert.deepEqual(kinds({ holds, diver_id: 'a1', diver: 'Anny' }), ['blocked'], 'a new nickname is the same diver');
});
