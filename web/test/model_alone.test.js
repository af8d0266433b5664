// Ensures that a phone alone opens with what is recent, however many years its log has, and gives a pair no more than that.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { newDeviceStore } from '../app/device.js';
import { memoryStore } from '../store/db.js';
import { NOW, page, PLAN, storage } from './model_helper.js';

const DAY_MS = 86_400_000;
const ALONE = { device: 'k7p2qabcde', pair: '', number: null, session: '', role: /** @type {const} */ ('buddy'), name: 'Odo', token: '', secret: '', alone: true };

/** A whole hold made alone. @param {string} hold @param {number} at @param {number} n */
const hold = (hold, at, n) => [['plan', -1000, PLAN], ['start', 0], ['look', 20_000], ['surfaced', 40_000], ['ok', 45_000]].map(([kind, ms, data], i) => {
  const event = /** @type {any} */ ({ id: `k7p2qabcde-${String(n + i).padStart(6, '0')}`, hold, kind, at: at + Number(ms), by: 'buddy', ...(data ? { data } : {}) });
  return { id: event.id, pair: '', at: event.at, event, state: /** @type {const} */ ('new') };
});

/** A phone alone with a hold of last year, one of half an hour less than two days ago, and one of this morning. */
async function alone() {
  const disk = memoryStore();
  const local = storage();
  await newDeviceStore(disk, local).save(ALONE);
  await disk.addAll([...hold('k7p2qabcde-h01', NOW - 300 * DAY_MS, 1), ...hold('k7p2qabcde-h06', NOW - 2 * DAY_MS - 20_000, 6), ...hold('k7p2qabcde-h11', NOW - 3_600_000, 11)]);
  const p = await page({ disk, local });
  await p.model.become({ ...p.model.identity(), pair: '', token: '' });
  return p;
}

test('what is recent is read by whole holds, and nothing of years ago', async () => {
  const p = await alone();
  const ofPair = p.disk.ofPair;
  p.disk.ofPair = () => assert.fail('everything is read');
  await p.model.restoreAll();
  p.disk.ofPair = ofPair;
  assert.deepEqual(p.model.holds().map((h) => [h.id, h.events.length]), [['k7p2qabcde-h06', 5], ['k7p2qabcde-h11', 5]]);
});

test('what is added to a hold of years ago is on the disk with it, and begins no hold here', async () => {
  const p = await alone();
  const event = await p.model.record('note', { text: 'seen on the video' }, { hold: 'k7p2qabcde-h01', pair: '' });
  assert.deepEqual((await p.disk.ofHold('k7p2qabcde-h01')).map((r) => r.event.kind).at(-1), 'note');
  assert.equal(p.model.holds().some((h) => h.id === 'k7p2qabcde-h01'), false);
  // It is recent now: opened anew, the page has the whole hold and not the note alone.
  await p.model.restoreAll();
  assert.equal(p.model.holds().find((h) => h.id === 'k7p2qabcde-h01')?.events.length, 6);
  assert.equal(p.model.holds()[0].events.at(-1)?.id, event.id);
});

test('a pair that is joined gets what was made today, and the log keeps the rest', async () => {
  const p = await alone();
  await p.model.become({ ...p.model.identity(), pair: 'p9', token: 'tok', alone: false });
  assert.deepEqual([...new Set((await p.disk.ofPair('p9')).map((r) => r.event.hold))], ['k7p2qabcde-h11']);
  assert.equal(p.model.unsentEvents().length, 5);
  assert.deepEqual([...new Set((await p.disk.ofPair('')).map((r) => r.event.hold))].sort(), ['k7p2qabcde-h01', 'k7p2qabcde-h06']);
});
