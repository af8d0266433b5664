/**
 * Puts the page together: store, clock, link, sound, model. The result is the
 * `app` that views are given: facts come from `frame()`, intents go in by calls.
 */

import { openStore } from '../store/db.js';
import { newMirror } from '../store/mirror.js';
import { clockStep } from '../sync/host.js';
import { UNFIT } from '../sync/connection.js';
import { newLink } from '../sync/link.js';
import { firstBatch } from '../sync/outbox.js';
import { knock, postJson } from '../sync/post.js';
import { createSound } from '../sound/player.js';
import { diverOf, recordOf } from './log_facts.js';
import { newAccess } from './access.js';
import { isRunning, newBook } from './book.js';
import { newLogbook } from './logbook.js';
import { seriesEvents, seriesNow } from './series_now.js';
import { newDeviceStore } from './device.js';
import { newEarlier } from './earlier.js';
import { keepPage, versionOf, WORDS_FAILED } from './kept.js';
import { newModel } from './model.js';
import { goingOf } from './going.js';
import { heedLink } from './opened_by.js';
import { newOthers } from './others.js';
import { newPrefs } from './prefs.js';
import { isFit } from './rungs.js';
import { lacksOf, watchScreen } from './screen.js';
import { keepPlace } from './places.js';
import { openTabs, tabsHere } from './tabs.js';
import { database, localStore } from './stores_here.js';
import { newSharedClock } from './time.js';
import { newTurns } from './turns.js';
import { newerPlace, newTold } from './told.js';
import { newVoice } from './voice.js';
import { linkWords } from './words.js';

/** A saved clock older than this says nothing any more (ms, own). */
const CLOCK_OLD_MS = 24 * 3_600_000;
/** Most bytes a browser sends with a beacon, with some room. */
const BEACON_BYTES = 60_000;
/** A page gone from a hold for no longer than this is the same phone in the same place: its counted beeps still count (ms, own). */
const SAME_PLACE_MS = 10 * 60_000;
/** How often the mirror notes the clock, and tabs renew their lease (ms). */
const NOTE_MS = 1000;

/** @typedef {ReturnType<typeof newModel>} Model */
/** @typedef {Awaited<ReturnType<typeof startApp>>} App */

/**
 * @param {object} on
 * @param {() => void} on.changed facts have changed: ask for a frame and show it
 */
