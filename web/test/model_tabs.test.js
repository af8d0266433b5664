// Of several tabs of one phone only one sounds and records.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { openTabs } from '../app/tabs.js';

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
