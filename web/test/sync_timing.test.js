// When the link asks for the time, beats and dials again; and what it keeps until it is acknowledged.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { BURST, FEW, FEW_HOLD, newExchanges, redialMs } from '../sync/timing.js';
import { BATCH_EVENTS, firstBatch, isThere, newHave, newOutbox, readCounts, RESEND_MS } from '../sync/outbox.js';
import { clockStep } from '../sync/host.js';

/**
 * Runs the exchanges for a while, every one answered at once, and gives the times they were sent.
 * @param {{ms: number, inHold: boolean, answers?: boolean}} run
 */
function sentIn({ ms, inHold, answers = true }) {
  const x = newExchanges();
  x.begin(0, BURST);
  const sent = [];
  let heard = 0;
  for (let now = 0; now <= ms; now += 1) {
    if (!x.due(now, heard, inHold)) continue;
    const t1 = x.sent(now);
    sent.push(now);
    if (answers) {
      assert.equal(x.answered(t1), true);
      heard = now;
    }
  }
  return sent;
}

test('a burst of 32 exchanges, 50 ms apart, then 4 every 10 s', () => {
  const sent = sentIn({ ms: 21_000, inHold: false });
  assert.deepEqual(sent.slice(0, BURST), [...Array(32).keys()].map((i) => i * 50));
  assert.deepEqual(sent.filter((t) => t >= 10_000 && t < 10_200), [10_000, 10_050, 10_100, 10_150]);
  assert.deepEqual(sent.filter((t) => t >= 20_000 && t < 20_200).length, FEW);
});

test('in a hold 8 every 2 s, and never more than a second without a word', () => {
  const sent = sentIn({ ms: 10_000, inHold: true });
  for (const s of [2000, 4000, 6000]) assert.equal(sent.filter((t) => t >= s && t < s + 400).length, FEW_HOLD);
  for (let i = 1; i < sent.length; i += 1) assert.ok(sent[i] - sent[i - 1] <= 1000);
});

test('without answers the beat goes on, so that a dead link is found', () => {
  const sent = sentIn({ ms: 9000, inHold: false, answers: false });
  for (let i = 1; i < sent.length; i += 1) assert.ok(sent[i] - sent[i - 1] <= 2500, `${sent[i - 1]} to ${sent[i]}`);
});

test('only a reply that was waited for counts, and only once', () => {
  const x = newExchanges();
  x.begin(0, 1);
  const t1 = x.sent(12.3456789);
  assert.equal(t1, 12.346, 'three decimals, as they travel');
  assert.equal(x.answered(12.345), false);
  assert.equal(x.answered('12.346'), false);
  assert.equal(x.answered(t1), true);
  assert.equal(x.answered(t1), false);
});

test('dials wait 0.25, 0.5, 1, 2 s with jitter, at most 2 s in a hold and 15 s otherwise', () => {
  for (const [failed, hold, idle] of [[0, 250, 250], [1, 500, 500], [2, 1000, 1000], [3, 2000, 2000], [5, 2000, 8000], [9, 2000, 15_000]]) {
    for (const random of [0, 0.5, 0.999]) {
      const inHold = redialMs(failed, true, random);
      const between = redialMs(failed, false, random);
      assert.ok(inHold >= hold * 0.75 && inHold <= Math.min(hold * 1.25, 2000), `${failed} failed, in a hold: ${inHold}`);
      assert.ok(between >= idle * 0.75 && between <= Math.min(idle * 1.25, 15_000), `${failed} failed: ${between}`);
    }
  }
  assert.notEqual(redialMs(2, true, 0.1), redialMs(2, true, 0.9), 'phones do not come back in step');
});

/** @param {number} n @param {number} [size] @param {string} [sign] @returns {import('../rules/event.js').HoldEvent} */
const event = (n, size = 0, sign = 'x') => ({
  id: `k7p2qabcde-${String(n).padStart(6, '0')}`, hold: 'k7p2qabcde-h01', kind: 'note', at: n, by: 'buddy',
  ...(size > 0 ? { data: { text: sign.repeat(size) } } : {}),
});

test('H08 an event is sent again until it is acknowledged, and no more after that', () => {
  const box = newOutbox();
  box.add([event(1), event(2)]);
  box.add([event(1)]);
  const ids = (/** @type {any[][]} */ batches) => batches.flat().map((e) => e.id.slice(-1)).join('');
  assert.equal(ids(box.due(0, false)), '12');
  assert.equal(ids(box.due(RESEND_MS - 1, false)), '');
  assert.equal(ids(box.due(RESEND_MS - 1, true)), '12', 'at once on a new connection');
  box.drop([event(1).id]);
  assert.equal(ids(box.due(3 * RESEND_MS, false)), '2');
  box.drop([event(2).id]);
  assert.equal(ids(box.due(99 * RESEND_MS, true)), '');
  assert.equal(box.size(), 0);
});

