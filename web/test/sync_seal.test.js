import assert from 'node:assert/strict';
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { newSeal, sha256 } from '../sync/seal.js';

test('SHA-256 is what Node takes it for, at every length around a block', () => {
  for (let n = 0; n < 200; n++) {
    const message = Uint8Array.from({ length: n }, (_, i) => (i * 37 + n) & 255);
    assert.equal(Buffer.from(sha256(message)).toString('hex'), createHash('sha256').update(message).digest('hex'), `${n} bytes`);
  }
});

test('H11 seals are those of the vectors, whatever the order of the keys', () => {
  const { count, cases } = JSON.parse(readFileSync(new URL('../../testdata/seals.json', import.meta.url), 'utf8'));
  assert.equal(cases.length, count);
  for (const { about, token, event, mac } of cases) {
    const seal = newSeal(token);
    assert.equal(seal(event), mac, about);
    assert.equal(seal(Object.fromEntries(Object.entries(event).reverse())), mac, about);
    assert.notEqual(seal({ ...event, at: event.at + 1 }), mac, about);
  }
});
