/**
 * The device's end of the link: dials, keeps the socket alive, exchanges
 * clock stamps, resends what is not yet on the server's disk, and says what
 * it hears. It runs in the worker (`worker.js`), where timers are not
 * throttled, and in the page itself where there are no workers. Everything it
 * touches is given to it, so that tests can run it against a real server.
 */

import { newClockEstimate } from '../rules/clock.js';
import { byPair, newHave, newOutbox, readCounts } from './outbox.js';
import { BURST, CAP_HOLD_MS, DEAD_HOLD_MS, DEAD_IDLE_MS, DIAL_MS, newExchanges, redialMs } from './timing.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

/** The version of the wire that this page speaks. */
export const WIRE_VERSION = 1;
/** Nothing heard from the server for this long: not live (ms). */
export const NOT_LIVE_MS = 3000;
/** Presence goes out this often (ms). */
export const PRESENCE_HOLD_MS = 1000;
export const PRESENCE_IDLE_MS = 5000;
/** Without a socket events go by plain requests this often (ms). */
const POST_HOLD_MS = 2000;
const POST_IDLE_MS = 15_000;
/** A socket that lasted this long was no failure, whatever ended it (ms, own). */
const LASTED_MS = 5000;
/** Errors after which dialling again is no use: the device must join anew. */
const FINAL = new Set(['bad-token', 'not-of-pair']);
/** Versions that do not fit: the page must be loaded anew. */
export const UNFIT = 'old-version';

/**
 * Who is connecting. Given anew when the device joins.
 * @typedef {object} Dial
 * @property {string} url the socket's
 * @property {string} postUrl
 * @property {string} token
 * @property {string} pair `''` for a board
 * @property {string} device
 * @property {boolean} [board] hears of every pair: each frame but the clock's names its pair
 * @property {import('./outbox.js').Counts} counts what the device has
 * @property {HoldEvent[]} unsent
 * @property {Record<string, string>} [pairs] on a board: which pair each unsent event is for, by id
 */

/**
 * @typedef {object} Env
 * @property {(url: string) => WebSocket} open
 * @property {(url: string, body: unknown) => Promise<{status: number, json: any}>} post
 * @property {() => number} now monotonic ms
 * @property {(fn: () => void, ms: number) => any} setTimer
 * @property {(timer: any) => void} clearTimer
 * @property {() => number} random 0 to 1
 * @property {number} stepMs step of `now`
 * @property {(message: any) => void} say to the page
 * @property {number} [version] of the wire, this page's unless a test says otherwise
 */

/**
 * @typedef {object} LinkState
 * @property {'live' | 'not-live' | 'alone'} state
 * @property {number} since ms of the connection's clock: last heard, or begun if never; 0 while alone
 * @property {number} unsent events not yet on the server's disk
 */

/**
 * @typedef {object} ClockState
 * @property {number} offset_ms shared minus the connection's clock
 * @property {number} doubt_ms
 * @property {boolean} synced
 * @property {string | null} clock_id
 * @property {number} gen how many times the clock was declared void
 * @property {number} at ms of the connection's clock at which this was so
 */

/**
 * @typedef {object} Connection
 * @property {(dial: Dial) => void} start
 * @property {(events: HoldEvent[], pair?: string) => void} record new events of this device, stored already; a board names their pair
 * @property {(message: object) => void} tell a word for the host that is not repeated; lost while there is no link
 * @property {(events: HoldEvent[]) => void} offer events of others that the server lacks
 * @property {(state: object, inHold: boolean) => void} presence what the device is good for, now; stale ones are not repeated
 * @property {(hiddenMs: number) => void} wake the page is there again
 * @property {(gen: number) => void} jump the device's clock jumped: older exchanges are void
 * @property {() => LinkState} link
 * @property {() => ClockState} clock
 * @property {() => void} stop
 */

/** A text of a message, '' where there is none. @param {unknown} value */
const textOf = (value) => (typeof value === 'string' ? value : '');

/**
 * @param {Env} env
 * @returns {Connection}
 */
