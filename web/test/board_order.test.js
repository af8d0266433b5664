// The order of the board's rows (H14): the most urgent first, at once; nothing else moves without need.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { CALM_MS, FINGER_MS, NEEDS, newOrder, RANK } from '../app/board_order.js';

/** @typedef {import('../app/board_order.js').Placed} Placed */

/**
 * @param {number} number
 * @param {number} rank
 * @param {Partial<Placed>} [over]
 * @returns {Placed}
 */
const pair = (number, rank, over = {}) => ({ pair: `p${number}`, number, rank, since: rank === RANK.alarm ? 0 : null, met: false, ...over });

/** @param {string[]} order */
const numbers = (order) => order.map((id) => Number(id.slice(1)));

test('the order of the issue: no answer, surfaced without OK, again, not live, prompt, the rest by number', () => {
  const order = newOrder();
  const rows = [
    pair(1, RANK.idle), pair(2, RANK.hold), pair(3, RANK.prompt), pair(4, RANK.gone), pair(5, RANK.again), pair(6, RANK.surfaced), pair(7, RANK.alarm),
    pair(8, RANK.watch), pair(9, RANK.tight), pair(10, RANK.hold),
  ];
  assert.deepEqual(numbers(order.next(rows, 0)), [7, 6, 5, 4, 3, 9, 2, 10, 8, 1]);
});

test('of pairs that are not live the one furthest on in its hold stands first, and stays there', () => {
  const order = newOrder();
  const gone = (/** @type {number} */ number, /** @type {Placed['status']} */ status) => pair(number, RANK.gone, { status });
  const rows = [gone(1, { stage: 'easy' }), gone(2, { stage: 'final' }), gone(3, null), gone(4, { stage: 'struggle' }), gone(5, { stage: 'final' }), gone(6, { stage: 'late' })];
  assert.deepEqual(numbers(order.next(rows, 0)), [2, 5, 6, 4, 1, 3]);
  const live = rows.map((r) => ({ ...r, rank: RANK.tight }));
  assert.deepEqual(numbers(newOrder().next(live, 0)), [1, 2, 3, 4, 5, 6], 'pairs that are live stand by their number');
});

test('of pairs asked a second time the one whose alarm comes first stands first', () => {
  const again = (/** @type {number} */ number, /** @type {number} */ at) => pair(number, RANK.again, { next_alarm_at: at });
  assert.deepEqual(numbers(newOrder().next([again(1, 9000), again(2, 4000), again(3, 6000)], 0)), [2, 3, 1]);
});

test('upward at once, downward after a while', () => {
  const order = newOrder();
  const calm = [pair(1, RANK.hold), pair(2, RANK.hold)];
  assert.deepEqual(numbers(order.next(calm, 0)), [1, 2]);
  assert.deepEqual(numbers(order.next([calm[0], pair(2, RANK.prompt)], 1000)), [2, 1], 'a prompt moves up at once');
  assert.deepEqual(numbers(order.next(calm, 2000)), [2, 1], 'answered: it stays');
  assert.deepEqual(numbers(order.next(calm, 1000 + CALM_MS - 1)), [2, 1]);
  assert.deepEqual(numbers(order.next(calm, 1000 + CALM_MS)), [1, 2]);
});

test('a pair whose prompts come every six seconds does not go up and down with them', () => {
  const order = newOrder();
  let moves = 0;
  let before = '';
  for (let t = 0; t <= 60_000; t += 250) {
    const prompted = t % 6000 >= 3500;
    const now = order.next([pair(1, RANK.hold), pair(2, prompted ? RANK.prompt : RANK.tight)], t).join();
    if (before !== '' && now !== before) moves += 1;
    before = now;
  }
  // Tight stands before hold anyhow, so nothing moves at all.
  assert.equal(moves, 0);
});

test('pairs in their watch do not go up and down with their looks', () => {
  const order = newOrder();
  const looks = [8, 15, 22, 30, 45, 60]; // seconds after surfacing (PROTOCOL.md, 3.7)
  let moves = 0;
  let before = '';
  for (let t = 8000; t <= 60_000; t += 250) {
    const rows = [1, 2, 3, 4].map((n) => {
      const since = (t - 3500 * (n - 1)) / 1000;
      return pair(n, looks.some((due) => since >= due && since < due + 3) ? RANK.prompt : RANK.watch);
    });
    const now = order.next(rows, t).join();
    if (before !== '' && now !== before) moves += 1;
    before = now;
  }
  assert.ok(moves <= 3, `${moves} moves`); // each comes up once
});

