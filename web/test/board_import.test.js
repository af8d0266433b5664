// Ensures that the board reads how far the host is with a file, also from the middle of its answer.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { newestOf } from '../app/board_import.js';

test('the newest whole line of an answer counts, however the answer is cut', () => {
  const lines = [{ read: 500, added: 500, known: 0, refused: 0 }, { read: 1000, added: 900, known: 100, refused: 0 }, { done: true, read: 1200, added: 1100, known: 100, refused: 0, whole: true, refusals: [] }];
  const text = lines.map((l) => `${JSON.stringify(l)}\n`).join('');
  let end = 0;
  const ends = lines.map((l) => (end += JSON.stringify(l).length + 1));
  for (let cut = 0; cut <= text.length; cut++) {
    const whole = ends.filter((at) => at <= cut).length;
    assert.deepEqual(newestOf(text.slice(0, cut)), whole === 0 ? null : lines[whole - 1]);
  }
  assert.equal(newestOf('<p>a proxy</p>\n'), null);
});