export function newConnection(env) {
  const version = env.version ?? WIRE_VERSION;
  /** @type {Dial | null} */
  let dial = null;
  /** @type {WebSocket | null} */
  let socket = null;
  let welcomed = false;
  let welcomedAt = -Infinity;
  let failed = 0;
  /** Host and page are too many versions apart: no dial changes that. */
  let unfit = false;
  let lastHeard = -Infinity;
  let inHold = false;
  let outbox = newOutbox();
  let have = newHave();
  const exchanges = newExchanges();
  let clock = newClockEstimate({ stepMs: env.stepMs });
  let clockId = /** @type {string | null} */ (null);
  let gen = 0;
  /** @type {{state: object, at: number, sent: boolean} | null} */
  let presence = null;
  let presenceSent = -Infinity;
  let posting = false;
  let lastPost = -Infinity;
  let dialTimer = /** @type {any} */ (null);
  let beatTimer = /** @type {any} */ (null);
  let redialAt = Infinity;
  let openedAt = -Infinity;
  let begunAt = 0;
  /** The beginnings of histories that come in several frames, by pair. @type {Map<string, unknown[]>} */
  let histories = new Map();
  /** Which pair an event of a board is for. @type {Map<string, string>} */
  let pairOf = new Map();

  /** @param {object} message */
  const send = (message) => {
    if (!socket || socket.readyState !== 1) return false;
    socket.send(JSON.stringify(message));
    return true;
  };

  /** Sends what the server has not acknowledged. @param {boolean} again */
  const flush = (again) => {
    if (!welcomed) return;
    for (const batch of outbox.due(env.now(), again)) {
      for (const [pair, events] of byPair(batch, dial?.board ? pairOf : null)) send({ type: 'events', ...pair, events });
    }
  };

  const sendPresence = () => {
    if (!welcomed || !presence || presence.sent) return;
    const now = env.now();
    if (now - presenceSent < (inHold ? PRESENCE_HOLD_MS : PRESENCE_IDLE_MS) - 100) return;
    presence.sent = true;
    presenceSent = now;
    send({ type: 'presence', ...presence.state });
  };

  /** Looks at everything that is due; runs itself again when something will be. */
  const beat = () => {
    env.clearTimer(beatTimer);
    beatTimer = null;
    if (!dial) return;
    const now = env.now();
    if (socket && welcomed) {
      if (now - lastHeard > (inHold ? DEAD_HOLD_MS : DEAD_IDLE_MS)) {
        failed = 0;
        hangUp();
        redial(0);
      } else {
        if (exchanges.due(now, lastHeard, inHold)) {
          // The stamp is taken right before the frame goes out.
          const t1 = exchanges.sent(env.now());
          send({ type: 'time', t1 });
        }
        flush(false);
        sendPresence();
      }
    } else if (socket && now - openedAt > DIAL_MS) {
      // It has waited long enough already.
      failed += 1;
      hangUp();
      redial(0);
    }
    if (!welcomed) postInstead(now);
    const next = welcomed ? exchanges.nextAt(env.now(), lastHeard, inHold) - env.now() : 250;
    beatTimer = env.setTimer(beat, Math.min(250, Math.max(4, next)));
  };

  const hangUp = () => {
    if (!socket) return;
    const old = socket;
    socket = null;
    welcomed = false;
    exchanges.clear();
    old.onopen = old.onmessage = old.onerror = old.onclose = null;
    try {
      old.close();
    } catch {
      // It was never open.
    }
  };

  /** @param {number} n dials that failed before this one */
  const redial = (n) => {
    if (!dial || unfit) return;
    env.clearTimer(dialTimer);
    const wait = redialMs(n, inHold, env.random());
    redialAt = env.now() + wait;
    dialTimer = env.setTimer(connect, wait);
  };

  const connect = () => {
    env.clearTimer(dialTimer);
    redialAt = Infinity;
    if (!dial || socket || unfit) return;
    openedAt = env.now();
    const mine = dial;
    /** @type {WebSocket} */
    let ws;
    try {
      ws = env.open(dial.url);
    } catch {
      redial(failed++);
      return;
    }
    socket = ws;
    ws.onopen = () => {
      const { token, device } = mine;
      const who = mine.board ? { board: true } : { pair: mine.pair, ...have.counts() };
      ws.send(JSON.stringify({ type: 'hello', v: version, token, device, ...who }));
    };
    ws.onmessage = (e) => {
      const t4 = env.now();
      if (ws !== socket || typeof e.data !== 'string') return;
      lastHeard = t4;
      hear(e.data, t4);
    };
    ws.onerror = () => {};
    ws.onclose = () => {
      if (ws !== socket) return;
      if (welcomed && env.now() - welcomedAt > LASTED_MS) failed = 0;
      hangUp();
      redial(failed++);
    };
  };

  /**
   * @param {string} text
   * @param {number} t4
   */
  const hear = (text, t4) => {
    /** @type {any} */
    let m;
    try {
      m = JSON.parse(text);
    } catch {
      return;
    }
    switch (m?.type) {
      case 'time':
        hearTime(m, t4);
        break;
      case 'welcome':
        if (typeof m.v === 'number' && m.v < version - 1) {
          hearError({ code: UNFIT, reason: `the host speaks version ${m.v} and this page ${version}` });
          break;
        }
        welcomed = true;
        welcomedAt = t4;
        presenceSent = -Infinity;
        if (presence) presence.sent = false;
        hearClockId(m.clock_id, t4);
        exchanges.begin(t4, BURST);
        hearEvents(m.events, m.more === true);
        env.say({
          type: 'welcome',
          told: m,
          pair: m.pair ?? '',
          number: m.number ?? null,
          role: m.role,
          name: m.name ?? null,
          session: m.session ?? '',
          counts: readCounts(m),
          present: Array.isArray(m.present) ? m.present : [],
        });
        flush(true);
        beat();
        break;
      case 'events':
        hearEvents(m.events, m.more === true, m.pair);
        break;
      case 'pair':
        env.say({ type: 'told', told: { ...m, events: undefined } });
        hearEvents(m.events, m.more === true, m.pair);
        break;
      case 'stored':
        hearStored(m.ids);
        break;
      case 'refused':
        hearRefused(m);
        break;
      case 'presence':
        if (Array.isArray(m.present)) env.say({ type: 'presence', present: m.present, pair: m.pair, at: m.at });
        break;
      case 'error':
        hearError(m);
        break;
      default:
        // `bye` is followed by the close; what the page does not know of a newer server it leaves alone.
        if (typeof m?.type === 'string') env.say({ type: 'told', told: m });
    }
  };

  /** @param {any} m @param {number} t4 */
  const hearTime = (m, t4) => {
    if (!exchanges.answered(m.t1)) return;
    if (typeof m.t2 !== 'number' || typeof m.t3 !== 'number') return;
    hearClockId(m.clock_id, t4);
    clock.add({ t1: m.t1, t2: m.t2, t3: m.t3, t4 }, clockId ?? '');
    env.say({ type: 'clock', clock: clockState() });
  };

  /** @param {unknown} id @param {number} at */
  const hearClockId = (id, at) => {
    if (typeof id !== 'string' || id === clockId) return;
    // The server's clock began anew, as it slept or was started again: what was learnt of the old one is void.
    clockId = id;
    clock = newClockEstimate({ stepMs: env.stepMs });
    exchanges.begin(at, BURST);
  };

  /**
   * Half a history may look like an alarm, so it is handed on when it is whole.
   * @param {unknown} events
   * @param {boolean} [more] its next part is still to come
   * @param {unknown} [of] the pair, as a board is told it
   */
  const hearEvents = (events, more = false, of = '') => {
    const pair = dial?.board && typeof of === 'string' ? of : '';
    const history = histories.get(pair) ?? [];
    if (Array.isArray(events)) {
      history.push(...events);
      for (const e of events) if (typeof e?.id === 'string') have.add(e.id);
    }
    histories.set(pair, history);
    if (more || history.length === 0) return;
    histories.delete(pair);
    env.say({ type: 'events', events: history, pair });
  };

  /** @param {unknown} ids */
  const hearStored = (ids) => {
    if (!Array.isArray(ids) || ids.length === 0) return;
    outbox.drop(ids);
    env.say({ type: 'stored', ids });
  };

  /** @param {any} m */
  const hearRefused = (m) => {
    if (!Array.isArray(m.ids) || m.ids.length === 0) return;
    const code = textOf(m.code);
    // The host's disk may have room again, and what lies ahead of its clock will not for ever: both are offered again.
    if (code === 'not-stored' || code === 'slow-down' || code === 'future') return;
    outbox.drop(m.ids);
    env.say({ type: 'refused', ids: m.ids, code, reason: textOf(m.reason) });
  };

  /** @param {any} m */
  const hearError = (m) => {
    const code = textOf(m.code);
    const final = FINAL.has(code);
    env.say({ type: 'error', code, reason: textOf(m.reason), final });
    if (final) stop();
    if (code === UNFIT) {
      unfit = true;
      hangUp();
    }
  };

  /**
   * Where no socket opens, the same events by plain requests.
   * @param {number} now
   */
  const postInstead = (now) => {
    if (!dial || posting || (failed < 2 && !unfit)) return;
    if (now - lastPost < (inHold ? POST_HOLD_MS : POST_IDLE_MS)) return;
    lastPost = now;
    posting = true;
    const mine = dial;
    const [batch = []] = outbox.due(now, true);
    const [first] = byPair(batch, mine.board ? pairOf : null);
    // A board asks for one pair at a time, and only to hand over what it recorded.
    if (mine.board && !first?.[1].length) {
      posting = false;
      return;
    }
    const [{ pair = mine.pair } = {}, events = []] = first ?? [];
    env
      .post(mine.postUrl, { token: mine.token, pair, events, ...have.counts() })
      .then(({ status, json }) => {
        if (mine !== dial || typeof json !== 'object' || json === null) return;
        if (status !== 200) {
          hearError(json);
          return;
        }
        hearStored(json.stored);
        for (const r of Array.isArray(json.refused) ? json.refused : []) hearRefused(r);
        hearEvents(json.events, json.more === true, pair);
        if (json.more === true) lastPost = -Infinity;
        else env.say({ type: 'counts', counts: readCounts(json) });
      })
      .catch(() => {
        // No server there: the next turn tries again.
      })
      .finally(() => {
        posting = false;
      });
  };

  /** @returns {ClockState} */
  const clockState = () => {
    const at = env.now();
    const c = clock.at(at);
    return { offset_ms: c.offset_ms ?? 0, doubt_ms: c.doubt_ms ?? 0, synced: c.synced === true, clock_id: clockId, gen, at };
  };

  const stop = () => {
    dial = null;
    env.clearTimer(dialTimer);
    env.clearTimer(beatTimer);
    hangUp();
  };

  return {
    start(next) {
      stop();
      dial = next;
      begunAt = env.now();
      failed = 0;
      unfit = false;
      histories = new Map();
      pairOf = new Map(Object.entries(next.pairs ?? {}));
      lastHeard = -Infinity;
      outbox = newOutbox();
      outbox.add(next.unsent);
      have = newHave(next.counts);
      connect();
      beat();
    },
    record(events, pair) {
      for (const e of events) {
        have.add(e.id);
        if (pair !== undefined) pairOf.set(e.id, pair);
      }
      outbox.add(events);
      flush(false);
    },
    tell(message) {
      if (welcomed) send(message);
    },
    offer(events) {
      outbox.add(events);
      flush(false);
    },
    presence(state, holding) {
      const began = holding && !inHold;
      inHold = holding;
      presence = { state, at: env.now(), sent: false };
      sendPresence();
      // A long wait from before the hold is not kept in it.
      if (began && dial && !socket && redialAt - env.now() > CAP_HOLD_MS) redial(0);
    },
    wake(hiddenMs) {
      if (!dial) return;
      // A socket that slept says "open" for minutes: after five seconds it is not believed.
      if (hiddenMs > 5000) hangUp();
      if (!socket) {
        failed = 0;
        connect();
      } else {
        exchanges.begin(env.now(), 1);
        beat();
      }
    },
    jump(n) {
      gen = n;
      clock = newClockEstimate({ stepMs: env.stepMs });
      exchanges.clear();
      if (welcomed) exchanges.begin(env.now(), BURST);
      beat();
    },
    link() {
      if (!dial) return { state: 'alone', since: 0, unsent: outbox.size() };
      const live = welcomed && env.now() - lastHeard <= NOT_LIVE_MS;
      return { state: live ? 'live' : 'not-live', since: Math.max(lastHeard, begunAt), unsent: outbox.size() };
    },
    clock: clockState,
    stop,
  };
}
