import assert from 'node:assert/strict';
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { newSeal } from '../sync/seal.js';
import { newSha256, sha256 } from '../sync/sha256.js';

test('SHA-256 is what Node takes it for, at every length around a block', () => {
  for (let n = 0; n < 200; n++) {
    const message = Uint8Array.from({ length: n }, (_, i) => (i * 37 + n) & 255);
    assert.equal(Buffer.from(sha256(message)).toString('hex'), createHash('sha256').update(message).digest('hex'), `${n} bytes`);
    for (const cut of [1, 63, 64, 65]) {
      const pieces = newSha256();
      for (let at = 0; at < n; at += cut) pieces.add(message.subarray(at, at + cut));
      assert.deepEqual(pieces.digest(), sha256(message), `${n} bytes in pieces of ${cut}`);
    }
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
