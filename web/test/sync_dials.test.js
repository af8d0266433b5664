// When the link dials and when it does not, on a clock of the test's own. Hazards H05, H06, H08.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { newConnection, UNFIT, WIRE_VERSION } from '../sync/connection.js';
import { BURST } from '../sync/timing.js';

/**
 * A connection with its host, both on a clock that the test moves.
 * @param {{version?: number, answer?: (socket: any) => void}} [wish] `answer` is called as a socket opens, by default it never does
 */
function world({ version, answer } = {}) {
  let now = 1000;
  let timers = /** @type {{at: number, fn: () => void}[]} */ ([]);
  const seen = {
    /** @type {number[]} */ dials: [],
    /** @type {any[]} */ sent: [],
    /** @type {any[]} */ said: [],
    /** @type {any[]} */ posts: [],
    /** @type {any} */ socket: null,
  };
  const open = () => {
    seen.dials.push(now);
    const socket = {
      readyState: 0,
      /** @param {string} text */
      send: (text) => seen.sent.push(JSON.parse(text)),
      close() {
        socket.readyState = 3;
      },
      /** @type {any} */ onopen: null,
      /** @type {any} */ onmessage: null,
      /** @type {any} */ onclose: null,
      /** @param {any} message */
      hear: (message) => socket.onmessage?.({ data: JSON.stringify(message) }),
      end() {
        socket.readyState = 3;
        socket.onclose?.();
      },
    };
    seen.socket = socket;
    if (answer) {
      set(() => {
        if (socket.readyState !== 0) return;
        socket.readyState = 1;
        socket.onopen?.();
        answer(socket);
      }, 10);
    }
    return /** @type {any} */ (socket);
  };
  const set = (/** @type {() => void} */ fn, /** @type {number} */ ms) => {
    const timer = { at: now + ms, fn };
    timers.push(timer);
    return timer;
  };
  const connection = newConnection({
    open,
    post: async (_, body) => {
      seen.posts.push({ at: now, body });
      return { status: 200, json: { stored: /** @type {any} */ (body).events.map((/** @type {any} */ e) => e.id), refused: [], events: [], have: {} } };
    },
    now: () => now,
    setTimer: set,
    clearTimer: (timer) => void (timers = timers.filter((t) => t !== timer)),
    random: () => 0.5,
    stepMs: 0.1,
    say: (m) => seen.said.push(m),
    ...(version === undefined ? {} : { version }),
  });
  connection.start({ url: 'ws://x/socket', postUrl: 'http://x/api/events', token: 't', pair: 'p', device: 'dev0000001', counts: { have: {}, beyond: {} }, unsent: [] });
  return {
    seen,
    connection,
    /** Lets time pass; what was answered meanwhile is heard. @param {number} ms */
    async pass(ms) {
      for (const end = now + ms; ; ) {
        await new Promise((heard) => setTimeout(heard, 0));
        const next = timers.reduce((a, t) => Math.min(a, t.at), Infinity);
        if (next > end) {
          now = end;
          return;
        }
        now = Math.max(now, next);
        const due = timers.filter((t) => t.at <= now);
        timers = timers.filter((t) => t.at > now);
        for (const t of due) t.fn();
      }
    },
  };
}

const welcome = (/** @type {object} */ over = {}) => ({
  type: 'welcome', v: WIRE_VERSION, pair: 'p', role: 'buddy', have: {}, beyond: {}, events: [], present: [], clock_id: 'one', server_ms: 5, ...over,
});
const look = { id: 'dev0000001-000001', hold: 'dev0000001-h01', kind: 'look', at: 5, by: 'buddy' };

for (const [name, wish] of /** @type {const} */ ([
  ['a host that ends this page as too old', { answer: (/** @type {any} */ s) => s.hear({ type: 'error', code: 'old-version', reason: 'load the page anew' }) }],
  ['a host that is two versions older', { version: WIRE_VERSION + 2, answer: (/** @type {any} */ s) => s.hear(welcome()) }],
])) {
  test(`H08 ${name}: said once, dialled no more, and what is recorded goes by request`, async () => {
    const w = world(wish);
    w.connection.presence({ visible: true }, true);
    await w.pass(1000);
    w.seen.socket.end();
    w.connection.record([/** @type {any} */ (look)]);
    for (let minute = 0; minute < 10; minute += 1) {
      w.connection.wake(minute * 1000);
      w.connection.presence({ visible: true }, minute % 2 === 0);
      await w.pass(60_000);
    }
    assert.equal(w.seen.dials.length, 1);
    assert.deepEqual(w.seen.said.filter((m) => m.type === 'error').map((m) => [m.code, m.final]), [[UNFIT, false]]);
    assert.equal(w.connection.link().state, 'not-live');
    assert.equal(w.connection.link().unsent, 0);
    assert.deepEqual(w.seen.posts.flatMap((p) => p.body.events.map((/** @type {any} */ e) => e.id)), [look.id]);
    assert.ok(w.seen.posts.every((p, i, all) => i === 0 || p.at - all[i - 1].at >= 2000), 'no storm of requests either');
  });
}

