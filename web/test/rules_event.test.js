import assert from 'node:assert/strict';
import { test } from 'node:test';
import { LIMITS, compareBytes, compareEvents, decodeEvent, deviceOf, sameContent } from '../rules/event.js';

const GOOD = { id: 'k7p2q-000017', hold: 'h-01', kind: 'answered', at: 1790000123456, err: 9, by: 'buddy', data: { took_ms: 840 } };

/** @param {unknown} value */
function codeOf(value) {
  const read = decodeEvent(value);
  return 'event' in read ? null : read.code;
}

test('decode: a whole event is taken as it is, unknown fields with it', () => {
  const value = { ...GOOD, later: { any: [1, 'two'] } };
  assert.deepEqual(decodeEvent(value), { event: value });
});

test('decode: each wrong field of the envelope is named', () => {
  for (const value of [null, 7, 'x', [], [GOOD]]) assert.equal(codeOf(value), 'not-json');
  for (const id of [undefined, '', 7, null, 'i'.repeat(65)]) assert.equal(codeOf({ ...GOOD, id }), 'bad-id');
  for (const hold of [undefined, '', {}, 'h'.repeat(65)]) assert.equal(codeOf({ ...GOOD, hold }), 'bad-hold');
  for (const kind of [undefined, '', true, 'k'.repeat(33)]) assert.equal(codeOf({ ...GOOD, kind }), 'bad-kind');
  for (const at of [undefined, '1', 1.5, 2 ** 53, -(2 ** 53), NaN]) assert.equal(codeOf({ ...GOOD, at }), 'bad-at');
  assert.equal(codeOf({ ...GOOD, at: Infinity }), 'bad-number');
  for (const err of [null, -1, 0.5, '9', 2 ** 53]) assert.equal(codeOf({ ...GOOD, err }), 'bad-err');
  for (const by of [null, 1, 'b'.repeat(33)]) assert.equal(codeOf({ ...GOOD, by }), 'bad-by');
  for (const data of [null, 1, 'x', []]) assert.equal(codeOf({ ...GOOD, data }), 'bad-data');
});

test('decode: the limits themselves are allowed, and count bytes', () => {
  for (const at of [2 ** 53 - 1, -(2 ** 53 - 1), 0]) assert.equal(codeOf({ ...GOOD, at }), null);
  assert.equal(codeOf({ ...GOOD, id: 'i'.repeat(64) }), null);
  assert.equal(codeOf({ ...GOOD, id: 'é'.repeat(32) }), null);
  assert.equal(codeOf({ ...GOOD, id: 'é'.repeat(32) + 'i' }), 'bad-id');
  assert.equal(codeOf({ ...GOOD, id: '🐚'.repeat(16) }), null);
  assert.equal(codeOf({ ...GOOD, id: '🐚'.repeat(16) + 'i' }), 'bad-id');
  assert.equal(codeOf({ ...GOOD, by: '' }), null);
  const empty = JSON.stringify({ ...GOOD, data: { text: '' } }).length;
  assert.equal(codeOf({ ...GOOD, data: { text: 'x'.repeat(LIMITS.event_bytes - empty) } }), null);
  assert.equal(codeOf({ ...GOOD, data: { text: 'x'.repeat(LIMITS.event_bytes - empty + 1) } }), 'too-large');
});

test('decode: half characters become U+FFFD wherever they stand, whole ones and backslashes stay', () => {
  const read = decodeEvent({ ...GOOD, id: 'a\ud800b', data: { '\udc00': 'x\ud83d', whole: '🐚', spelled: '\\ud800' } });
  assert.ok('event' in read);
  assert.equal(read.event.id, 'a\ufffdb');
  assert.deepEqual(read.event.data, { '\ufffd': 'x\ufffd', whole: '🐚', spelled: '\\ud800' });
});

test('decode: content nested deeper than the limit is refused, and never crashed on', () => {
  /** @param {number} levels */
  const nested = (levels) => JSON.parse(`{"id":"a-1","hold":"h","kind":"note","at":1,"data":{"x":${'['.repeat(levels)}${']'.repeat(levels)}}}`);
  assert.equal(codeOf(nested(LIMITS.levels - 2)), null);
  assert.equal(codeOf(nested(LIMITS.levels - 1)), 'too-deep');
  assert.equal(codeOf(nested(8000)), 'too-deep');
});

test('order: at first, then ids as UTF-8 bytes', () => {
  assert.ok(compareEvents({ ...GOOD, at: 1, id: 'z' }, { ...GOOD, at: 2, id: 'a' }) < 0);
  assert.ok(compareEvents({ ...GOOD, id: 'a-2' }, { ...GOOD, id: 'a-10' }) > 0);
  const sorted = ['', 'Z', 'a', 'a-', 'a-0', 'ab', 'é', 'ﬁ', '\uffff', '😀', '😀a', '😁'];
  for (const [i, a] of sorted.entries()) {
    for (const [j, b] of sorted.entries()) assert.equal(Math.sign(compareBytes(a, b)), Math.sign(i - j), `${a} ${b}`);
  }
});

test('device: all up to the last dash; none without one', () => {
  assert.equal(deviceOf('k7p2q-000017'), 'k7p2q');
  assert.equal(deviceOf('a-b-000017'), 'a-b');
  assert.equal(deviceOf('nodash'), '');
  assert.equal(deviceOf('-1'), '');
});

test('content: the same as JSON values, whatever the order of keys', () => {
  assert.equal(sameContent({ a: 1, b: [1, { c: null }] }, { b: [1.0, { c: null }], a: 1 }), true);
  assert.equal(sameContent(0, -0), true);
  for (const [a, b] of [[{ a: 1 }, { a: 1, b: 1 }], [{ a: 1 }, { b: 1 }], [[1, 2], [2, 1]], [[], {}], [null, {}], [1, '1'], [{ a: undefined }, {}]]) {
    assert.equal(sameContent(a, b), false);
    assert.equal(sameContent(b, a), false);
  }
});
