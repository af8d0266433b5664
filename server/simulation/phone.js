// The page of a simulated phone: everything of the real one that needs no screen, put together as web/app/compose.js
// does. Clocks, timers, disk, network and loudspeaker are the simulator's.

import { newBook } from '../../web/app/book.js';
import { newDeviceStore } from '../../web/app/device.js';
import { isRunning } from '../../web/app/book.js';
import { newModel, RECENT_MS } from '../../web/app/model.js';
import { isFit } from '../../web/app/rungs.js';
import { newSharedClock } from '../../web/app/time.js';
import { newVoice } from '../../web/app/voice.js';
import { WORST_DRIFT_PPM } from '../../web/rules/clock.js';
import { statusAt } from '../../web/rules/status.js';
import { summarize } from '../../web/rules/summary.js';
import { memoryStore } from '../../web/store/db.js';
import { newMirror } from '../../web/store/mirror.js';
import { newConnection } from '../../web/sync/connection.js';

/** A coarse clock's step, as browsers have it (ms). */
const STEP_MS = 0.1;
/** With nothing new the page looks at what is due this often (ms); a real one does it four times as often. */
const LOOK_MS = 1000;

/** localStorage over the simulated disk. */
function storageOf(env, kept) {
  const map = new Map(Object.entries(kept));
  return {
    get length() {
      return map.size;
    },
    key: (i) => [...map.keys()][i] ?? null,
    getItem: (key) => map.get(key) ?? null,
    setItem(key, value) {
      map.set(key, String(value));
      env.keep(key, String(value), false);
    },
    removeItem(key) {
      map.delete(key);
      env.keep(key, '', true);
    },
  };
}

/** The phone's database: the page's own memory store, with each change written to the simulated disk. */
function storeOf(env, rows, meta) {
  const memory = memoryStore();
  for (const row of rows) memory.rows.set(row.id, row);
  for (const [key, value] of Object.entries(meta)) memory.meta.set(key, value);
  const put = (changed, strict) =>
    changed.length === 0 ? Promise.resolve() : new Promise((done) => env.write(JSON.stringify(changed), strict, done));
  const changing = async (ids, change) => {
    const before = ids.map((id) => memory.rows.get(id));
    await change();
    const after = ids.map((id) => memory.rows.get(id));
    await put(after.filter((row, i) => row && row !== before[i]), false);
  };
  return {
    ...memory,
    kind: () => 'disk',
    words: () => '',
    async add(row, strict) {
      if ((await memory.add(row)) === 'there') return 'there';
      await put([row], strict);
      return 'added';
    },
    addAll: (list) =>
      changing(list.map((row) => row.id), async () => {
        await memory.addAll(list);
        await memory.mark(list.filter((row) => row.state === 'stored').map((row) => row.id), 'stored');
      }),
    mark: (ids, state, code, reason) => changing(ids, () => memory.mark(ids, state, code, reason)),
    async set(key, value) {
      await memory.set(key, value);
      await new Promise((done) => env.writeMeta(key, JSON.stringify(value), done));
    },
  };
}

/** The book, which tells the simulator of every event that is new in it. */
function watchedBook(env) {
  const book = newBook();
  return {
    ...book,
    add(event, pair) {
      const result = book.add(event, pair);
      if (result.added) env.added(JSON.stringify(event));
      return result;
    },
  };
}

/** What `replay` prints of a status, spelt as the Go rules spell it. */
function spelt(status) {
  const { hold, phase, stage, silence_ms, boundaries, standing, next } = status;
  return JSON.stringify({ hold, phase, stage, silence_ms, boundaries, standing, next });
}

/** A socket of the simulated network. */
function openSocket(env, sockets) {
  const id = env.dial();
  const socket = {
    readyState: 0,
    onopen: null,
    onmessage: null,
    onclose: null,
    send: (text) => env.send(id, text),
    close() {
      socket.readyState = 3;
      sockets.delete(id);
      env.hangUp(id);
    },
  };
  sockets.set(id, socket);
  return socket;
}

