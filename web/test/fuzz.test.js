// Spoilt events, frames, answers and stored texts: nothing of it brings the page down. By a seed; for long runs
// BUDDYCLOCK_FUZZ_S says for how many seconds each decoder is tried.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { readFileSync, readdirSync } from 'node:fs';
import { decodeEvent, LIMITS, sameContent } from '../rules/event.js';
import { addEvent, newHold } from '../rules/fold.js';
import { readPlan } from '../rules/plan.js';
import { statusAt, timelineAt } from '../rules/status.js';
import { summarize } from '../rules/summary.js';
import { newConnection } from '../sync/connection.js';
import { isThere, newHave, readCounts } from '../sync/outbox.js';
import { memoryStore } from '../store/db.js';
import { newMirror } from '../store/mirror.js';
import { secretOf } from '../app/access.js';
import { newBook } from '../app/book.js';
import { parseClock, parseDay } from '../app/clock_text.js';
import { newDeviceId, newDeviceStore } from '../app/device.js';
import { newEarlier } from '../app/earlier.js';
import { codeProblem, nameProblem, tidyCode } from '../app/join_form.js';
import { importLines } from '../app/out_in.js';
import { spoiltText, spoiltValue, tryOut } from './fuzz_helper.js';

const FILES = new URL('../../testdata/replay/', import.meta.url);
/** Lines of recorded holds. @type {string[]} */
const EVENTS = readdirSync(FILES)
  .filter((name) => name.endsWith('.jsonl') && !/golden|timeline/.test(name))
  .flatMap((name) => readFileSync(new URL(name, FILES), 'utf8').split('\n').filter((line) => line.trim() !== ''));
const first = EVENTS.slice(0, 3).join(',');
const CLOCK = { t1: 1000, t2: 5000.5, t3: 5000.75, clock_id: 'c' };
const FRAMES = [
  `{"type":"welcome","v":1,"pair":"p","number":1,"session":"s","device":"dev0000001","role":"buddy","name":"Odo","have":{"dev0000001":3},"beyond":{"dev0000001":[[5,9]]},"events":[${first}],"more":true,"present":[],"clock_id":"c","server_ms":5}`,
  `{"type":"events","events":[${first}]}`,
  '{"type":"stored","ids":["dev0000001-000001"]}',
  '{"type":"refused","ids":["dev0000001-000001"],"code":"future","reason":"ahead"}',
  '{"type":"presence","present":[{"device":"dev0000002","role":"diver","name":"Ansa","link":"live","age_ms":5,"state":{"visible":true}}]}',
  JSON.stringify({ type: 'time', ...CLOCK }),
  '{"type":"error","code":"not-stored","reason":"full","ids":["dev0000001-000001"]}',
  '{"type":"bye","reason":"stopped"}',
];
const ANSWERS = [
  `{"stored":["dev0000001-000001"],"refused":[{"ids":["dev0000001-000002"],"code":"role","reason":"no"}],"events":[${first}],"have":{"dev0000001":1},"beyond":{"dev0000001":[[3,4]]}}`,
  '{"code":"failed","reason":"the host could not do this"}',
];

/** Whatever becomes of a value: a refusal with its reason, or an event that can be folded beside any other. @param {unknown} value */
function takeEvent(value) {
  const made = decodeEvent(value);
  if (!('event' in made)) {
    assert.ok(made.code && made.problem);
    return;
  }
  const { event } = made;
  assert.ok(event.id !== '' && event.hold !== '' && event.kind !== '' && Number.isSafeInteger(event.at));
  assert.ok(new TextEncoder().encode(JSON.stringify(event)).length <= LIMITS.event_bytes);
  const again = decodeEvent(JSON.parse(JSON.stringify(event)));
  assert.ok('event' in again && sameContent(again.event, event), 'passed on, it is the same event');
  const hold = newHold(event.hold);
  for (const other of /** @type {any[]} */ ([
    { id: 'fuzz-1', kind: 'plan', at: -1e6, by: 'buddy', data: { planned_s: 120 } }, { id: 'fuzz-2', kind: 'start', at: -1000 },
    { id: 'fuzz-3', kind: 'surfaced', at: Number.MAX_SAFE_INTEGER, by: 'buddy' },
  ])) addEvent(hold, { hold: event.hold, ...other });
  const { added, conflict } = addEvent(hold, event);
  assert.notEqual(added, conflict);
  for (const at of [-Number.MAX_SAFE_INTEGER, event.at, event.at + 60_000, Number.MAX_SAFE_INTEGER]) {
    JSON.stringify([statusAt(hold, at), timelineAt(hold, at), summarize(hold, at)]);
  }
}