test('an alarm somebody goes to makes room for one nobody goes to; of two the older stands first', () => {
  const order = newOrder();
  const rows = [pair(3, RANK.alarm, { since: 900 }), pair(1, RANK.alarm, { since: 2000 }), pair(2, RANK.alarm, { since: 3000 })];
  assert.deepEqual(numbers(order.next(rows, 3000)), [3, 1, 2]);
  rows[0] = { ...rows[0], met: true };
  assert.deepEqual(numbers(order.next(rows, 3100)), [1, 2, 3]);
});

test('while a finger is down nothing moves, for a while', () => {
  const order = newOrder();
  const calm = [pair(1, RANK.hold), pair(2, RANK.hold)];
  order.next(calm, 0);
  const alarm = [calm[0], pair(2, RANK.alarm)];
  assert.deepEqual(numbers(order.next(alarm, 100, { down: true })), [1, 2]);
  assert.deepEqual(numbers(order.next(alarm, 100 + FINGER_MS - 1, { down: true })), [1, 2]);
  assert.deepEqual(numbers(order.next(alarm, 100 + FINGER_MS, { down: true })), [2, 1], 'a resting hand hides no alarm');
  order.next(calm, 20_000);
  assert.deepEqual(numbers(order.next(alarm, 21_000, { down: true })), [1, 2]);
  assert.deepEqual(numbers(order.next(alarm, 21_250, { down: false })), [2, 1]);
});

test('H14: properties over random afternoons of twelve pairs', () => {
  let seed = 14;
  const random = (/** @type {number} */ n) => {
    seed = (seed * 1103515245 + 12345) % 2147483648;
    return seed % n;
  };
  for (let run = 0; run < 40; run += 1) {
    const order = newOrder();
    const rows = Array.from({ length: 12 }, (_, i) => pair(i + 1, random(10)));
    /** @type {Map<string, {rank: number, at: number}[]>} */
    const history = new Map(rows.map((r) => [r.pair, []]));
    /** @type {string[]} */
    let before = [];
    /** @type {Map<string, number>} */
    let ranksBefore = new Map();
    for (let t = 0; t < 60_000; t += 250) {
      for (let i = 0; i < rows.length; i += 1) {
        if (random(20) > 0) continue;
        const rank = random(10);
        rows[i] = pair(i + 1, rank, { since: rank === RANK.alarm ? t : null, met: random(3) === 0 });
      }
      for (const r of rows) history.get(r.pair)?.push({ rank: r.rank, at: t });
      const now = order.next(rows, t);
      assert.deepEqual([...now].sort(), rows.map((r) => r.pair).sort(), 'every pair once');
      const rank = new Map(rows.map((r) => [r.pair, r.rank]));
      const of = (/** @type {string} */ id) => Number(rank.get(id));

      // Those who need a person come first, by rank, with no delay at all.
      const needing = now.filter((id) => of(id) <= NEEDS);
      assert.deepEqual(now.slice(0, needing.length), needing);
      for (let i = 1; i < needing.length; i += 1) assert.ok(of(needing[i - 1]) <= of(needing[i]));

      // Whoever stands above a pair of better rank among the others had as good a rank within the last eight seconds.
      const others = now.slice(needing.length);
      for (let i = 0; i < others.length; i += 1) {
        const best = Math.min(...(history.get(others[i]) ?? []).filter((h) => t - h.at < CALM_MS).map((h) => h.rank));
        for (const below of others.slice(i + 1)) {
          assert.ok(of(below) >= Math.min(of(others[i]), Math.max(best, NEEDS + 1)), 'nobody calmer stands above for longer');
        }
      }

      // Two pairs change places only if one of them changed its rank within the last eight seconds.
      if (before.length > 0) {
        for (let i = 0; i < before.length; i += 1) {
          for (let k = i + 1; k < before.length; k += 1) {
            if (now.indexOf(before[i]) < now.indexOf(before[k])) continue;
            const stirred = [before[i], before[k]].some((id) => {
              const h = (history.get(id) ?? []).filter((x) => t - x.at <= CALM_MS);
              return h.some((x) => x.rank !== of(id)) || ranksBefore.get(id) !== of(id) || of(id) === RANK.alarm;
            });
            assert.ok(stirred, `${before[i]} and ${before[k]} changed places for nothing`);
          }
        }
      }
      before = now;
      ranksBefore = rank;
    }
  }
});