globalThis.startPage = (env, loaded) => {
  const { rows, meta, local } = JSON.parse(loaded);
  const { identity } = meta;
  const storage = storageOf(env, local);
  const mirror = newMirror(storage);
  const mirrored = mirror.read();
  const savedClock = mirror.clock();
  const clock = newSharedClock({
    deviceNow: env.now, wallNow: env.wall, wallOffset: savedClock ? savedClock.offset_ms : 0, stepMs: STEP_MS,
  });
  const store = storeOf(env, rows, meta);
  const devices = newDeviceStore(store, storage);
  const book = watchedBook(env);
  const sockets = new Map();
  let present = [];
  let presentAt = 0;
  let beat = 0;
  let gen = 0;
  let inHold = false;
  let lookAt = -Infinity;
  /** Whose time the clock has last been told. */
  let heardOf = '';
  /** What the exchanges have found last. */
  let told = null;
  let ready = false;
  let frozen = false;
  let waiting = [];

  const model = newModel({
    identity, book, clock, store, mirror, devices,
    random: (bytes) => bytes.fill(9),
    send(events) {
      env.recorded(JSON.stringify(events));
      connection.record(events);
    },
    first: () => true,
    share() {},
    wait: (ms) => new Promise((over) => env.setTimer(over, ms)),
    awayMs: savedClock && env.wall() >= savedClock.at_ms ? env.wall() - savedClock.at_ms : Infinity,
    felt() {},
    changed: () => look(),
  });

  const others = () => {
    const grown = Math.max(0, Math.round(env.now() - presentAt));
    return present.map((p) => ({ ...p, age_ms: (p.age_ms ?? 0) + grown }));
  };

  const voice = newVoice({
    keepAwake() {},
    lay: (items, toDevice) => {
      const mine = items.filter((item) => item.rung && item.level > 0);
      env.lay(JSON.stringify(mine.map(({ rung, due, at, key }) => ({ rung, due, key, at: toDevice(at) }))), model.currentHold()?.id ?? '');
    },
  }, (ms) => clock.toDevice(ms));

  const myState = (status) => {
    const state = {
      visible: env.visible(), sound: env.sound(), wake: true, battery: 80, doubt_ms: clock.info().doubt_ms,
      hold: status?.hold ?? null, phase: status?.phase ?? null,
    };
    return { ...state, rungs: isFit(state), takes: voice.state().takes, away_ms: model.away()?.ms };
  };

  /** Lays what is to be heard, tells the others, and shows the simulator what a person would see. */
  const look = () => {
    if (!ready || frozen) return;
    const status = model.status();
    const now = clock.now();
    const state = myState(status);
    voice.update({
      hold: model.currentHold(), status, now, me: { device: identity.device, role: identity.role, state }, present: others(),
      quiet: devices.prefs().quiet, mute: false,
    });
    inHold = isRunning(status?.phase);
    // A device is taken for unheard at 2 or 5 s, and a rung is due at its ms.
    const ages = others().flatMap((p) => [2001, 5001].map((limit) => limit - p.age_ms)).filter((ms) => ms > 0);
    const rung = status?.next_abs.map((r) => r.at - now).filter((ms) => ms > 0) ?? [];
    lookAt = env.now() + Math.min(LOOK_MS, ...ages, ...rung);
    const info = clock.info();
    const holding = inHold || status?.phase === 'breathe-up';
    connection.presence({ ...state, takes: voice.state().takes, ...(inHold ? { beat: (beat += 1) } : {}) }, holding);
    env.shown(now, info.doubt_ms ?? -1, heardOf, inHold, status ? spelt(status) : '', JSON.stringify({
      phase: status?.phase ?? 'none', stage: status?.stage ?? null, start_at: status?.start_at ?? null, zero_at: status?.zero_at ?? null,
      planned_ms: (status?.plan?.planned_s ?? 0) * 1000, standing: status?.standing ?? null, awake_due: status?.awake_due ?? false,
      ok_at: status?.ok_at ?? null, watch_locked: status?.watch_locked ?? false, verdict: verdictGiven(),
      take_back: inHold ? model.takeBackList().map((p) => p.id) : [], hold: status?.hold ?? '',
    }));
  };

  const verdictGiven = () => model.currentHold()?.events.some((e) => e.kind === 'verdict') ?? false;

  const connection = newConnection({
    open: () => openSocket(env, sockets),
    post: (url, body) =>
      new Promise((answer, fail) => {
        env.post(JSON.stringify(body), (status, text) => (status === 0 ? fail(new Error('no host')) : answer({ status, json: JSON.parse(text) })));
      }),
    now: env.now,
    setTimer: env.setTimer,
    clearTimer: env.clearTimer,
    random: env.random,
    stepMs: STEP_MS,
    say: (m) => (frozen ? waiting.push(m) : hear(m)),
  });

  const hear = (m) => {
    switch (m.type) {
      case 'events':
        model.receive(m.events);
        break;
      case 'clock':
        told = m.clock;
        break;
      case 'stored':
        model.stored(m.ids);
        break;
      case 'refused':
        env.refused(m.code, m.ids.join(' '));
        model.refuse(m.ids, m.code, m.reason);
        break;
      case 'presence':
        meet(m.present);
        break;
      case 'welcome':
        model.toldOf({ number: m.number, session: m.session, role: m.role });
        meet(m.present);
        connection.offer(model.lackedBy(m.counts));
        env.welcomed();
        break;
      case 'counts':
        connection.offer(model.lackedBy(m.counts));
        break;
      case 'error':
        env.failed(m.code);
        break;
      default:
    }
  };

  const meet = (list) => {
    const facts = () => present.map((p) => [p.device, p.role, p.state.visible, p.state.sound, p.state.takes]).join();
    const before = facts();
    present = list.map((p) => ({ ...p, state: p.state ?? {} }));
    presentAt = env.now();
    // A mere sign of life can wait for the next turn.
    if (facts() !== before) look();
  };

  const connect = () => {
    gen += 1;
    connection.jump(gen);
    connection.start({
      url: 'socket', postUrl: 'post', token: identity.token, pair: identity.pair, device: identity.device,
      counts: model.counts(), unsent: model.unsentEvents(),
    });
  };

  const back = (hiddenMs) => {
    if (hiddenMs > 0) model.wasAway(hiddenMs);
    connection.wake(hiddenMs);
  };

  /** A person is told why; anything else is a mistake. */
  const declined = (kind) => (err) => (err.code ? env.declined(kind, err.code) : env.broken(String(err.stack ?? err)));

  const page = {
    /** Four times a second. */
    tick() {
      if (!ready || frozen) return;
      if (clock.tick(inHold)) {
        gen += 1;
        connection.jump(gen);
      }
      if (told && told.gen === gen && told.synced) {
        // As web/sync/link.js has it: a word that has waited is worth less.
        const drift = (Math.max(0, env.now() - told.at) * WORST_DRIFT_PPM) / 1e6;
        clock.hear({ ...told, doubt_ms: told.doubt_ms + drift });
        heardOf = told.clock_id;
      }
      if (env.now() < lookAt) return;
      mirror.setClock(clock.forMirror());
      model.tick();
      look();
    },
    /** A person presses something. */
    press(kind, data, at) {
      if (!ready || frozen) return;
      model.record(kind, data ? JSON.parse(data) : null, at === 0 ? {} : { at }).catch(declined(kind));
    },
    takeBack(id) {
      if (ready && !frozen) model.takeBack(id).catch(declined('amend'));
    },
    plan(plan) {
      if (ready && !frozen) model.newHold(JSON.parse(plan)).catch(declined('plan'));
    },
    /** Seen again after a time in which the page was hidden or stood still. */
    back,
    freeze() {
      frozen = true;
    },
    thaw(ms) {
      frozen = false;
      const heard = waiting;
      waiting = [];
      for (const m of heard) hear(m);
      back(ms);
      page.tick();
    },
    /** What a socket says: `open`, `message` or `close`. */
    socket(id, what, text) {
      const socket = sockets.get(id);
      if (!socket) return;
      if (what === 'open') {
        socket.readyState = 1;
        socket.onopen?.();
      } else if (what === 'message') {
        socket.onmessage?.({ data: text });
      } else {
        socket.readyState = 3;
        sockets.delete(id);
        socket.onclose?.();
      }
    },
    /** All ids and, by hold, status and summary at a time: what must be the same everywhere. */
    all(atMs) {
      const holds = model.holds().map((hold) => ({ hold: hold.id, status: JSON.parse(spelt(statusAt(hold, atMs))), summary: summarize(hold, atMs) }));
      return JSON.stringify({ holds, unsent: model.unsent(), refused: model.refused().map((r) => `${r.id} ${r.code}`) });
    },
  };

  const begin = async () => {
    await devices.load((bytes) => bytes);
    model.restore(await store.ofPair(identity.pair));
    model.restore(await store.since(clock.now() - RECENT_MS));
    if (mirrored && mirrored.pair === identity.pair) await model.restoreMirror(mirrored);
    ready = true;
    connect();
    page.tick();
  };
  begin().catch((err) => env.broken(String(err.stack ?? err)));
  return page;
};
