// What every simulated page stands on: the page's own modules over the simulator's disk, network and clocks.

import { newBook } from '../../web/app/book.js';
import { newSharedClock } from '../../web/app/time.js';
import { WORST_DRIFT_PPM } from '../../web/rules/clock.js';
import { memoryStore } from '../../web/store/db.js';
import { newConnection } from '../../web/sync/connection.js';

/** A coarse clock's step, as browsers have it (ms). */
const STEP_MS = 0.1;
/** With nothing new the page looks at what is due this often (ms); a real one does it four times as often. */
export const LOOK_MS = 1000;

/** localStorage over the simulated disk. */
export function storageOf(env, kept) {
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

/** The device's database: the page's own memory store, with each change written to the simulated disk. */
export function storeOf(env, rows, meta) {
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
export function watchedBook(env) {
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
export function spelt(status) {
  const { hold, phase, stage, silence_ms, boundaries, standing, next } = status;
  return JSON.stringify({ hold, phase, stage, silence_ms, boundaries, standing, next });
}

/** A person is told why; anything else is a mistake. */
export const declined = (env, kind) => (err) => (err.code ? env.declined(kind, err.code) : env.broken(String(err.stack ?? err)));

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

/**
 * Clock and connection of a page, put together as web/sync/link.js does. `hear` is told what the connection says once
 * the page does not stand still, apart from its clock.
 */
export function linkOf(env, savedClock, hear) {
  const sockets = new Map();
  const clock = newSharedClock({
    deviceNow: env.now, wallNow: env.wall, wallOffset: savedClock ? savedClock.offset_ms : 0, stepMs: STEP_MS,
  });
  let gen = 0;
  /** What the exchanges have found last, and whose time the clock has last been told. */
  let told = null;
  let heardOf = '';
  let frozen = false;
  let waiting = [];

  const take = (m) => {
    if (m.type === 'clock') told = m.clock;
    else hear(m);
  };
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
    say: (m) => (frozen ? waiting.push(m) : take(m)),
  });
  const jump = () => {
    gen += 1;
    connection.jump(gen);
  };

  return {
    clock,
    connection,
    heardOf: () => heardOf,
    frozen: () => frozen,
    connect(dial) {
      jump();
      connection.start({ url: 'socket', postUrl: 'post', ...dial });
    },
    tick(inHold, madeHere) {
      if (clock.tick(inHold, madeHere)) jump();
      if (!told || told.gen !== gen || !told.synced) return;
      // As web/sync/link.js has it: a word that has waited is worth less.
      const drift = (Math.max(0, env.now() - told.at) * WORST_DRIFT_PPM) / 1e6;
      clock.hear({ ...told, doubt_ms: told.doubt_ms + drift });
      heardOf = told.clock_id;
    },
    freeze() {
      frozen = true;
    },
    thaw() {
      frozen = false;
      const heard = waiting;
      waiting = [];
      for (const m of heard) take(m);
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
  };
}
