// The page of a simulated phone: everything of the real one that needs no screen, put together as web/app/compose.js
// does. Clocks, timers, disk, network and loudspeaker are the simulator's.

import { isRunning } from '../../web/app/book.js';
import { newDeviceStore } from '../../web/app/device.js';
import { newModel } from '../../web/app/model.js';
import { isFit } from '../../web/app/rungs.js';
import { newVoice } from '../../web/app/voice.js';
import { statusAt } from '../../web/rules/status.js';
import { summarize } from '../../web/rules/summary.js';
import { newMirror } from '../../web/store/mirror.js';
import { declined, linkOf, LOOK_MS, spelt, storageOf, storeOf, watchedBook } from './surroundings.js';

export function startPhone(env, { rows, meta, local }) {
  const storage = storageOf(env, local);
  const mirror = newMirror(storage);
  const mirrored = mirror.read();
  const savedClock = mirror.clock();
  const store = storeOf(env, rows, meta);
  const devices = newDeviceStore(store, storage);
  const book = watchedBook(env);
  let present = [];
  let presentAt = 0;
  let beat = 0;
  let inHold = false;
  let lookAt = -Infinity;
  let ready = false;
  const link = linkOf(env, savedClock, (m) => hear(m));
  const { clock, connection } = link;

  const model = newModel({
    identity: meta.identity, book, clock, store, mirror, devices,
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
    if (!ready || link.frozen()) return;
    const { device, role } = model.identity();
    const status = model.status();
    const now = clock.now();
    const state = myState(status);
    voice.update({
      hold: model.currentHold(), status, now, me: { device, role, state }, present: others(),
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
    env.shown(now, info.doubt_ms ?? -1, link.heardOf(), inHold, status ? spelt(status) : '', JSON.stringify({
      role, phase: status?.phase ?? 'none', stage: status?.stage ?? null, start_at: status?.start_at ?? null, zero_at: status?.zero_at ?? null,
      planned_ms: (status?.plan?.planned_s ?? 0) * 1000, standing: status?.standing ?? null, awake_due: status?.awake_due ?? false,
      ok_at: status?.ok_at ?? null, watch_locked: status?.watch_locked ?? false, verdict: verdictGiven(),
      unsent: model.unsent(), take_back: inHold ? model.takeBackList().map((p) => p.id) : [], hold: status?.hold ?? '',
    }));
  };

  const verdictGiven = () => model.currentHold()?.events.some((e) => e.kind === 'verdict') ?? false;

  const hear = (m) => {
    switch (m.type) {
      case 'events':
        model.receive(m.events);
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
    const { token, pair, device } = model.identity();
    link.connect({ token, pair, device, counts: model.counts(), unsent: model.unsentEvents() });
  };

  const back = (hiddenMs) => {
    if (hiddenMs > 0) model.wasAway(hiddenMs);
    connection.wake(hiddenMs);
  };

  const page = {
    /** Four times a second. */
    tick() {
      if (!ready || link.frozen()) return;
      link.tick(inHold, model.madeHere());
      if (env.now() < lookAt) return;
      mirror.setClock(clock.forMirror());
      model.tick();
      look();
    },
    /** A person presses something. */
    press(kind, data, at) {
      if (!ready || link.frozen()) return;
      model.record(kind, data ? JSON.parse(data) : null, at === 0 ? {} : { at }).catch(declined(env, kind));
    },
    takeBack(id) {
      if (ready && !link.frozen()) model.takeBack(id).catch(declined(env, 'amend'));
    },
    plan(plan) {
      if (ready && !link.frozen()) model.newHold(JSON.parse(plan)).catch(declined(env, 'plan'));
    },
    /** Its place in the pair is another one from now on: the answer to joining again. */
    become(role) {
      model.become({ ...model.identity(), role }).then(connect).catch(declined(env, role));
    },
    /** A rung has come out of the loudspeaker. */
    sounded(rung, due, offMs) {
      if (ready && !link.frozen()) model.sounded({ rung, due, off_ms: offMs });
    },
    /** Seen again after a time in which the page was hidden or stood still. */
    back,
    freeze: link.freeze,
    thaw(ms) {
      link.thaw();
      back(ms);
      page.tick();
    },
    socket: link.socket,
    /** All ids and, by hold, status and summary at a time: what must be the same everywhere. */
    all(atMs) {
      const holds = model.holds().map((hold) => ({ hold: hold.id, status: JSON.parse(spelt(statusAt(hold, atMs))), summary: summarize(hold, atMs) }));
      return JSON.stringify({ holds, unsent: model.unsent(), refused: model.refused().map((r) => `${r.id} ${r.code}`) });
    },
  };

  const begin = async () => {
    await devices.load((bytes) => bytes);
    const { pair } = model.identity();
    await model.restoreAll();
    if (mirrored && mirrored.pair === pair) await model.restoreMirror(mirrored);
    ready = true;
    connect();
    page.tick();
  };
  begin().catch((err) => env.broken(String(err.stack ?? err)));
  return page;
}
