// Ensures that charts, tables and words of trends say the same, and that none of them claims a cause or praises.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { FIELD_NAMES, chartScale, conditionWords, differenceWords, intervalEnds, lineWords, tableRows, usualWords } from '../app/trend_facts.js';

const day = (/** @type {number} */ n) => 20_585 + n;
/** @type {any} */
const six = {
  points: [0, 3, 6, 9, 12, 15].map((d) => ({ day: day(d), value: 100_000 + d * 1000, count: 1 + (d % 2) })),
  line: { per_30_days: 30_000, low: 10_000, high: 40_000, from: { day: day(0), value: 100_000 }, to: { day: day(15), value: 115_000 }, points: 6, direction: 'more' },
};

test('a line is told with its ends and its interval, and without one the page says why', () => {
  const words = lineWords('onset', six);
  assert.match(words[0], /^1:40 on .*, 1:55 on /);
  assert.equal(words[1], 'in 30 days 0:30 later: between 0:10 later and 0:40 later');
  assert.deepEqual(lineWords('onset', { points: six.points.slice(0, 5), line: null }), ['no line: 5 of 6 days']);
  assert.match(lineWords('onset', { ...six, line: { ...six.line, low: -2000, direction: 'level' } })[1], /^no clear change in 30 days: between 0:02 earlier/);
});

test('a difference names its direction in the figure’s own words', () => {
  assert.equal(differenceWords('answer', 300), '0.30 s slower');
  assert.equal(differenceWords('easy', -40), '4 % less');
  assert.equal(differenceWords('hold', 400), 'no difference');
});

test('the table has a row for every dot', () => {
  const rows = tableRows('onset', six);
  assert.equal(rows.length, six.points.length);
  assert.deepEqual(rows[1].slice(1), ['1:43', '2']);
});

test('every dot and both ends of the line lie in the box, whatever the figure', () => {
  const box = { left: 66, right: 366, top: 14, foot: 150 };
  for (const field of FIELD_NAMES) {
    for (const points of [six.points, six.points.slice(0, 1), six.points.map((/** @type {any} */ p) => ({ ...p, value: 500 }))]) {
      const trend = { points, line: points.length > 5 ? { ...six.line, from: points[0], to: points[5] } : null };
      const { x, y, rules } = chartScale(field, /** @type {any} */ (trend), box);
      for (const p of points) {
        assert.ok(x(p.day) >= box.left && x(p.day) <= box.right);
        assert.ok(y(p.value) >= box.top - 0.01 && y(p.value) <= box.foot + 0.01, `${field} ${p.value}`);
      }
      assert.ok(rules.length >= 2 && rules.length <= 6, `${field}: ${rules.length} rules`);
    }
  }
});

test('the interval turns about the middle of the line', () => {
  const { low, high } = intervalEnds(six.line);
  assert.deepEqual(low, [105_000, 110_000]);
  assert.deepEqual(high, [97_500, 117_500]);
});

test('what is usual is said with its spread and count, and what is not known yet is said to be so', () => {
  const none = { value: null, low: null, high: null, count: 2, from: /** @type {const} */ ('unknown'), setting: /** @type {const} */ ('dry'), hold: null, start_at: null };
  const known = { ...none, value: 112_000, low: 104_000, high: 117_000, count: 20, from: /** @type {const} */ ('log') };
  const e = { onset: known, longest: { ...known, value: 201_000 }, answer: none, ok: none, spo2_lowest: none, hr_lowest: none, recovery: known, cadence: null };
  assert.equal(usualWords('onset', e, 'dry'), 'usual 1:52, half of them 1:44 to 1:57: 20 clean holds');
  assert.equal(usualWords('recovery', e, 'dry'), usualWords('onset', e, 'dry'));
  assert.equal(usualWords('answer', e, 'dry'), 'usual not known yet: 2 clean holds of 3');
  assert.equal(usualWords('hold', e, 'dry'), 'longest clean 3:21');
  assert.equal(usualWords('hold', e, 'pool'), 'longest clean 3:21, dry');
  assert.equal(usualWords('easy', e, 'dry'), '');
});

test('what went along with a condition names both counts and no cause', () => {
  const { words, sub } = conditionWords('onset', { condition: 'worried', with: { count: 9, median: 90_000 }, without: { count: 14, median: 102_000 }, difference: -12_000 });
  assert.equal(words, '0:12 earlier');
  assert.equal(sub, '1:30 in 9 holds with, 1:42 in 14 without');
  assert.ok(!/because|cause|due to|leads|makes/.test(words + sub));
});
