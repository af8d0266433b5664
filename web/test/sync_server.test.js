// The link against the real server: clock, outbox, redial, fallback. Hazards H05, H08, H11.
import { test, before, after } from 'node:test';
import assert from 'node:assert/strict';
import { spawn, spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { createServer, connect } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { newSeal } from '../sync/seal.js';
import { newConnection, NOT_LIVE_MS } from '../sync/connection.js';
import { postJson } from '../sync/post.js';
import { foldEvents } from '../rules/fold.js';
import { statusAt } from '../rules/status.js';
import { summarize } from '../rules/summary.js';

const HERE = fileURLToPath(import.meta.url);
const ROOT = fileURLToPath(new URL('../..', import.meta.url));

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

/** Waits for a condition. @param {() => unknown} condition @param {number} [ms] */
async function until(condition, ms = 60_000) {
  for (const end = Date.now() + ms; !condition(); ) {
    assert.ok(Date.now() < end, `waited in vain for ${condition}`);
    await new Promise((next) => setTimeout(next, 5));
  }
}

let dir = '';
let port = 0;
let secret = '';
/** @type {any} */
let running = null;

/** Starts the server and waits until it says where it listens. */
async function serve() {
  const server = spawn(join(dir, 'buddyclock'), ['serve', '-addr', `127.0.0.1:${port}`, '-data', join(dir, 'data')], {
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  running = server;
  let said = '';
  server.stdout.on('data', (/** @type {any} */ text) => (said += text));
  server.stderr.on('data', (/** @type {any} */ text) => (said += text));
  await until(() => /http:\/\/127\.0\.0\.1:\d+\/#j=\S+/.test(said) || server.exitCode !== null);
  const found = /http:\/\/127\.0\.0\.1:(\d+)\/#j=(\S+)/.exec(said);
  assert.ok(found, `the server did not start:\n${said}`);
  port = Number(found?.[1]);
  secret = String(found?.[2]);
}

/** Kills it as a power cut would. */
async function kill() {
  const server = running;
  server.kill('SIGKILL');
  await until(() => server.exitCode !== null || server.signalCode !== null);
}

const origin = () => `http://127.0.0.1:${port}`;
let devices = 0;

/**
 * A device of a pair, with its connection running in this process.
 * @param {{pair?: string, role?: string, via?: number, noSocket?: boolean}} [wish]
 */
async function device({ pair = 'new', role = 'buddy', via, noSocket = false } = {}) {
  devices += 1;
  const id = `dev${String(devices).padStart(7, '0')}`;
  const joined = await postJson(`${origin()}/api/join`, { secret, pair, role, device: id, name: `phone ${devices}` });
  assert.equal(joined.status, 200, JSON.stringify(joined.json));
  /** @type {any[]} */
  const said = [];
  const connection = newConnection({
    open: (url) => {
      if (noSocket) throw new Error('no sockets here');
      return new WebSocket(url, /** @type {any} */ ({ headers: { Origin: `http://127.0.0.1:${via ?? port}` } }));
    },
    post: postJson,
    now: () => performance.now(),
    setTimer: (fn, ms) => setTimeout(fn, ms),
    clearTimer: (t) => clearTimeout(t),
    random: () => 0.5,
    stepMs: 0.1,
    say: (m) => said.push(m),
  });
  let n = 0;
  const me = { id, said, connection, token: joined.json.token, pair: joined.json.pair };
  const start = (/** @type {HoldEvent[]} */ unsent = [], counts = NOTHING) =>
    connection.start({
      url: `ws://127.0.0.1:${via ?? port}/socket`,
      postUrl: `${origin()}/api/events`,
      token: me.token, pair: me.pair, device: id, counts, unsent,
    });
  start();
  open.push(connection);
  return {
    ...me,
    start,
    /** @param {string} kind @param {Partial<HoldEvent>} [over] @returns {HoldEvent} */
    make(kind, over = {}) {
      n += 1;
      return { id: `${id}-${String(n).padStart(6, '0')}`, hold: `${id}-h01`, kind, at: Date.now(), by: role, ...over };
    },
    live: () => connection.link().state === 'live',
    events: () => said.filter((m) => m.type === 'events').flatMap((m) => m.events.map((/** @type {any} */ e) => e.id)),
    stored: () => said.filter((m) => m.type === 'stored').flatMap((m) => m.ids),
  };
}

/** @type {import('../sync/connection.js').Connection[]} */
const open = [];

/** @type {import('../sync/outbox.js').Counts} */
const NOTHING = { have: {}, beyond: {} };

const PLAN = { diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 60, end_by_s: 90, cadence: 'standard', signal: 'squeeze' };

/**
 * The same list in another order, by a seed.
 * @template T
 * @param {T[]} list
 * @param {number} seed
 */
function shuffled(list, seed) {
  const out = [...list];
  let n = seed;
  for (let i = out.length - 1; i > 0; i -= 1) {
    n = (n * 1103515245 + 12345) % 2147483648;
    const j = n % (i + 1);
    [out[i], out[j]] = [out[j], out[i]];
  }
  return out;
}

/**
 * What a device makes of a hold's events, in whatever order they came.
 * @param {HoldEvent[]} events
 * @param {number} at
 */
function seen(events, at) {
  const hold = foldEvents(events[0].hold, events);
  return { ids: hold.events.map((e) => e.id), status: statusAt(hold, at), summary: summarize(hold, at) };
}

if (typeof WebSocket !== 'function') {
  // This Node keeps its sockets behind a flag: run this file once more with it.
  test('the link against a real server', () => {
    const { NODE_TEST_CONTEXT: _, ...env } = process.env;
    const run = spawnSync(process.execPath, ['--experimental-websocket', '--test', HERE], { encoding: 'utf8', env });
    assert.equal(run.status, 0, run.stdout + run.stderr);
    assert.match(run.stdout, /# pass [1-9]/);
  });
} else {
  before(async () => {
    dir = mkdtempSync(join(tmpdir(), 'link-'));
    const built = spawnSync('go', ['build', '-o', join(dir, 'buddyclock'), './cmd/buddyclock'], { encoding: 'utf8', cwd: ROOT });
    assert.equal(built.status, 0, built.stderr);
    await serve();
  });

  after(async () => {
    for (const connection of open) connection.stop();
    if (running) await kill();
    rmSync(dir, { recursive: true, force: true });
  });

  test('two devices see each other\'s events, and are told what is on the server\'s disk', async () => {
    const a = await device();
    const b = await device({ pair: a.pair, role: 'diver' });
    await until(() => a.live() && b.live());
    const look = a.make('look');
    a.connection.record([look]);
    await until(() => a.stored().includes(look.id) && b.events().includes(look.id));
    assert.equal(a.connection.link().unsent, 0);
    assert.equal(a.events().includes(look.id), false, 'nobody gets back what they sent');

    const late = await device({ pair: a.pair, role: 'siren' });
    await until(() => late.events().includes(look.id));
    const welcome = late.said.find((m) => m.type === 'welcome');
    assert.equal(welcome.role, 'siren');
    assert.equal(welcome.counts.have[a.id], 1);
  });

  test('the clock agrees with the server\'s within its own doubt', async () => {
    const a = await device();
    await until(() => a.connection.clock().synced);
    await until(() => a.said.filter((m) => m.type === 'clock').length >= 16);
    const { offset_ms, doubt_ms, clock_id } = a.connection.clock();
    // The server's shared time began as this machine's wall clock.
    const apart = Math.abs(performance.now() + offset_ms - Date.now());
    assert.ok(apart < 50 + doubt_ms, `${apart} ms apart, doubt ${doubt_ms}`);
    assert.ok(doubt_ms < 200, `doubt ${doubt_ms} ms on one machine`);
    assert.equal(typeof clock_id, 'string');
    a.connection.jump(1);
    assert.equal(a.connection.clock().synced, false, 'after a jump of the device\'s clock nothing is known');
    await until(() => a.connection.clock().synced);
    assert.equal(a.connection.clock().gen, 1);
  });

  test('H08 events recorded while the server is dead reach it when it is back, once each', async () => {
    const a = await device();
    const b = await device({ pair: a.pair, role: 'diver' });
    await until(() => a.live() && b.live());
    a.connection.presence({ visible: true, beat: 1 }, true);
    const clockBefore = a.connection.clock().clock_id;
    await kill();
    const made = [a.make('look'), a.make('asked'), a.make('answered')];
    for (const e of made) a.connection.record([e]);
    await until(() => a.connection.link().state === 'not-live');
    assert.equal(a.connection.link().unsent, 3);
    await serve();
    await until(() => a.live() && a.connection.link().unsent === 0);
    await until(() => made.every((e) => b.events().includes(e.id)));
    assert.deepEqual(a.stored().sort(), made.map((e) => e.id), 'acknowledged once each');
    assert.deepEqual(b.events().sort(), made.map((e) => e.id), 'and passed on once each');
    await until(() => a.connection.clock().synced);
    assert.notEqual(a.connection.clock().clock_id, clockBefore, 'the old server\'s clock counts no more');
  });

  test('H05 a link that is cut without a word is found dead within seconds in a hold, and dialled anew', async (t) => {
    // A wire that can go silent without closing, as Wi-Fi does.
    let silent = false;
    let dials = 0;
    const wire = createServer((from) => {
      dials += 1;
      const to = connect(port, '127.0.0.1');
      from.on('data', (bytes) => void (silent || to.write(bytes)));
      to.on('data', (bytes) => void (silent || from.write(bytes)));
      for (const [one, other] of [[from, to], [to, from]]) {
        one.on('error', () => other.destroy());
        one.on('close', () => other.destroy());
      }
    });
    t.after(() => wire.close());
    await new Promise((ready) => wire.listen(0, '127.0.0.1', () => ready(undefined)));
    const a = await device({ via: wire.address().port });
    await until(a.live);
    a.connection.presence({ visible: true, beat: 1 }, true);
    silent = true;
    const cutAt = performance.now();
    const event = a.make('look');
    a.connection.record([event]);
    await until(() => !a.live());
    assert.ok(performance.now() - cutAt >= NOT_LIVE_MS - 1100, 'not said too early');
    await until(() => dials >= 2);
    silent = false;
    await until(() => a.live() && a.stored().includes(event.id));
    a.connection.stop();
  });

  test('a page that comes back after more than five seconds does not believe its socket', async () => {
    const a = await device();
    await until(a.live);
    const welcomes = () => a.said.filter((m) => m.type === 'welcome').length;
    a.connection.wake(4000);
    await until(() => a.connection.clock().synced);
    assert.equal(welcomes(), 1, 'four seconds are nothing');
    a.connection.wake(6000);
    await until(() => welcomes() === 2);
  });

  test('where no socket opens, events go both ways by plain requests', async () => {
    const b = await device();
    await until(b.live);
    const a = await device({ pair: b.pair, role: 'diver', noSocket: true });
    a.connection.presence({ visible: true }, true);
    const touch = a.make('answered');
    a.connection.record([touch]);
    await until(() => a.stored().includes(touch.id));
    await until(() => b.events().includes(touch.id));
    const look = b.make('look');
    b.connection.record([look]);
    await until(() => a.events().includes(look.id));
    assert.notEqual(a.connection.link().state, 'live', 'it does not call that live');
  });

  test('H11 what a role may not record is refused, said with its reason, and offered no more', async () => {
    const a = await device({ role: 'siren' });
    await until(a.live);
    const bad = a.make('answered');
    const good = a.make('sounded', { data: { rung: 'prompt', due: Date.now() } });
    a.connection.record([bad, good]);
    await until(() => a.stored().includes(good.id));
    await until(() => a.said.some((m) => m.type === 'refused'));
    const refused = a.said.find((m) => m.type === 'refused');
    assert.deepEqual(refused.ids, [bad.id]);
    assert.equal(refused.code, 'role');
    assert.ok(refused.reason.length > 10);
    assert.equal(a.connection.link().unsent, 0);
  });

  test('an event a little ahead of the server\'s clock is taken once its time has come', async () => {
    const a = await device();
    await until(a.live);
    const early = a.make('look', { at: Date.now() + 5000 });
    a.connection.record([early]);
    await until(() => a.stored().includes(early.id));
    assert.equal(a.said.some((m) => m.type === 'refused'), false);
  });

  test('H11 a device the server does not know is told so, and dials no more', async () => {
    const a = await device();
    await until(a.live);
    a.connection.start({
      url: `ws://127.0.0.1:${port}/socket`, postUrl: `${origin()}/api/events`, token: 'nobody', pair: a.pair, device: a.id,
      counts: NOTHING, unsent: [],
    });
    await until(() => a.said.some((m) => m.type === 'error'));
    const error = a.said.find((m) => m.type === 'error');
    assert.deepEqual([error.code, error.final], ['bad-token', true]);
    assert.equal(a.connection.link().state, 'alone');
  });

  test('a long history comes to the page in one piece', async () => {
    const a = await device();
    await until(a.live);
    const made = [...Array(260).keys()].map((i) => a.make('note', { data: { text: `${i} ${'x'.repeat(2000)}` } }));
    a.connection.record(made);
    await until(() => a.connection.link().unsent === 0);
    const b = await device({ pair: a.pair, role: 'diver' });
    await until(() => b.events().length >= made.length);
    const pieces = b.said.filter((m) => m.type === 'events');
    assert.equal(pieces.length, 1, 'half a history may look like an alarm');
    assert.deepEqual(b.events().sort(), made.map((e) => e.id).sort());
  });

  test('H08 a gap that stays is no reason to send what is there again, to either side, and holds up nothing', async () => {
    const a = await device();
    await until(a.live);
    const wrong = a.make('look', { by: 'siren' });
    const [first, last] = [a.make('look'), a.make('look')];
    a.connection.record([wrong, first, last]);
    await until(() => a.stored().length === 2 && a.connection.link().unsent === 0);
    const b = await device({ pair: a.pair, role: 'diver' });
    await until(() => b.events().length === 2);
    const again = async (/** @type {typeof a} */ d, /** @type {any} */ counts) => {
      d.connection.stop();
      d.said.length = 0;
      d.start([], counts);
      await until(d.live);
      return d.said.find((m) => m.type === 'welcome').counts;
    };
    const theirs = await again(b, { have: {}, beyond: { [a.id]: [[2, 3]] } });
    assert.deepEqual([theirs.have[a.id], theirs.beyond[a.id]], [undefined, [[2, 3]]]);
    const next = a.make('look');
    a.connection.record([next]);
    await until(() => b.events().includes(next.id));
    assert.deepEqual(b.events(), [next.id], 'nothing came again');
    assert.deepEqual((await again(a, { have: { [a.id]: 4 }, beyond: {} })).beyond[a.id], [[2, 4]]);
    assert.deepEqual(a.events(), []);
  });

  test('H05 a phone that was away for a whole hold delivers it complete, by request and by socket, in any order and more than once', async () => {
    const a = await device();
    const b = await device({ pair: a.pair, role: 'diver' });
    await until(() => a.live() && b.live());
    a.connection.stop();
    const t0 = Date.now() - 300_000;
    const err = 40;
    const hold = [
      a.make('plan', { at: t0, err, data: PLAN }),
      a.make('start', { at: t0 + 1000, err }),
      ...[...Array(40).keys()].map((i) => a.make(i % 2 ? 'answered' : 'asked', { at: t0 + 2000 + i * 1500, err })),
      a.make('surfaced', { at: t0 + 63_000, err }),
      a.make('ok', { at: t0 + 70_000, err }),
      a.make('watch-ended', { at: t0 + 130_000, err }),
    ];
    for (const [i, e] of shuffled(hold, 7).entries()) {
      if (i % 3) continue;
      const told = await postJson(`${origin()}/api/events`, { token: a.token, pair: a.pair, events: [e, hold[0]], have: {} });
      assert.deepEqual(told.json.stored.includes(e.id), true, JSON.stringify(told.json));
    }
    for (const seed of [1, 2]) {
      a.start(shuffled(hold, seed));
      await until(() => a.live() && a.connection.link().unsent === 0);
    }
    await until(() => new Set(b.events()).size >= hold.length);
    assert.deepEqual(b.events().sort(), hold.map((e) => e.id), 'each came once');
    const got = b.said.filter((m) => m.type === 'events').flatMap((m) => m.events);
    assert.deepEqual(seen(got, t0 + 200_000), seen(hold, t0 + 200_000));
    assert.equal(seen(got, t0 + 200_000).status.phase, 'over');
    assert.ok(got.every((/** @type {HoldEvent} */ e) => e.err === err && e.at < t0 + 200_000), 'with the times and the doubt of then');
  });

  test('H05 H07 two phones that ran the same hold apart end with one state, and so does a third', async () => {
    const a = await device();
    const b = await device({ pair: a.pair, role: 'buddy' });
    await until(() => a.live() && b.live());
    // Both belong to the pair since just now, and may answer for no earlier time.
    const t0 = Date.now() - 4000;
    const hold = `${a.id}-h01`;
    const both = [a.make('plan', { at: t0, data: PLAN, hold }), a.make('start', { at: t0 + 50, hold })];
    a.connection.record(both);
    await until(() => b.events().length === 2);
    a.connection.stop();
    b.connection.stop();
    const mine = [
      ...[250, 1000, 2050].map((ms) => a.make('look', { at: t0 + ms, hold })),
      a.make('surfaced', { at: t0 + 3150, hold }),
      a.make('ok', { at: t0 + 3450, hold }),
    ];
    const theirs = [
      b.make('contraction', { at: t0 + 1500, hold, data: { site: 'belly' } }),
      b.make('no-answer', { at: t0 + 3000, hold }),
      b.make('surfaced', { at: t0 + 3100, hold }),
      b.make('awake', { at: t0 + 3175, hold }),
    ];
    b.start(shuffled(theirs, 3));
    await until(() => b.live() && b.connection.link().unsent === 0);
    a.start(shuffled(mine, 4));
    await until(() => a.live() && a.connection.link().unsent === 0);
    const c = await device({ pair: a.pair, role: 'siren' });
    const whole = [...both, ...mine, ...theirs];
    const heard = (/** @type {typeof a} */ d) => d.said.filter((m) => m.type === 'events').flatMap((m) => m.events);
    await until(() => theirs.every((e) => a.events().includes(e.id)) && mine.every((e) => b.events().includes(e.id)) && c.events().length === whole.length);
    const at = t0 + 4000;
    const want = seen(whole, at);
    assert.deepEqual(seen([...both, ...mine, ...heard(a)], at), want);
    assert.deepEqual(seen([...theirs, ...heard(b)], at), want);
    assert.deepEqual(seen(heard(c), at), want);
    assert.equal(want.status.surfaced_at, t0 + 3100, 'the first surfacing counts, whoever pressed it');
  });

  test('H08 by plain requests too each side is told what the other has, and the page can bring what the host lacks', async () => {
    const b = await device();
    await until(b.live);
    b.connection.stop();
    const a = await device({ pair: b.pair, role: 'diver', noSocket: true });
    a.connection.presence({ visible: true }, true);
    await until(() => a.said.some((m) => m.type === 'counts'));
    assert.equal(a.said.find((m) => m.type === 'counts').counts.have[b.id], undefined);
    const made = b.make('look');
    const lost = { ...made, mac: newSeal(b.token)(/** @type {any} */ (made)) };
    a.connection.offer([lost]);
    await until(() => a.said.some((m) => m.type === 'counts' && m.counts.have[b.id] === 1));
    assert.equal(a.connection.link().unsent, 0);
    b.start();
    await until(() => b.events().includes(lost.id));
  });

  test('presence goes out once a second in a hold and only as fresh as the page has told it', async () => {
    const a = await device();
    const b = await device({ pair: a.pair, role: 'diver' });
    await until(() => a.live() && b.live());
    const beats = () =>
      b.said
        .filter((m) => m.type === 'presence')
        .map((m) => m.present.find((/** @type {any} */ p) => p.device === a.id)?.state?.beat)
        .filter((/** @type {any} */ n) => n !== undefined);
    let beat = 0;
    const page = setInterval(() => a.connection.presence({ visible: true, beat: (beat += 1) }, true), 20);
    await until(() => new Set(beats()).size >= 3);
    clearInterval(page);
    const told = beat;
    const sent = new Set(beats()).size;
    assert.ok(sent <= told / 2, `${sent} of ${told} went out`);
    // The page is frozen now: its worker says nothing in its place.
    const last = beats().at(-1);
    const beatsBefore = a.said.filter((m) => m.type === 'clock').length;
    await until(() => a.said.filter((m) => m.type === 'clock').length >= beatsBefore + 6);
    assert.ok(Number(beats().at(-1)) <= told);
    assert.ok(Number(beats().at(-1)) - Number(last) <= 4, 'at most one more heartbeat was waiting');
  });
}
