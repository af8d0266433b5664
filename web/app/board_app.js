/**
 * Puts the board together: store, clock, link, sound, model. The result is the
 * `app` that the board's views are given. A siren for all pairs is a board
 * that records nothing.
 */

import { openStore } from '../store/db.js';
import { newMirror } from '../store/mirror.js';
import { clockStep } from '../sync/host.js';
import { newLink } from '../sync/link.js';
import { knock, postJson } from '../sync/post.js';
import { newBoardVoice } from '../sound/board.js';
import { createSound, hasVoice } from '../sound/player.js';
import { newAccess, PlainError, secretOf } from './access.js';
import { newBook } from './book.js';
import { LOST_MS, rowFacts } from './board_facts.js';
import { sendLog } from './board_import.js';
import { newBoardModel } from './board_model.js';
import { anyFault, heardPairs } from './board_voice.js';
import { newDeviceId, newDeviceStore } from './device.js';
import { keepPage, versionOf } from './kept.js';
import { RECENT_MS } from './model.js';
import { newPrefs } from './prefs.js';
import { lacksOf, watchScreen } from './screen.js';
import { database, localStore } from './stores_here.js';
import { openTabs, tabsHere } from './tabs.js';
import { newSharedClock } from './time.js';

/** Where the pairs an earlier page knew of are kept. */
const PAIRS = 'board-pairs';

/** @typedef {Awaited<ReturnType<typeof startBoard>>} BoardApp */
/** @typedef {ReturnType<BoardApp['frame']>} BoardFrame */

