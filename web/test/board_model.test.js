// What an instructor's board records, with the real rules, the real book and the memory store.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { rowFacts } from '../app/board_facts.js';
import { newBoardModel } from '../app/board_model.js';
import { newBook } from '../app/book.js';
import { counterOf, newDeviceStore } from '../app/device.js';
import { newSeal } from '../sync/seal.js';
import { memoryStore } from '../store/db.js';
import { forever, NOW, PLAN, storage } from './model_helper.js';

/** @type {import('../rules/event.js').HoldEvent} */
const PLANNED = { id: 'z9y8x7w6v5-000001', hold: 'z9y8x7w6v5-h01', kind: 'plan', at: NOW - 5000, by: 'buddy', data: PLAN };

/** A board that has been told of one pair. */
async function board({ disk = memoryStore(), local = storage(), awayMs = 0, now = () => /** @type {number} */ (NOW) } = {}) {
  const devices = newDeviceStore(disk, local);
  const kept = await devices.load((bytes) => bytes.fill(7));
  const identity = { ...kept, pair: '', role: /** @type {const} */ ('instructor'), token: 'of the board' };
  /** @type {import('../rules/event.js').HoldEvent[]} */
  const sent = [];
  const model = newBoardModel({
    identity: () => identity, book: newBook(), clock: { now, err: () => 4 }, store: disk, devices, awayMs,
    send: (events) => sent.push(...events), first: () => true, wait: forever, felt() {}, changed() {},
  });
  model.hearPair({ pair: 'p1', number: 1 });
  model.receive('p1', [PLANNED]);
  return { model, sent, disk, local };
}

test('H08 a board that lost power, and with it what it had sent, gives no number twice', async () => {
  const first = await board();
  await first.model.record('p1', 'going', { name: 'Tuva' });
  await first.model.record('p1', 'end-hold');
  assert.deepEqual(first.sent.map((e) => counterOf(e.id)), [1, 2]);

  const soon = await board({ disk: first.disk, local: first.local, awayMs: 3000 });
  await soon.model.record('p1', 'going');
  assert.equal(counterOf(soon.sent[0].id), 3, 'a page loaded anew goes on without a gap');

  first.disk.rows.clear();
  const after = await board({ disk: first.disk, local: storage(), awayMs: Infinity });
  await after.model.record('p1', 'going');
  assert.ok(counterOf(after.sent[0].id) > 200, 'above all that may have been given out');
});

test('H08 what a board records is sealed, so that the pair can hand it over when the board is gone', async () => {
  const { model, sent } = await board();
  await model.record('p1', 'end-hold');
  const { mac, ...event } = /** @type {any} */ (sent[0]);
  assert.equal(mac, newSeal('of the board')(event));
});

test('H05 what a lost pair was last seen at stands still, however long the board takes from one look at its clock to the next', async () => {
  let looked = 0;
  const { model } = await board({ now: () => NOW + 700 * looked++ });
  model.receive('p1', [{ ...PLANNED, id: 'z9y8x7w6v5-000002', kind: 'start', at: NOW - 33_000, data: { device: 'z9y8x7w6v5' } }]);
  model.hearPresence('p1', [{ device: 'z9y8x7w6v5', role: 'buddy', name: '', age_ms: 250, state: null }], NOW);
  for (const t of [4000, 6500, 9001]) {
    const [facts] = model.pairs(0, NOW + t).map((p) => rowFacts(p, NOW + t));
    assert.equal(facts.silent_ms, t + 250);
    assert.equal(facts.seen_at, NOW - 250);
  }
});