/** A value from a spoilt text where that is JSON, else a spoilt value. @param {string[]} seeds @returns {(random: () => number) => unknown} */
const values = (seeds) => (random) => {
  if (random() < 0.5) return spoiltValue(random, seeds);
  try {
    return JSON.parse(spoiltText(random, seeds));
  } catch {
    return spoiltValue(random, seeds);
  }
};
/** @param {string[]} seeds @returns {(random: () => number) => string} */
const texts = (seeds) => (random) => (random() < 0.5 ? spoiltText(random, seeds) : JSON.stringify(spoiltValue(random, seeds)) ?? '');

test('fuzz: events', (t) => tryOut(t, values(EVENTS), takeEvent));

test('fuzz: plans', (t) =>
  tryOut(t, values(EVENTS.filter((line) => line.includes('"plan"'))), (value) => {
    const data = /** @type {any} */ (value)?.data;
    for (const one of [value, data]) {
      const plan = readPlan(/** @type {any} */ (one));
      if (plan) assert.ok(JSON.stringify(plan).length > 0 && !Object.values(plan).some((v) => typeof v === 'number' && !Number.isSafeInteger(v)));
    }
  }));

/** A connection whose host says what it is told to. @param {any} [answer] of a plain request */
function linked(answer) {
  /** @type {any} */
  let socket = null;
  /** @type {any[]} */
  const said = [];
  let now = 1000;
  /** @type {(() => void)[]} */
  let timers = [];
  const connection = newConnection({
    open: () => (socket = /** @type {any} */ ({ readyState: 1, send() {}, close() {} })),
    post: async () => answer,
    now: () => now,
    setTimer: (fn) => timers.push(fn),
    clearTimer: () => {},
    random: () => 0.5,
    stepMs: 0.1,
    say: (m) => said.push(m),
  });
  const unsent = EVENTS.slice(0, 2).map((line) => ({ ...JSON.parse(line), id: `dev0000001-00000${line.length % 9}` }));
  connection.start({ url: '', postUrl: '', token: 't', pair: 'p', device: 'dev0000001', counts: { have: {}, beyond: {} }, unsent });
  return {
    connection, said,
    /** @param {string} data */
    hear: (data) => socket?.onmessage?.({ data }),
    beat() {
      now += 300;
      const due = timers;
      timers = [];
      for (const fn of due) fn();
    },
  };
}

/** What a connection says to the page has the form that the page relies upon. @param {ReturnType<typeof linked>} l */
function saysWellFormed({ connection, said }) {
  for (const m of said) {
    if (m.type === 'events') assert.ok(Array.isArray(m.events));
    if (m.type === 'stored' || m.type === 'refused') assert.ok(Array.isArray(m.ids));
    if (m.type === 'presence') assert.ok(Array.isArray(m.present));
    if (m.type === 'welcome' || m.type === 'counts') isThere(m.counts, 'dev0000001', 7);
  }
  const { offset_ms, doubt_ms } = connection.clock();
  assert.ok(Number.isFinite(offset_ms) && Number.isFinite(doubt_ms));
  assert.ok(Number.isFinite(connection.link().unsent));
}

test('fuzz: frames of the socket', (t) =>
  tryOut(t, (random) => [FRAMES[0], ...Array.from({ length: 4 }, () => texts(FRAMES)(random))], (frames) => {
    const l = linked();
    for (const frame of frames) {
      l.hear(frame);
      l.beat();
    }
    saysWellFormed(l);
    l.connection.stop();
  }));

test('fuzz: answers to plain requests', (t) =>
  tryOut(t, (random) => ({ status: random() < 0.8 ? 200 : 500, json: values(ANSWERS)(random) }), async (answer) => {
    const l = linked(answer);
    l.connection.presence({}, true);
    for (let n = 0; n < 40; n += 1) l.beat();
    await Promise.resolve();
    await Promise.resolve();
    saysWellFormed(l);
    l.connection.stop();
  }));