/** @param {{changed: () => void}} on facts have changed: ask for a frame and show it */
export async function startBoard(on) {
  const deviceNow = () => performance.now();
  const storage = localStore();
  const mirror = newMirror(storage);
  const saved = mirror.clock();
  const clock = newSharedClock({ deviceNow, wallNow: () => Date.now(), wallOffset: saved?.offset_ms ?? 0, stepMs: clockStep(deviceNow) });
  const store = await openStore(database(), false);
  const devices = newDeviceStore(store, storage);
  const random = (/** @type {Uint8Array} */ bytes) => crypto.getRandomValues(/** @type {any} */ (bytes));
  let identity = await devices.load(random);
  const prefs = newPrefs(devices, () => changed());
  const book = newBook();
  let ready = false;
  /** @type {{code: string, reason: string} | null} */
  let ended = null;
  /** @type {import('./told.js').Outing} */
  let outing = {};
  let simulated = false;
  let erased = false;
  /** Pairs named since the last welcome. @type {Set<string>} */
  let named = new Set();
  /** @type {number | null} */
  let faultAt = null;
  /** Since when this board does not even ask for its host. @type {number | null} */
  let aloneAt = null;
  /** @type {Map<string, any>} offers this board has made, by the device they went to */
  const offers = new Map();

  const changed = () => {
    if (!ready) return;
    speak();
    on.changed();
  };
  const sound = createSound({ deviceNow, onState: () => changed() });
  const voice = newBoardVoice();

  const tabs = await openTabs({
    events() {},
    change(first) {
      if (!ready) return;
      if (first) link.start();
      else link.stop();
      changed();
    },
  }, tabsHere(storage));

  const model = newBoardModel({
    identity: () => identity,
    book,
    clock,
    store,
    devices,
    awayMs: saved && Date.now() >= saved.at_ms ? Date.now() - saved.at_ms : Infinity,
    send: (events, pair) => link.record(events, pair),
    first: tabs.first,
    wait: (ms) => new Promise((over) => setTimeout(over, ms)),
    felt: () => sound.tick(),
    changed: () => changed(),
  });
  model.restore(await store.get(PAIRS));
  model.restoreRows(await store.since(clock.now() - RECENT_MS));

  const link = newLink({
    dial() {
      if (identity.token === '' || !tabs.first()) return null;
      return {
        url: `${location.origin.replace(/^http/, 'ws')}/socket`,
        postUrl: `${location.origin}/api/events`,
        board: true,
        token: identity.token,
        pair: '',
        device: identity.device,
        counts: { have: {}, beyond: {} },
        unsent: model.unsent(),
        pairs: model.unsentPairs(),
      };
    },
    onTick: () => tick(),
    onEvents: (events, pair) => model.receive(pair, events),
    onStored: (ids) => model.stored(ids),
    onRefused: (ids, code, reason) => model.refuse(ids, code, reason),
    onPresence(present, pair, at) {
      if (pair !== '') model.hearPresence(pair, present, at);
    },
    onWelcome({ told }) {
      ended = null;
      named = new Set();
      outing = told?.outing ?? outing;
      simulated = told?.simulated === true;
      if (!rows().some((r) => r.running)) kept.look();
      changed();
    },
    onCounts() {},
    onTold: (told) => hear(told),
    onError(code, reason, final) {
      if (final) ended = { code, reason };
      changed();
    },
  });

  /** What the host has erased is gone from here too, as soon as no pair is in a hold: the page begins anew. */
  const forget = () => {
    if (erased && !rows().some((r) => r.running)) location.reload();
  };

  /** @param {any} told */
  const hear = (told) => {
    switch (told?.type) {
      case 'pair':
        named.add(told.pair);
        model.hearPair(told);
        break;
      case 'pairs-done':
        model.onlyThese(named);
        store.set(PAIRS, model.known());
        break;
      case 'state':
        model.hearState(told);
        break;
      case 'outing':
        outing = told.outing ?? {};
        changed();
        break;
      case 'erased':
        erased = true;
        forget();
        break;
      case 'offered':
        offers.set(String(told.to), told);
        changed();
        break;
      default:
    }
  };

  const kept = keepPage({ container: navigator.serviceWorker, version: versionOf(import.meta.url), changed: () => changed() });

  const screen = watchScreen({
    back(hiddenMs) {
      link.wake(hiddenMs);
      tick();
    },
    hidden: () => changed(),
    leaving: () => tabs.leave(),
    change: () => changed(),
  });

  /** For how long this board has not heard its host, ms; 0 while it has. */
  const lostMs = () => {
    const l = link.state();
    aloneAt = l.state === 'alone' ? (aloneAt ?? deviceNow()) : null;
    if (aloneAt !== null) return LOST_MS + 1 + deviceNow() - aloneAt;
    return l.state === 'live' ? 0 : Math.max(1, l.for_ms);
  };

  const rows = () => {
    const now = clock.now();
    const me = { device: identity.device, role: identity.role, state: { visible: screen.visible(), sound: tabs.first() ? sound.state().state : 'off' } };
    return model.pairs(lostMs(), now).map((p) => rowFacts({ ...p, me }, now));
  };

  /** Lays what is to be heard. */
  const speak = () => {
    const now = clock.now();
    const facts = rows();
    const running = facts.some((r) => r.running);
    sound.keepAwake(running && tabs.first());
    faultAt = anyFault(facts) ? (faultAt ?? now) : null;
    const list = tabs.first() ? voice.plan(heardPairs(facts, lostMs() > 0), now, { speaks: hasVoice(), fault_at: faultAt }) : [];
    sound.lay(list, (ms) => clock.toDevice(ms));
    return { facts, running };
  };

  /** @param {boolean} running */
  const myState = (running) => {
    const s = sound.state();
    return {
      visible: screen.visible(), sound: s.state, wake: screen.lock().held, battery: screen.battery(), doubt_ms: clock.info().doubt_ms, hold: null,
      phase: null, rungs: screen.visible() && s.state === 'proven', board: true, in_hold: running,
    };
  };

  const tick = () => {
    const { running } = speak();
    forget();
    // A board begins no hold, and with many pairs there may never be a moment without one: it follows its host's time always.
    if (clock.tick(false)) link.jump();
    const estimate = link.estimate();
    if (estimate) clock.hear(estimate);
    sound.watch();
    tabs.renew();
    screen.want(true);
    if (tabs.first()) {
      mirror.setClock(clock.forMirror());
      link.presence(myState(running), running);
    }
    on.changed();
  };

  /** @param {string} path @param {Record<string, unknown>} body */
  const ask = async (path, body) => {
    let answer;
    try {
      answer = await postJson(location.origin + path, { token: identity.token, ...body });
    } catch {
      throw new PlainError('no-server', 'The host does not answer.');
    }
    if (answer.status >= 200 && answer.status < 300) return answer.json ?? {};
    throw new PlainError(String(answer.json?.code ?? 'no-server'), String(answer.json?.reason ?? `The host answers with ${answer.status}.`));
  };

  const access = newAccess({
    post: (path, body) => postJson(location.origin + path, body),
    knock: () => knock(`${location.origin}/healthz`),
    secret: identity.secret || null,
    identity: () => identity,
    newDevice: () => newDeviceId(random),
    async become(next) {
      identity = next;
      ended = null;
      await devices.save(next);
      if (next.token) link.start();
      else link.stop();
      changed();
    },
  });

  const app = {
    access,
    ask,
    sound,
    now: () => clock.now(),
    record: model.record,
    quiet: model.quiet,
    holds: model.holds,
    planOf: model.planOf,
    /** Asks the host for all holds of a pair; the board is told only of the newest by itself. @param {string} pair */
    async fetchHolds(pair) {
      for (let more = true; more; ) {
        const got = await ask('/api/events', { pair, events: [], ...book.counts(pair) });
        if (Array.isArray(got.events) && got.events.length > 0) model.receive(pair, got.events);
        more = got.more === true && got.events.length > 0;
      }
    },
    /**
     * The outing's log as a file for this device.
     * @param {'csv' | 'jsonl'} format
     */
    async exportLog(format) {
      const answer = await fetch('/api/export', {
        method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ token: identity.token, format }), cache: 'no-store',
      });
      if (!answer.ok) throw new PlainError('no-export', String((await answer.json().catch(() => null))?.reason ?? `The host answers with ${answer.status}.`));
      return answer.blob();
    },
    /**
     * A log's file into the host's.
     * @param {Blob} file
     * @param {(so: import('./board_import.js').Taken | null, part: number) => void} told
     */
    importLog: (file, told) => sendLog({ url: `${location.origin}/api/import`, token: identity.token, file, told }),
    /** Gives this device back: it is no board any more, and may join a pair. */
    async leave() {
      const { secret } = identity;
      await access.leave();
      location.hash = secret ? `#j=${secret}` : '';
      location.reload();
    },
    /** Opens the newer version of the page, where one waits and no pair is in a hold. */
    async takeNewer() {
      const running = () => rows().some((r) => r.running);
      if (!running() && (await kept.take()) && !running()) location.reload();
    },
    /** @param {object} message a word for the host: offers */
    tell: (message) => link.tell(message),
    lacks: () => lacksOf(store.words()),
    prefs,
    /** @param {string} name of the instructor */
    async rename(name) {
      await access.join({ pair: '', role: identity.role, name });
    },
    frame() {
      const l = link.state();
      const now = clock.now();
      return {
        now,
        rows: rows(),
        me: { device: identity.device, role: identity.role, name: identity.name },
        link: l,
        lost_ms: lostMs(),
        clock: clock.info(),
        sound: sound.state(),
        outing,
        simulated,
        newer: kept.state().newer,
        offers: [...offers.values()],
        ended: ended?.reason ?? '',
        second_tab: !tabs.first(),
        refused: model.refused(),
        store: { ok: store.kind() === 'disk', words: store.words() },
        prefs: prefs.now(),
        place: outing.place ?? null,
      };
    },
  };

  const found = secretOf(location.hash);
  if (found) history.replaceState(null, '', location.pathname + location.search);
  const isBoard = identity.pair === '' && (identity.role === 'instructor' || identity.role === 'siren') && identity.token !== '';
  ready = true;
  if (found && (!isBoard || found !== identity.secret)) {
    access.secret = found;
    await access.join({ pair: '', role: 'instructor', name: identity.name }).catch((err) => {
      ended = { code: String(err?.code), reason: String(err?.reason ?? err) };
    });
  } else if (tabs.first()) link.start();
  tick();
  return app;
}
