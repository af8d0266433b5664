// Ensures that what is kept beside the events says what the events say: at every moment a page may be closed, after every change.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { importLines } from '../app/out_in.js';
import { newBook } from '../app/book.js';
import { newLogbook } from '../app/logbook.js';
import { toldOf } from '../app/digest.js';
import { newTender } from '../app/log_tending.js';
import { expectationsOf } from '../rules/expect.js';
import { holdsOfDiver, LOG_VERSION } from '../rules/log.js';
import { conditionsOf, trendsOf } from '../rules/trends.js';
import { newDisk } from './disk_helper.js';

const NOON = new Date(2026, 4, 12, 12).getTime();
const DAY_MS = 86_400_000;
const NOW = NOON + 400 * DAY_MS;
const ANSA = { id: null, key: 'ansa' };

/** @typedef {import('./disk_helper.js').Disk} Disk */

/**
 * One clean hold of two minutes and some, with its debrief.
 * @param {number} n @param {number} at
 * @returns {any[]}
 */
function hold(n, at) {
  const id = `aaaaaaaaaa-h${String(n).padStart(2, '0')}`;
  let counter = n * 100;
  const end = 120_000 + (n % 7) * 1000;
  const put = (/** @type {string} */ kind, /** @type {number} */ ms, /** @type {any} */ data = undefined) => ({
    id: `aaaaaaaaaa-${String(++counter).padStart(6, '0')}`, hold: id, kind, at: at + ms, by: 'buddy', ...(data ? { data } : {}),
  });
  return [
    put('plan', -1000, { diver: n % 5 === 0 ? 'Odo' : 'Ansa', buddy: 'Odo', setting: n % 3 === 0 ? 'pool' : 'dry', planned_s: 180, cadence: 'standard' }),
    put('start', 0), put('look', 28_000), put('look', 56_000), put('contraction', 80_000 + n * 10, { site: 'belly' }), put('asked', 83_000),
    put('answered', 84_000, { took_ms: 1000 + n }), put('answered', 105_000), put('surfaced', end), put('ok', end + 6000),
    ...[14, 30, 45, 60].map((s) => put('look', end + s * 1000)), put('watch-ended', end + 62_000), put('verdict', end + 70_000, { what: 'clean' }),
    put('note', end + 80_000, { text: '', conditions: n % 2 === 0 ? ['cold'] : [], felt: ['warmth'], about: 'diver' }),
  ];
}

/** @param {number} count */
const holds = (count) => Array.from({ length: count }, (_, i) => hold(i + 1, NOON + Math.floor(i / 4) * DAY_MS + (i % 4) * 1_800_000));

/** @param {any[]} events @param {string} [pair] */
const rowsOf = (events, pair = 'file:x') => events.map((event) => ({ id: event.id, pair, at: event.at, event, state: /** @type {const} */ ('stored') }));

/**
 * A page opened on this store; `read` all done.
 * @param {Disk} store
 * @param {{free?: () => boolean, first?: () => boolean, changed?: () => void, now?: number}} [on]
 */
function page(store, { free, first, changed = () => {}, now = NOW } = {}) {
  const book = newBook();
  const logbook = newLogbook({ store, book, now: () => now, changed, free, first, breathe: async () => {}, later: async () => ({ newTender: (s, env) => newTender(s, env, store.summaries) }) });
  return { book, logbook, load: () => logbook.begin().then(logbook.tend) };
}

/** A store that holds these, everything made. @param {any[][]} list */
async function filled(list) {
  const store = newDisk();
  await store.addAll(rowsOf(list.flat()));
  await page(store).load();
  return store;
}

/** What a page says of one diver, until it stops reading. @param {import('../app/logbook.js').Logbook} logbook */
async function said(logbook) {
  for (let i = 0; i < 5 && logbook.trends(ANSA, 'dry') === null; i++) await new Promise((over) => setTimeout(over));
  const { people, ...rest } = { people: logbook.people(), expected: logbook.expected(ANSA, 'dry'), dry: logbook.trends(ANSA, 'dry'), pool: logbook.trends(ANSA, 'pool') };
  return JSON.stringify([people.map((p) => [p.name, p.last_at, p.dived]).sort(), rest]);
}

test('H06 lines are made anew where shared time goes back or forth by weeks', () => {
  for (const wrong of [-20 * DAY_MS, 20 * DAY_MS]) {
    const book = newBook();
    let now = NOON + wrong;
    const { lines } = newLogbook({ store: newDisk(), book, now: () => now, changed: () => {}, later: () => Promise.reject(new Error('not asked for')) });
    const [done, runs] = [hold(1, NOON - 3_600_000), hold(2, NOON - 60_000).slice(0, 3)];
    for (const event of [...done, ...runs]) book.add(event, 'p');
    lines();
    now = NOON;
    assert.deepEqual(lines().map((line) => line.over), [true, false], `${wrong} ms off at first`);
  }
});