test('batches keep within 200 events and well within a frame', () => {
  const box = newOutbox();
  const many = [...Array(450).keys()].map((i) => event(i + 1));
  box.add(many);
  const batches = box.due(0, false);
  assert.deepEqual(batches.map((b) => b.length), [BATCH_EVENTS, BATCH_EVENTS, 50]);
  assert.deepEqual(firstBatch(many), batches[0]);
  assert.deepEqual(batches.flat().map((e) => e.id), many.map((e) => e.id), 'in order, none left out');

  // Bytes count, not signs: all of these are as large as an event may be, in one, two, three and four bytes a sign.
  for (const [sign, size] of /** @type {[string, number][]} */ ([['x', 16_000], ['\u00e6', 8000], ['\u20ac', 5300], ['\u{1f300}', 4000]])) {
    const large = newOutbox();
    const whole = [...Array(60).keys()].map((i) => event(i + 1, size, sign));
    large.add(whole);
    const frames = large.due(0, false);
    assert.deepEqual(frames.flat(), whole, 'in order, none left out');
    assert.deepEqual(firstBatch(whole), frames[0], 'a request takes as many as a frame');
    assert.deepEqual(firstBatch(whole, 1), [whole[0]], 'the first one goes whatever it has');
    for (const f of frames) {
      const bytes = new TextEncoder().encode(JSON.stringify({ type: 'events', events: f })).length;
      assert.ok(bytes <= 192 * 1024, `${f.length} events of ${sign} make a frame of ${bytes} bytes, and a host reads 256 KiB`);
    }
  }
});

test('have counts what is there without a gap, in whatever order it came, and beyond what is above one', () => {
  const have = newHave({ have: { aaaaaaaaaa: 2 }, beyond: { dddddddddd: [[7, 9]] } });
  for (const n of [5, 4, 1, 2]) have.add(`bbbbbbbbbb-${String(n).padStart(6, '0')}`);
  have.add('aaaaaaaaaa-000003');
  have.add('no counter');
  have.add('cccccccccc-000002');
  have.add('dddddddddd-000012');
  assert.deepEqual(have.counts(), {
    have: { aaaaaaaaaa: 3, bbbbbbbbbb: 2 },
    beyond: { bbbbbbbbbb: [[4, 5]], cccccccccc: [[2, 2]], dddddddddd: [[7, 9], [12, 12]] },
  });
  have.add('bbbbbbbbbb-000003');
  assert.deepEqual(have.counts().have, { aaaaaaaaaa: 3, bbbbbbbbbb: 5 });
  assert.equal(have.counts().beyond.bbbbbbbbbb, undefined);
});

test('of a device with many gaps the lowest 64 runs are told', () => {
  const have = newHave();
  for (let n = 2; n <= 400; n += 2) have.add(`bbbbbbbbbb-${String(n).padStart(6, '0')}`);
  const runs = have.counts().beyond.bbbbbbbbbb;
  assert.equal(runs.length, 64);
  assert.deepEqual(runs.at(-1), [128, 128]);
});

test('H08 an event is taken for there only where the other side says so', () => {
  const counts = readCounts({ have: { a: 3, b: 'x', __proto__: { d: 9 } }, beyond: { a: [[5, 7], [9, 9]], b: [null, 4, ['1', {}]], c: 'x' } });
  assert.deepEqual([...Array(11).keys()].filter((n) => n > 0 && isThere(counts, 'a', n)), [1, 2, 3, 5, 6, 7, 9]);
  for (const device of ['b', 'c', 'd', 'toString']) assert.equal(isThere(counts, device, 1), false, device);
  for (const message of [null, 7, {}, { have: null, beyond: 7 }, { have: [], beyond: [] }]) assert.equal(isThere(readCounts(message), 'a', 1), false);
});

test('a frame stays below its limit in every script', () => {
  const box = newOutbox();
  box.add([...Array(40).keys()].map((i) => ({ ...event(i + 1), data: { text: '潜'.repeat(4000) } })));
  const frames = box.due(0, false);
  assert.equal(frames.flat().length, 40);
  for (const f of frames) assert.ok(new TextEncoder().encode(JSON.stringify({ type: 'events', events: f })).length < 256 * 1024);
});

test('the step of a coarse clock is seen', () => {
  let t = 0;
  assert.equal(clockStep(() => Math.floor((t += 0.01)) * 1), 1);
  t = 0;
  assert.ok(clockStep(() => (t += 0.003)) === 0.1, 'never claimed finer than 0.1 ms');
});
