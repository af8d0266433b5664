/**
 * The page's end of the worker. Turns the worker's clock into the page's,
 * keeps the newest word on the link, and goes on without a worker where the
 * browser gives none or the worker has died.
 */

import { newClockEstimate, WORST_DRIFT_PPM } from '../rules/clock.js';
import { clockStep, newHost } from './host.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */
/** @typedef {import('./connection.js').Dial} Dial */

/** The page ticks by itself when the worker has not for this long (ms). */
const TICK_LATE_MS = 1200;
/** A worker silent for this long is started anew; one that never spoke is done without (ms). */
const WORKER_DEAD_MS = 6000;
const WORKER_MUTE_MS = 2500;
const PINGS = 8;
/** The two clocks are compared again this often (ms). */
const PING_MS = 20_000;

/**
 * @typedef {object} LinkWords
 * @property {(now: number) => void} onTick four times a second
 * @property {(events: unknown[], pair: string) => void} onEvents `pair` is told to boards only
 * @property {(ids: string[]) => void} onStored
 * @property {(ids: string[], code: string, reason: string) => void} onRefused
 * @property {(present: any[], pair: string, at: number | null) => void} onPresence `at`: shared ms, told to boards
 * @property {(welcome: {pair: string, number: number | null, role: string, name: string | null, session: string, counts: import('./outbox.js').Counts, told: any}) => void} onWelcome `told` is the host's own word
 * @property {(counts: import('./outbox.js').Counts) => void} onCounts what the server has, told in answer to a plain request
 * @property {(code: string, reason: string, final: boolean) => void} onError
 * @property {(told: any) => void} [onTold] a word of the host that is none of these
 * @property {() => Dial | null} dial who to connect as, when the connection has to begin anew
 */

/**
 * @typedef {object} Link
 * @property {() => void} start connects as `dial()` says
 * @property {(events: HoldEvent[], pair?: string) => void} record
 * @property {(message: object) => void} tell the host, if it is there; not repeated
 * @property {(events: HoldEvent[]) => void} offer
 * @property {(state: object, inHold: boolean) => void} presence
 * @property {(hiddenMs: number) => void} wake
 * @property {() => void} jump the page's clock jumped
 * @property {() => {state: 'live' | 'not-live' | 'alone', for_ms: number, unsent: number}} state
 * @property {() => import('../app/time.js').Estimate | null} estimate in the page's clock; null while void
 * @property {() => boolean} hasWorker
 * @property {() => void} stop
 */

/**
 * @param {LinkWords} words
 * @param {{makeWorker?: () => Worker}} [env]
 * @returns {Link}
 */