test('a page opens with the digest and a hundred lines, and says the same as the whole log', async () => {
  const store = await filled(holds(400));
  const { logbook, load } = page(store);
  for (const read of /** @type {const} */ (['ofHold', 'ofPair', 'holds', 'since'])) {
    /** @type {any} */ (store)[read] = () => assert.fail(`${read}: events are read`);
  }
  await logbook.begin();
  assert.equal(logbook.whole(), false);
  assert.deepEqual([logbook.lines().length, logbook.lines().at(-1)?.hold], [100, 'aaaaaaaaaa-h400']);
  const soon = await said(logbook);
  await load();
  assert.equal(logbook.whole(), true);
  assert.equal(logbook.lines().length, 400);
  assert.equal(await said(logbook), soon);

  const mine = holdsOfDiver(logbook.lines(), ANSA);
  assert.deepEqual(logbook.expected(ANSA, 'pool'), expectationsOf(mine, 'pool'));
  assert.deepEqual(logbook.trends(ANSA, 'dry'), toldOf(mine, 'dry'));
  assert.deepEqual(logbook.trends(ANSA, 'dry')?.trends.onset.line, trendsOf(mine, 'dry').onset.line, 'the rules’ own line');
  assert.deepEqual(logbook.trends(ANSA, 'dry')?.along.hold, conditionsOf(mine, 'dry', 'hold'));
});

test('a chart has the newest 120 days, and its line is that of the rules', async () => {
  const store = await filled(Array.from({ length: 160 }, (_, i) => hold(3 * i + 1, NOON + i * DAY_MS)));
  const mine = holdsOfDiver([...store.lines.values()], ANSA);
  const { hold: trend } = toldOf(mine, 'dry').trends;
  const all = trendsOf(mine, 'dry').hold;
  assert.ok(all.points.length > 120);
  assert.deepEqual([trend.points.at(-1), trend.line, trend.days], [all.points.at(-1), all.line, all.points.length]);
  assert.equal(trend.points.length, 120);
});

test('H20 a page closed between an event and its line shows the line of the event when it opens next', async () => {
  const list = holds(130);
  for (const [what, change] of /** @type {[string, any][]} */ ([
    ['a verdict', { kind: 'verdict', data: { what: 'shaky' } }],
    ['an amendment', { kind: 'amend', data: { target: list[0].find((e) => e.kind === 'surfaced').id, at: NOON + 100_000 } }],
    ['a late event', { kind: 'contraction', at: NOON + 60_000 }],
  ])) {
    const store = await filled(list);
    const before = await said((await opened(store)).logbook);
    const event = { id: 'bbbbbbbbbb-000001', hold: list[0][0].hold, by: 'buddy', at: NOON + 300_000, ...change };
    // The page is gone right after the event is on the disk.
    await store.add(rowsOf([event])[0], true);
    assert.deepEqual([...store.due], [event.hold]);
    const { logbook, load } = page(store);
    await logbook.begin();
    assert.equal(logbook.lines().find((l) => l.hold === event.hold)?.events, list[0].length + 1, what);
    assert.equal(logbook.expected(ANSA, 'dry').onset.count, 0, `${what}: what was said over the log is not said of another`);
    assert.equal(logbook.trends(ANSA, 'dry'), null);
    await load();
    assert.deepEqual([...store.due], []);
    assert.notEqual(await said(logbook), before, what);
    assert.equal(await said(logbook), await said((await opened(store)).logbook));
    assert.deepEqual([...store.lines.values()].map((l) => l.hold).sort(), (await store.holds()).sort());
    await made(store, what);
  }
});

/** @param {Disk} store */
async function opened(store) {
  const p = page(store);
  await p.logbook.begin();
  return p;
}

/**
 * That what is kept is what the events make.
 * @param {Disk} store
 * @param {string} words
 */
async function made(store, words) {
  const anew = newDisk();
  await anew.addAll([...store.rows.values()]);
  await page(anew).load();
  const sorted = (/** @type {Disk} */ s) => [...s.lines.values()].sort((a, b) => (a.hold < b.hold ? -1 : 1));
  assert.deepEqual(sorted(store), sorted(anew), words);
  assert.equal(await said((await opened(store)).logbook), await said((await opened(anew)).logbook), words);
}

test('an event that comes while a line is being made leaves its hold due', async () => {
  const store = newDisk();
  const [one] = holds(1);
  await store.addAll(rowsOf(one));
  const late = { id: 'bbbbbbbbbb-000001', hold: one[0].hold, kind: 'verdict', by: 'buddy', at: NOON + 300_000, data: { what: 'shaky' } };
  const { ofHold } = store;
  store.ofHold = async (id) => {
    const rows = await ofHold(id);
    await store.add(rowsOf([late])[0], true);
    return rows;
  };
  const { logbook } = page(store);
  await logbook.begin();
  assert.deepEqual([...store.due], [one[0].hold]);
  assert.equal(store.lines.size, 0, 'a line of other events is not kept');
  store.ofHold = ofHold;
  const { load } = page(store);
  await load();
  assert.equal(store.lines.get(one[0].hold)?.verdict, 'shaky');
});

