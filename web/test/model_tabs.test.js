// Of several tabs of one phone only one sounds and records.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { newDeviceStore } from '../app/device.js';
import { openTabs } from '../app/tabs.js';
import { newTurns } from '../app/turns.js';
import { page } from './model_helper.js';

/** @param {() => unknown} condition */
async function until(condition) {
  for (const end = Date.now() + 30_000; !condition(); ) {
    assert.ok(Date.now() < end, `waited in vain for ${condition}`);
    await new Promise((next) => setTimeout(next, 5));
  }
}

/** A browser without locks: one storage for all its tabs, and a channel each. */
function browser() {
  /** @type {Map<string, string>} */
  const kept = new Map();
  /** @type {any} */
  const storage = {
    getItem: (/** @type {string} */ k) => kept.get(k) ?? null,
    setItem: (/** @type {string} */ k, /** @type {string} */ v) => kept.set(k, v),
    removeItem: (/** @type {string} */ k) => kept.delete(k),
  };
  const name = `tabs ${Math.random()}`;
  /** @type {BroadcastChannel[]} */
  const channels = [];
  return {
    /** @param {number} answer_ms how long it waits for an answer: long where one will come */
    async tab(answer_ms) {
      const channel = new BroadcastChannel(name);
      channels.push(channel);
      /** @type {any} */
      const seen = { events: [], changes: [] };
      const tabs = await openTabs(
        { events: (events) => seen.events.push(...events), change: (first) => seen.changes.push(first) },
        { channel, locks: null, storage, answer_ms },
      );
      return { tabs, seen, channel };
    },
    close: () => channels.forEach((c) => c.close()),
  };
}

test('the first tab records, the second is told what it stored and takes over when it is gone', async (t) => {
  const b = browser();
  t.after(b.close);
  const one = await b.tab(1);
  assert.equal(one.tabs.first(), true);
  const two = await b.tab(3000);
  assert.equal(two.tabs.first(), false);
  one.tabs.share([{ id: 'k7p2qabcde-000001' }]);
  await until(() => two.seen.events.length === 1);
  two.tabs.renew();
  one.tabs.share([{ id: 'k7p2qabcde-000002' }]);
  await until(() => two.seen.events.length === 2);
  assert.deepEqual(two.seen.changes, [], 'while the first lives nothing changes');

  one.tabs.leave();
  one.channel.close();
  await until(() => {
    two.tabs.renew();
    return two.tabs.first();
  });
  assert.deepEqual(two.seen.changes, [true]);
});

test('H10 a page loaded anew is the first tab again at once', async (t) => {
  const b = browser();
  t.after(b.close);
  const one = await b.tab(1);
  one.tabs.leave();
  one.channel.close();
  const again = await b.tab(1);
  assert.equal(again.tabs.first(), true);
});

test('a tab that slept while another took over gives way', async (t) => {
  const b = browser();
  t.after(b.close);
  const one = await b.tab(1);
  // Asleep: it neither answers nor renews its lease.
  one.channel.onmessage = null;
  const two = await b.tab(1);
  assert.equal(two.tabs.first(), true, 'nobody answered');
  one.tabs.renew();
  assert.equal(one.tabs.first(), false);
  assert.deepEqual(one.seen.changes, [true, false]);
});

test('a tab that takes over does not undo a join that goes on meanwhile, however the two lie', async () => {
  for (let lag = 0; lag < 40; lag++) {
    const p = await page();
    const devices = newDeviceStore(p.disk, p.local);
    const inTurn = newTurns();
    const joined = { ...p.model.identity(), pair: 'p2', token: 'new', device: 'zzzzzzzzzz' };
    const join = () => inTurn(() => p.model.become(joined));
    const takeOver = () => inTurn(async () => p.model.become(await devices.load((bytes) => bytes)));
    const taken = (async () => {
      for (let i = 0; i < lag; i++) await null;
      await takeOver();
    })();
    await Promise.all([taken, lag === 0 ? taken.then(join) : join()]);
    assert.equal(p.model.identity().token, 'new', `${lag} steps`);
    assert.equal((await devices.load((bytes) => bytes)).token, 'new', `${lag} steps`);
  }
});

test('a turn that fails is the end of no other', async () => {
  const inTurn = newTurns();
  await assert.rejects(inTurn(() => Promise.reject(new Error('no disk'))), /no disk/);
  assert.equal(await inTurn(async () => 'done'), 'done');
});