test('fuzz: what a host says that it has, and the book of what is here', (t) =>
  tryOut(t, (random) => ({ events: Array.from({ length: 4 }, () => values(EVENTS)(random)), counts: values([ANSWERS[0]])(random) }), ({ events, counts }) => {
    const book = newBook();
    for (const value of events) {
      const made = decodeEvent(value);
      if ('event' in made) book.add(made.event, 'p');
    }
    for (const e of book.lackedBy('p', readCounts(counts))) assert.ok(book.event(e.id));
    const own = newHave(book.counts('p')).counts();
    assert.deepEqual(own, book.counts('p'));
    JSON.stringify([book.current('p', 5), book.holdsOf('p').length]);
  }));

/** @param {Record<string, string>} held @returns {Storage} */
const storageOf = (held) => /** @type {any} */ ({
  get length() { return Object.keys(held).length; },
  key: (/** @type {number} */ i) => Object.keys(held)[i] ?? null,
  getItem: (/** @type {string} */ k) => held[k] ?? null,
  setItem: (/** @type {string} */ k, /** @type {string} */ v) => { held[k] = v; },
  removeItem: (/** @type {string} */ k) => { delete held[k]; },
});
const STORED = [EVENTS[0], '{"v":1,"pair":"p","hold":"dev0000001-h01"}', '{"offset_ms":5,"synced":true,"at_ms":7}', '1790000000000', '{"device":"dev0000001","n":7}',
  '{"device":"k7p2q4m9tc","pair":"p","number":1,"session":"s","role":"diver","name":"Ansa","token":"t","secret":"x","alone":false}', '{"night":"day","hears":["minute"]}',
  '[{"pair":"p","device":"k7p2q4m9tc","token":"t"}]'];
const KEYS = ['buddyclock.hold', 'buddyclock.hold:x-000001', 'buddyclock.clock', 'buddyclock.sound', 'buddyclock.device', 'buddyclock.counter', 'buddyclock.prefs'];

test('fuzz: what a phone kept of itself and of a running hold', (t) =>
  tryOut(t, (random) => ({ held: Object.fromEntries(KEYS.map((key) => [key, texts(STORED)(random)])), debts: values(STORED)(random), rows: values(STORED)(random) }), async ({ held, debts, rows }) => {
    const storage = storageOf(held);
    const mirror = newMirror(storage);
    const mirrored = mirror.read();
    if (mirrored) for (const value of mirrored.events) decodeEvent(value);
    const clock = mirror.clock();
    if (clock) assert.ok(Number.isSafeInteger(clock.offset_ms));
    mirror.sound();
    const disk = memoryStore();
    await disk.set('identity', rows);
    await disk.set('earlier', debts);
    const devices = newDeviceStore(disk, storage);
    const me = await devices.load((bytes) => bytes);
    assert.equal(me.device.length, newDeviceId((bytes) => bytes).length);
    assert.ok(Number.isSafeInteger(devices.counter(me.device)));
    devices.prefs();
    await newEarlier({ store: disk, post: async () => ({ status: 200, json: debts }) }).deliver();
  }));

test('fuzz: files of holds', (t) =>
  tryOut(t, (random) => Array.from({ length: 6 }, () => texts(EVENTS)(random) + (random() < 0.8 ? '\n' : '')), async (pieces) => {
    const store = memoryStore();
    const take = () => importLines(store, (async function* text() { yield* pieces; })(), { told: () => {}, stopped: () => false });
    const first = await take();
    for (const r of first.refused) assert.ok(r.code && r.reason && r.line <= first.read);
    const again = await take();
    assert.deepEqual([again.added, again.known, again.refusals], [0, first.added + first.known, first.refusals], 'the same file again changes nothing');
    let kept = 0;
    for (const hold of first.holds) kept += (await store.ofHold(hold)).length;
    assert.equal(kept, first.added);
  }));

test('fuzz: what is typed and what stands in a link', (t) =>
  tryOut(t, (random) => spoiltText(random, ['#j=k7p2q4m9tcxyz', '#i=AAAAAAAAAAAAAAAAAAAAAA', '4:30', '4.30', '270 s', '2026-03-14', '7K2-M9Q', 'Odo Marek']), (text) => {
    const secret = secretOf(text);
    assert.ok(secret === null || /^[A-Za-z0-9_-]{8,128}$/.test(secret));
    const seconds = parseClock(text);
    assert.ok(seconds === null || Number.isSafeInteger(seconds));
    const day = parseDay(text);
    assert.ok(day === null || Number.isFinite(day));
    JSON.stringify([tidyCode(text), codeProblem(text), nameProblem(text, 'buddy')]);
  }));