export function newLink(words, env = {}) {
  const makeWorker = env.makeWorker ?? (() => new Worker(new URL('./worker.js', import.meta.url), { type: 'module' }));
  const now = () => performance.now();
  const stepMs = clockStep(now);
  // One oscillator drives both clocks, so they do not drift; but both are coarse.
  const newMap = () => newClockEstimate({ stepMs: 2 * stepMs, driftPpm: 0 });
  /** @type {Worker | null} */
  let worker = null;
  /** @type {import('./host.js').Host | null} */
  let inPage = null;
  let workerFailed = 0;
  let spoken = false;
  let lastTick = now();
  let lastPing = -Infinity;
  let pingsLeft = 0;
  let gen = 0;
  /** How the worker's clock stands to the page's; null where they are one. */
  let map = /** @type {ReturnType<typeof newClockEstimate> | null} */ (null);
  let linkState = /** @type {import('./connection.js').LinkState} */ ({ state: 'alone', since: 0, unsent: 0 });
  let clock = /** @type {import('./connection.js').ClockState | null} */ (null);
  let started = false;
  let dialled = false;

  /** @param {any} message */
  const tell = (message) => {
    if (worker) worker.postMessage(message);
    else inPage?.handle(message);
  };

  const ping = () => {
    if (!worker) return;
    lastPing = now();
    if (pingsLeft > 0) pingsLeft -= 1;
    tell({ do: 'ping', p1: now() });
  };

  /** @param {any} m */
  const hear = (m) => {
    const at = now();
    switch (m?.type) {
      case 'tick':
        lastTick = at;
        spoken = true;
        linkState = m.link;
        if (m.clock.gen === gen) clock = m.clock;
        if (worker && (pingsLeft > 0 || at - lastPing > PING_MS)) ping();
        words.onTick(at);
        break;
      case 'pong':
        map?.add({ t1: m.p1, t2: m.w, t3: m.w, t4: at }, 'worker');
        if (pingsLeft > 0) ping();
        break;
      case 'clock':
        if (m.clock.gen === gen) clock = m.clock;
        break;
      case 'events':
        words.onEvents(m.events, m.pair ?? '');
        break;
      case 'stored':
        words.onStored(m.ids);
        break;
      case 'refused':
        words.onRefused(m.ids, m.code, m.reason);
        break;
      case 'presence':
        words.onPresence(m.present, m.pair ?? '', typeof m.at === 'number' ? m.at : null);
        break;
      case 'welcome':
        words.onWelcome(m);
        words.onPresence(m.present, m.pair, null);
        break;
      case 'told':
        words.onTold?.(m.told);
        break;
      case 'counts':
        words.onCounts(m.counts);
        break;
      case 'error':
        if (m.final) dialled = false;
        words.onError(m.code, m.reason, m.final);
        break;
      default:
    }
  };

  const noWorker = () => {
    worker?.terminate();
    worker = null;
    map = null;
    if (inPage) return;
    inPage = newHost(hear);
    if (started) connect();
  };

  const raise = () => {
    lastTick = now();
    spoken = false;
    try {
      const made = makeWorker();
      worker = made;
      map = newMap();
      pingsLeft = PINGS;
      made.onmessage = (e) => {
        if (made === worker) hear(e.data);
      };
      made.onerror = (e) => {
        // Without a tick so far the worker's file never ran: this browser cannot.
        e.preventDefault();
        if (made === worker && !spoken) noWorker();
      };
      ping();
    } catch {
      noWorker();
    }
  };

  const connect = () => {
    const dial = words.dial();
    gen += 1;
    clock = null;
    dialled = dial !== null;
    tell({ do: 'jump', gen });
    if (dial) tell({ do: 'start', dial });
    else tell({ do: 'stop' });
  };

  raise();

  setInterval(() => {
    const late = now() - lastTick;
    if (worker && late > (spoken ? WORKER_DEAD_MS : WORKER_MUTE_MS)) {
      workerFailed += 1;
      if (!spoken || workerFailed > 2) {
        noWorker();
      } else {
        worker.terminate();
        raise();
        if (started) connect();
      }
    }
    if (late > TICK_LATE_MS) words.onTick(now());
  }, 1000);

  return {
    start() {
      started = true;
      connect();
    },
    record: (events, pair) => tell({ do: 'record', events, pair }),
    tell: (message) => tell({ do: 'tell', message }),
    offer: (events) => tell({ do: 'offer', events }),
    presence: (state, inHold) => tell({ do: 'presence', state, inHold }),
    wake: (hiddenMs) => tell({ do: 'wake', hiddenMs }),
    jump() {
      gen += 1;
      clock = null;
      tell({ do: 'jump', gen });
      if (worker) {
        map = newMap();
        pingsLeft = PINGS;
        ping();
      }
    },
    state() {
      // With a worker that has gone silent the last word on the link grows old with it.
      const m = map?.at(now());
      const workerNow = now() + (m ? (m.offset_ms ?? 0) : 0);
      const silent = now() - lastTick > TICK_LATE_MS + 2000;
      const claimed = linkState.state === 'alone' && dialled ? 'not-live' : linkState.state;
      const state = claimed === 'live' && silent ? 'not-live' : claimed;
      const since = linkState.since;
      return { state, for_ms: since > 0 ? Math.max(0, Math.round(workerNow - since)) : 0, unsent: linkState.unsent };
    },
    estimate() {
      if (!clock || !clock.synced) return null;
      const m = worker ? map?.at(now()) : { offset_ms: 0, doubt_ms: 0, synced: true };
      if (!m || m.synced !== true) return null;
      const offset = m.offset_ms ?? 0;
      // The worker's word may have waited for a page that hung.
      const age = Math.max(0, now() + offset - clock.at);
      return {
        offset_ms: clock.offset_ms + offset,
        doubt_ms: clock.doubt_ms + (m.doubt_ms ?? 0) + (age * WORST_DRIFT_PPM) / 1e6,
        synced: true,
        clock_id: clock.clock_id,
      };
    },
    hasWorker: () => worker !== null,
    stop() {
      started = false;
      dialled = false;
      tell({ do: 'stop' });
      linkState = { state: 'alone', since: 0, unsent: 0 };
    },
  };
}
