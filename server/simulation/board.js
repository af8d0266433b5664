// The page of a simulated instructor: a board's model and link, put together as web/app/board_app.js does.

import { isRunning } from '../../web/app/book.js';
import { newBoardModel } from '../../web/app/board_model.js';
import { newDeviceStore } from '../../web/app/device.js';
import { RECENT_MS } from '../../web/app/model.js';
import { statusAt } from '../../web/rules/status.js';
import { summarize } from '../../web/rules/summary.js';
import { newMirror } from '../../web/store/mirror.js';
import { declined, linkOf, LOOK_MS, spelt, storageOf, storeOf, watchedBook } from './surroundings.js';

export function startBoard(env, { rows, meta, local }) {
  const storage = storageOf(env, local);
  const mirror = newMirror(storage);
  const savedClock = mirror.clock();
  const store = storeOf(env, rows, meta);
  const devices = newDeviceStore(store, storage);
  const book = watchedBook(env);
  const { identity } = meta;
  const { pair } = meta.watches;
  let inHold = false;
  let lookAt = -Infinity;
  let ready = false;
  let beat = 0;
  /** Pairs named since the last welcome. */
  let named = new Set();
  const link = linkOf(env, savedClock, (m) => hear(m));
  const { clock, connection } = link;

  const model = newBoardModel({
    identity: () => identity, book, clock, store, devices,
    awayMs: savedClock && env.wall() >= savedClock.at_ms ? env.wall() - savedClock.at_ms : Infinity,
    send(events, of) {
      env.recorded(JSON.stringify(events));
      connection.record(events, of);
    },
    first: () => true,
    wait: (ms) => new Promise((over) => env.setTimer(over, ms)),
    felt() {},
    changed: () => look(),
  });

  /** Shows the simulator what a person would see. */
  const look = () => {
    if (!ready || link.frozen()) return;
    const hold = model.currentHold(pair);
    const now = clock.now();
    const status = hold ? statusAt(hold, now) : null;
    inHold = isRunning(status?.phase);
    lookAt = env.now() + LOOK_MS;
    const info = clock.info();
    connection.presence({
      visible: env.visible(), sound: env.sound(), doubt_ms: info.doubt_ms, hold: null, phase: null, rungs: false, board: true, in_hold: inHold,
      ...(inHold ? { beat: (beat += 1) } : {}),
    }, inHold);
    env.shown(now, info.doubt_ms ?? -1, link.heardOf(), inHold, status ? spelt(status) : '', JSON.stringify({
      role: identity.role, phase: status?.phase ?? 'none', start_at: status?.start_at ?? null, hold: hold?.id ?? '', standing: status?.standing ?? null,
    }));
  };

  const hear = (m) => {
    switch (m.type) {
      case 'events':
        model.receive(m.pair, m.events);
        break;
      case 'stored':
        model.stored(m.ids);
        break;
      case 'refused':
        env.refused(m.code, m.ids.join(' '));
        model.refuse(m.ids, m.code, m.reason);
        break;
      case 'presence':
        if (m.pair) model.hearPresence(m.pair, m.present, m.at ?? null);
        break;
      case 'welcome':
        named = new Set();
        env.welcomed();
        break;
      case 'told':
        hearTold(m.told);
        break;
      case 'error':
        env.failed(m.code);
        break;
      default:
    }
  };

  const hearTold = (told) => {
    switch (told.type) {
      case 'pair':
        named.add(told.pair);
        model.hearPair(told);
        break;
      case 'pairs-done':
        model.onlyThese(named);
        break;
      case 'state':
        model.hearState(told);
        break;
      default:
    }
  };

  const page = {
    tick() {
      if (!ready || link.frozen()) return;
      link.tick(false, false);
      if (env.now() < lookAt) return;
      mirror.setClock(clock.forMirror());
      look();
    },
    press(kind, data) {
      if (ready && !link.frozen()) model.record(pair, kind, data ? JSON.parse(data) : undefined).catch(declined(env, kind));
    },
    back: (hiddenMs) => connection.wake(hiddenMs),
    freeze: link.freeze,
    thaw(ms) {
      link.thaw();
      connection.wake(ms);
      page.tick();
    },
    socket: link.socket,
    all(atMs) {
      const holds = model.holds(pair).map((hold) => ({ hold: hold.id, status: JSON.parse(spelt(statusAt(hold, atMs))), summary: summarize(hold, atMs) }));
      return JSON.stringify({ holds, unsent: model.unsent().length, refused: model.refused().map((r) => `${r.kind} ${r.reason}`) });
    },
  };

  const begin = async () => {
    await devices.load((bytes) => bytes);
    model.restore([{ pair, number: meta.watches.number }]);
    model.restoreRows(await store.since(clock.now() - RECENT_MS));
    ready = true;
    link.connect({
      board: true, token: identity.token, pair: '', device: identity.device, counts: { have: {}, beyond: {} },
      unsent: model.unsent(), pairs: model.unsentPairs(),
    });
    page.tick();
  };
  begin().catch((err) => env.broken(String(err.stack ?? err)));
  return page;
}