export async function startApp(on) {
  const deviceNow = () => performance.now();
  const storage = localStore();
  const mirror = newMirror(storage);
  const mirrored = mirror.read();
  const savedClock = mirror.clock();
  const offset = savedClock && Math.abs(Date.now() - savedClock.at_ms) < CLOCK_OLD_MS ? savedClock.offset_ms : 0;
  const clock = newSharedClock({ deviceNow, wallNow: () => Date.now(), wallOffset: offset, stepMs: clockStep(deviceNow) });

  const store = await openStore(database(), mirrored !== null);
  const devices = newDeviceStore(store, storage);
  const random = (/** @type {Uint8Array} */ bytes) => crypto.getRandomValues(/** @type {any} */ (bytes));
  const identity = await devices.load(random);

  const book = newBook();
  const told = newTold();
  const prefs = newPrefs(devices, () => changed());
  const others = newOthers(deviceNow);
  /** @type {{code: string, reason: string} | null} the host no longer knows this device */
  let ended = null;
  let wantsJoin = false;
  /** Page and host are too many versions apart to talk: a page loaded anew is not. */
  let unfit = false;
  let beat = 0;
  let noted = -Infinity;
  /** @type {number | null} */
  let provenAt = null;
  let ready = false;

  const awayMs = savedClock ? Math.max(0, Date.now() - savedClock.at_ms) : Infinity;
  /** @type {number | null} shared ms */
  let countedAt = mirrored && awayMs <= SAME_PLACE_MS ? mirror.sound() : null;
  const sound = createSound({
    deviceNow,
    counted: countedAt !== null,
    onSounded: (what) => model.sounded(what),
    onState({ state }) {
      if (state === 'proven') countedAt ??= clock.now();
      else if (state === 'unproven') countedAt = null;
      provenAt = state === 'proven' ? countedAt : null;
      // Before the first touch nothing is known: what was counted earlier is not forgotten for that.
      if (state === 'proven' || state === 'unproven') mirror.setSound(countedAt);
      changed();
    },
  });

  const changed = () => {
    if (!ready) return;
    speak();
    on.changed();
  };

  const tabs = await openTabs({
    events: (events) => model.receiveShared(events),
    change(first) {
      if (!ready) return;
      if (first) takeOver();
      else link.stop();
      changed();
    },
  }, tabsHere(storage));

  const firstFromTheBeginning = tabs.first();
  /** Joining and taking over both read who this phone is and write it. */
  const inTurn = newTurns();

  /** The tab that recorded is gone: its place in the pair, its counter and what it had not sent are this one's now. */
  const takeOver = () => inTurn(async () => {
    await model.become(await devices.load(random));
    logbook.reread();
    link.start();
    changed();
  });

  const model = newModel({
    identity,
    book,
    clock,
    store,
    mirror,
    devices,
    random,
    send: (events) => link.record(events),
    first: tabs.first,
    share: tabs.share,
    wait: (ms) => new Promise((over) => setTimeout(over, ms)),
    awayMs: savedClock && Date.now() >= savedClock.at_ms ? awayMs : Infinity,
    felt: () => sound.tick(),
    changed: () => changed(),
  });
  await model.restoreAll();
  if (mirrored && mirrored.pair === identity.pair) await model.restoreMirror(mirrored);
  if (savedClock) model.wasAway(awayMs);

  const apart = () => import('../views/apart.js');
  const logbook = newLogbook({
    store, book, now: () => clock.now(), changed: () => changed(), free: () => !inUse(), first: tabs.first,
    later: () => apart().then(({ tending }) => tending),
  });
  // No hold that is under way waits for the log. Of a phone alone the last hold may be long ago, and still want its verdict.
  const logBegins = logbook.begin().then(async () => {
    const last = identity.pair === '' ? logbook.lines().findLast((line) => line.pair === '') : undefined;
    if (last && book.hold(last.hold) === null) model.restore(await store.ofHold(last.hold));
  });
  if (mirrored === null) await logBegins;
  else logBegins.catch(reportError);
  const erase = async (/** @type {string[]} */ ids) => (await apart()).erasing.newEraser({ store, model, logbook })(ids);
  /** What the host says was erased goes from this phone too. @param {unknown} erased */
  const heedErased = (erased) => {
    if (erased) apart().then(({ erasing }) => erase(erasing.erasedIds(erased))).catch(reportError);
  };

  /** @returns {import('../sync/connection.js').Dial | null} */
  const dial = () => {
    const me = model.identity();
    if (me.token === '' || !tabs.first()) return null;
    const socket = location.origin.replace(/^http/, 'ws');
    return {
      url: `${socket}/socket`,
      postUrl: `${location.origin}/api/events`,
      token: me.token,
      pair: me.pair,
      device: me.device,
      counts: model.counts(),
      unsent: model.unsentEvents(),
    };
  };

  const link = newLink({
    dial,
    onTick: () => tick(),
    onEvents: (events) => model.receive(events),
    onStored: (ids) => model.stored(ids),
    onRefused: (ids, code, reason) => (code === 'erased' ? void erase(ids).catch(reportError) : model.refuse(ids, code, reason)),
    onPresence(list) {
      others.hear(list);
      changed();
    },
    onWelcome(welcome) {
      ended = null;
      unfit = false;
      const { pair, number, session, name } = welcome;
      told.hear(welcome.told);
      heedErased(welcome.told?.erased);
      const role = /** @type {import('./device.js').Identity['role']} */ (welcome.role);
      model.toldOf({ number, session, role, ...(name === null ? {} : { name }) });
      if (number !== null) keepPlace(store, pair, { pair, number, outing: session, started_ms: clock.now() }).catch(reportError);
      link.offer(model.lackedBy(welcome.counts));
      earlier.deliver();
      if (!inUse()) kept.look();
      changed();
    },
    onTold(word) {
      if (word?.type === 'erased') heedErased(word.erased);
      else if (told.hear(word)) changed();
    },
    onCounts: (counts) => link.offer(model.lackedBy(counts)),
    onError(code, reason, final) {
      if (final) ended = { code, reason };
      if (code === UNFIT) unfit = true;
      changed();
    },
  });

  const earlier = newEarlier({ store, post: (body) => postJson(`${location.origin}/api/events`, body) });

  const kept = keepPage({
    container: navigator.serviceWorker,
    version: versionOf(import.meta.url),
    changed: () => changed(),
  });

  /** Whether people are at a hold, or about to begin one: nothing about the page changes then. */
  const inUse = () => {
    const phase = model.status()?.phase;
    return isRunning(phase) || phase === 'breathe-up';
  };

  const screen = watchScreen({
    back(hiddenMs) {
      if (hiddenMs > 0) model.wasAway(Math.min(hiddenMs, 24 * 3_600_000));
      link.wake(hiddenMs);
      tick();
    },
    hidden: () => changed(),
    leaving() {
      beacon();
      noteClock();
      tabs.leave();
    },
    change: () => changed(),
  });
  const voice = newVoice(sound, (ms) => clock.toDevice(ms));

  /** What the page could not hand over goes along as it is closed. */
  const beacon = () => {
    const me = model.identity();
    const events = model.unsentEvents();
    if (me.token === '' || events.length === 0 || !tabs.first() || typeof navigator.sendBeacon !== 'function') return;
    const body = JSON.stringify({ token: me.token, pair: me.pair, events: firstBatch(events, BEACON_BYTES), ...model.counts() });
    navigator.sendBeacon('/api/events', new Blob([body], { type: 'application/json' }));
  };

  const noteClock = () => {
    if (tabs.first()) mirror.setClock(clock.forMirror());
  };

  /** @param {import('../rules/status.js').Status | null} status @returns {import('./rungs.js').PresenceState} */
  const myState = (status) => {
    const s = sound.state();
    const info = clock.info();
    const state = {
      visible: screen.visible(),
      sound: s.state,
      ...(provenAt === null ? {} : { proven_at: provenAt }),
      wake: screen.lock().held,
      battery: screen.battery(),
      doubt_ms: info.doubt_ms,
      hold: status?.hold ?? null,
      phase: status?.phase ?? null,
      ...(prefs.get('reads') ? { reads: true } : {}),
    };
    return { ...state, rungs: isFit(state) && tabs.first(), takes: voice.state().takes, away_ms: model.away()?.ms };
  };

  /** Lays what is to be heard. */
  const speak = () => {
    const hold = model.currentHold();
    const status = model.status();
    const me = model.identity();
    voice.update({
      hold,
      status,
      now: clock.now(),
      me: { device: me.device, role: me.role, state: myState(status) },
      present: others.now(),
      quiet: prefs.get('quiet'),
      mute: !tabs.first(),
      pair_number: me.number,
    });
    return { hold, status };
  };

  const tick = () => {
    const before = model.status();
    const inHold = isRunning(before?.phase);
    if (clock.tick(inHold, model.madeHere())) link.jump();
    const estimate = link.estimate();
    if (estimate) clock.hear(estimate);
    model.tick();
    sound.watch();
    logbook.tend().catch(reportError);
    const { status } = speak();
    const now = deviceNow();
    if (now - noted > NOTE_MS) {
      noted = now;
      tabs.renew();
      noteClock();
    }
    const me = model.identity();
    const breathing = status?.phase === 'breathe-up';
    screen.want(inHold || breathing || me.role === 'siren' || me.role === 'diver');
    // Each heartbeat of a hold differs from the last, so that the host passes each on at once.
    if (tabs.first()) link.presence({ ...myState(status), ...(inHold ? { beat: (beat += 1) } : {}) }, inHold || breathing);
    on.changed();
  };

  const access = newAccess({
    post: (path, body) => postJson(location.origin + path, body),
    knock: () => knock(`${location.origin}/healthz`),
    secret: identity.secret || null,
    identity: () => model.identity(),
    newDevice: () => model.newDevice(),
    become: (next) => inTurn(async () => {
      // A place without a pair is a board's: the page opens anew as one.
      if (next.token !== '' && next.pair === '') {
        await devices.save(next);
        location.reload();
        return;
      }
      wantsJoin = false;
      ended = null;
      others.forget();
      const left = model.identity();
      if (left.pair !== next.pair) await earlier.add(left);
      await model.become(next);
      if (next.token) link.start();
      else link.stop();
      changed();
    }),
  });

  const heed = () =>
    heedLink({
      access,
      model,
      join() {
        wantsJoin = true;
      },
      changed,
    });
  addEventListener('hashchange', heed);

  const app = {
    access,
    get lacks() {
      return [...lacksOf(store.words()), ...(kept.state().state === 'failed' ? [WORDS_FAILED] : [])];
    },
    /** Opens the newer version of the page, or the host's where this one does not fit it, while nobody is at a hold. */
    async takeNewer() {
      if (inUse()) return;
      if (unfit) await kept.renew();
      if (inUse() || !((await kept.take()) || unfit) || inUse()) return;
      location.reload();
    },
    sound,
    params: /** @type {any} */ ({}),
    now: () => clock.now(),
    clock: () => clock.info(),
    record: model.record,
    takeBack: model.takeBack,
    holds: model.holds,
    log: logbook,
    /** The series this pair is in. */
    series: () => seriesNow(seriesEvents(book.entries(), model.identity().pair), logbook.lines(), clock.now()),
    store,
    erase,
    /** @param {string} id */
    hold: (id) => book.hold(id),
    place: () => newerPlace(model.newestPlace(), told.outing()),
    /** A word for the host that is not repeated: offers. @param {object} message */
    tell: (message) => link.tell(message),
    /** Answers an offer to this phone. @param {string} offer @param {boolean} yes */
    async answerOffer(offer, yes) {
      if (yes) await access.accept(offer);
      else link.tell({ type: 'decline', offer });
      told.answered(offer);
      changed();
    },
    planPrefill: model.planPrefill,
    lastHoldOf: model.lastHoldOf,
    restMs: model.restMs,
    blockedToday: model.blockedToday,
    summaryOf: model.summaryOf,
    /** @param {Record<string, unknown>} plan */
    newHold(plan) {
      const names = others.now().filter((p) => p.role === 'buddy' || p.role === 'instructor').map((p) => p.name ?? '');
      return model.newHold(plan, names);
    },
    /** Joins again in another role. @param {string} role */
    changeRole(role) {
      const me = model.identity();
      return access.join({ pair: me.pair, role, name: me.name });
    },
    /** A 1 s press here: an alarm goes quiet that history no longer knows. */
    quiet() {
      voice.quiet(clock.now());
      changed();
    },
    /** How much of a rung this device sounds now, 0 to 1. @param {'prompt' | 'again' | 'alarm'} rung */
    rungsHere(rung) {
      const { part } = voice.state();
      if (part === 'buddy' || rung === 'alarm') return 1;
      return part === 'diver' && rung === 'again' ? 0.5 : 0;
    },
    /** @type {(name: import('./router.js').ViewName | null, params?: any) => void} null leaves it to the state */
    go: () => {},
    prefs,
    joined: () => !wantsJoin && (model.identity().token !== '' || model.identity().alone) && !(ended && !isRunning(model.status()?.phase)),

    frame() {
      const hold = model.currentHold();
      const status = model.status();
      const me = model.identity();
      const l = link.state();
      const now = clock.now();
      const lock = screen.lock();
      const storeWords = store.words() || (model.slowDisk() ? 'the phone’s storage is slow: what is recorded may not be on disk yet' : '');
      return {
        now,
        hold,
        status,
        get summary() {
          return hold ? recordOf(hold, now).summary : null;
        },
        pair: me.pair === '' ? null : { pair: me.pair, number: me.number, session: me.session },
        me: { device: me.device, role: me.role, name: me.name },
        present: others.now(),
        link: { ...l, words: linkWords(l) },
        clock: clock.info(),
        sound: { ...sound.state(), proven_at: provenAt },
        voice: voice.state(),
        kept: voice.state().kept,
        several: model.several(),
        page: { ...kept.state(), unfit, offered: (unfit || kept.state().newer) && !inUse() && tabs.first() },
        wake: lock.held,
        awake_lock: lock,
        battery: screen.battery(),
        store: { ok: store.kind() === 'disk' && storeWords === '', words: storeWords },
        prefs: prefs.now(),
        get place() {
          return app.place();
        },
        outing: told.outing(),
        simulated: told.simulated() || access.simulated,
        offers: told.offers(now),
        going: hold ? goingOf(hold, now) : null,
        get lastHold() {
          const diver = hold ? diverOf(recordOf(hold, now)) : '';
          return diver === '' ? null : model.lastHoldOf(diver);
        },
        get take_back() {
          return model.takeBackList();
        },
        get blocked() {
          const diver = hold ? diverOf(recordOf(hold, now)) : '';
          return diver === '' ? null : model.blockedToday(diver);
        },
        away: model.away(),
        second_tab: !tabs.first(),
        refused: model.refused(),
        ended: ended?.reason ?? '',
        params: app.params,
      };
    },
  };

  heed();
  ready = true;
  // Another tab may have gone while this one began.
  if (tabs.first() && !firstFromTheBeginning) takeOver();
  else if (identity.token !== '' && tabs.first()) link.start();
  earlier.deliver();
  tick();
  return app;
}
