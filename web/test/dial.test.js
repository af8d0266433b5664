// A typed emergency number as an address to dial.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { dialAddress } from '../app/dial.js';

test('a number is dialled without its separators (RFC 3966, section 5.1.1)', () => {
  assert.equal(dialAddress('112'), 'tel:112');
  assert.equal(dialAddress(' +1-201-555-0123 '), 'tel:+12015550123');
  assert.equal(dialAddress('(0)55/12.34'), 'tel:0551234');
  assert.equal(dialAddress('*55#'), 'tel:*55%23');
});

test('what is no number gives no link', () => {
  for (const text of ['', null, undefined, 'the lifeguard', '1', '112 or 113', 'javascript:1', '+', '1'.repeat(21)]) assert.equal(dialAddress(text), null, String(text));
});