test('what happens in the page is in the log at once, and on the disk in idle time', async () => {
  const list = holds(150);
  const store = await filled(list.slice(0, -1));
  const { book, logbook, load } = page(store, { now: NOON + 60 * DAY_MS });
  await load();
  const told = logbook.trends(ANSA, 'dry');
  const last = list[149];
  last[0].data.diver = 'Ansa';
  last[0].data.setting = 'dry';
  for (const event of last) {
    await store.add({ ...rowsOf([event], 'p1')[0] }, true);
    book.add(event, 'p1');
  }
  assert.deepEqual([logbook.lines().length, logbook.lines().at(-1)?.pair], [150, 'p1']);
  assert.notEqual(logbook.trends(ANSA, 'dry'), told);
  assert.equal(store.lines.has(last[0].hold), false);
  await logbook.tend();
  assert.equal(store.lines.get(last[0].hold)?.pair, 'p1');
  assert.deepEqual([...store.due], []);
  const next = await opened(store);
  assert.equal(await said(next.logbook), await said(logbook));

  await store.move([last[0].hold], 'p2');
  book.move([last[0].hold], 'p2');
  assert.equal(logbook.lines().at(-1)?.pair, 'p2');
  await logbook.tend();
  assert.equal(store.lines.get(last[0].hold)?.pair, 'p2');
  await made(store, 'after all that');
});

test('nothing is made or read while people are at a hold, and a running hold has no line on the disk', async () => {
  const store = await filled(holds(300));
  let free = false;
  const { book, logbook } = page(store, { free: () => free, now: NOON + 100 * DAY_MS + 60_000 });
  await logbook.begin();
  const running = hold(900, NOON + 100 * DAY_MS).slice(0, 3);
  for (const event of running) {
    await store.add(rowsOf([event], 'p1')[0], true);
    book.add(event, 'p1');
  }
  await logbook.tend();
  assert.deepEqual([logbook.lines().length, logbook.whole()], [101, false]);
  free = true;
  await logbook.tend();
  assert.deepEqual([logbook.lines().length, logbook.whole()], [301, true]);
  assert.equal(store.lines.has(running[0].hold), false);
  assert.deepEqual([...store.due], [running[0].hold]);

  const next = page(store, { now: NOON + 100 * DAY_MS + 70_000 });
  await next.logbook.begin();
  assert.equal(next.logbook.expected(ANSA, 'dry').onset.from, 'log', 'a hold that runs says nothing yet');
  assert.equal(next.logbook.lines().at(-1)?.over, false);
});

test('an import that is cut off, or a phone of the time before lines, makes its log when it opens', async () => {
  const store = newDisk();
  const file = async function* () {
    yield holds(120).flat().map((e) => `${JSON.stringify(e)}\n`).join('');
  };
  const so = await importLines(store, file(), { told: () => {}, stopped: () => false });
  assert.equal(store.due.size, 120);
  const { logbook } = page(store);
  await logbook.begin();
  assert.deepEqual([logbook.whole(), logbook.owing()], [false, 120]);
  await logbook.renew(so.holds);
  assert.deepEqual([logbook.whole(), store.lines.size, store.due.size], [true, 120, 0]);
  await logbook.tend();
  await made(store, 'imported');
});

test('lines of other rules are made anew and never shown', async () => {
  const store = await filled(holds(150));
  for (const [id, line] of store.lines) store.lines.set(id, { ...line, v: LOG_VERSION - 1, hold_ms: 1 });
  const { logbook } = page(store);
  await logbook.begin();
  assert.deepEqual([logbook.lines(), logbook.whole()], [[], false]);
  assert.equal(logbook.expected(ANSA, 'dry').longest.value, null);
  await logbook.tend();
  assert.deepEqual([logbook.lines().length, logbook.whole()], [150, true]);
  await made(store, 'made anew');
});

test('a second page writes nothing, and what it does not know of is no reason for an old digest', async () => {
  const store = await filled(holds(140));
  const second = page(store, { first: () => false });
  await second.load();
  const other = page(store);
  await other.load();
  const [one] = holds(1);
  await store.add(rowsOf([{ id: 'bbbbbbbbbb-000001', hold: one[0].hold, kind: 'verdict', by: 'buddy', at: NOON + 300_000, data: { what: 'shaky' } }])[0], true);
  await second.logbook.renew([one[0].hold]);
  assert.equal(second.logbook.lines()[0].verdict, 'shaky');
  assert.deepEqual([...store.due], [one[0].hold]);
  await other.logbook.renew([one[0].hold]);
  await other.logbook.tend();
  await made(store, 'by the first page');

  // The page that was second writes from now on: its own idea of the log is older than the disk's.
  let first = false;
  const late = page(store, { first: () => first });
  await late.load();
  const [, two] = holds(2);
  await store.add(rowsOf([{ id: 'bbbbbbbbbb-000002', hold: two[0].hold, kind: 'verdict', by: 'buddy', at: NOON + 2_400_000, data: { what: 'shaky' } }])[0], true);
  await other.logbook.renew([two[0].hold]);
  first = true;
  await late.logbook.renew([one[0].hold]);
  await late.logbook.tend();
  assert.equal(late.logbook.lines().find((l) => l.hold === two[0].hold)?.verdict, 'shaky');
  await made(store, 'by the page that was second');
});