test('H08 a host one version older is gone along with', async () => {
  const w = world({ version: WIRE_VERSION + 1, answer: (s) => s.hear(welcome()) });
  await w.pass(1000);
  assert.equal(w.seen.sent[0].v, WIRE_VERSION + 1);
  assert.equal(w.connection.link().state, 'live');
});

test('H08 a socket that ends right after each welcome is not dialled in a storm', async () => {
  const w = world({ answer: (s) => { s.hear(welcome()); s.end(); } });
  w.connection.presence({ visible: true }, true);
  await w.pass(60_000);
  assert.ok(w.seen.dials.length >= 25 && w.seen.dials.length <= 40, `${w.seen.dials.length} dials a minute`);
});

test('H05 a dial into a dead link is made anew every few seconds, so that a healed one is found', async () => {
  const w = world();
  w.connection.presence({ visible: true }, true);
  await w.pass(60_000);
  const gaps = w.seen.dials.slice(1).map((at, i) => at - w.seen.dials[i]);
  assert.ok(gaps.length > 10 && Math.max(...gaps) < 3800, `dialled after ${gaps}`);
});

test('H06 H08 another clock id, as after a sleep of the server, voids what was learnt and asks anew at once', async () => {
  let id = 'one';
  let shift = 100_000;
  const w = world({ answer: (s) => s.hear(welcome({ clock_id: id })) });
  const { sent } = w.seen;
  let answered = 0;
  const talk = async (/** @type {number} */ ms) => {
    for (let t = 0; t < ms; t += 10) {
      await w.pass(10);
      for (; answered < sent.length; answered += 1) {
        const { type, t1 } = sent[answered];
        if (type === 'time') w.seen.socket.hear({ type: 'time', t1, t2: t1 + shift, t3: t1 + shift, clock_id: id });
      }
    }
  };
  w.connection.presence({ visible: true }, false);
  await talk(5000);
  assert.equal(w.connection.clock().synced, true);
  assert.ok(Math.abs(w.connection.clock().offset_ms - shift) < 20);
  const before = sent.length;
  await talk(5000);
  const calm = sent.length - before;
  // The server slept for 40 s.
  id = 'two';
  shift += 40_000;
  const woken = sent.length;
  const told = w.seen.said.length;
  await talk(12_000);
  const clocks = w.seen.said.slice(told).filter((m) => m.type === 'clock').map((m) => m.clock);
  assert.equal(clocks[0].clock_id, 'two');
  assert.equal(clocks[0].synced, false, 'one exchange proves little');
  assert.equal(w.connection.clock().synced, true);
  assert.ok(Math.abs(w.connection.clock().offset_ms - shift) < 20);
  assert.ok(sent.length - woken >= BURST && calm < BURST, `${sent.length - woken} exchanges, ${calm} in calm times`);
});

test('H08 an event ahead of the host\'s clock is offered until the host takes it, however long that is', async () => {
  const w = world({ answer: (s) => s.hear(welcome()) });
  await w.pass(1000);
  w.connection.record([/** @type {any} */ (look)]);
  const offers = () => w.seen.sent.filter((m) => m.type === 'events').length;
  for (let i = 0; i < 100; i += 1) {
    w.seen.socket.hear({ type: 'refused', ids: [look.id], code: 'future', reason: 'ahead' });
    await w.pass(4000);
    w.seen.socket.hear({ type: 'presence', present: [] });
  }
  assert.ok(offers() >= 100, `offered ${offers()} times`);
  assert.equal(w.seen.said.filter((m) => m.type === 'refused').length, 0);
  w.seen.socket.hear({ type: 'stored', ids: [look.id] });
  assert.equal(w.connection.link().unsent, 0);
});
