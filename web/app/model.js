/**
 * The page's model: what has been recorded, what it means now, and the few
 * things a person can do. Facts go down to the views in a frame, intents come
 * up as calls. It reads no element and draws none.
 */

import { decodeEvent } from '../rules/event.js';
import { readPlan } from '../rules/plan.js';
import { statusAt } from '../rules/status.js';
import { dropped, MISPRESS_MS } from '../rules/fold.js';
import { newSealer } from '../sync/seal.js';
import { GRACE_MS } from './countdown.js';
import { guardsOf } from './guards.js';
import { newKnown } from './known.js';
import { newestPlan, recordOf } from './log_facts.js';
import { isAlarm, PRESSED, SEEN, STRICT, WITHOUT_HOLD } from './recorded_kinds.js';
import { eventId, holdId, newDeviceId } from './device.js';
import { isRunning } from './book.js';
import { newNumbers } from './numbers.js';
import { PlainError } from './access.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */
/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../rules/status.js').Status} Status */
/** @typedef {import('./device.js').Identity} Identity */
/** @typedef {import('./rungs.js').Present} Present */

/** A countdown this long past is taken for forgotten (ms, own): no hold lasts so long. */
const ZERO_OLD_MS = 20 * 60_000;
/** Other phones than the buddy's give the buddy's this head start in saying so (ms, own). */
const ZERO_TURN_MS = 700;
/** A disk that takes longer than this does not hold up a safety press (ms, own). */
const DISK_MS = 200;
/** Holds of any pair with an event this young are read at the start, for rests and blocks (ms, own). */
export const RECENT_MS = 48 * 3_600_000;
/** What was recorded alone is of the outing that a phone joins if it is no older (ms): no host takes older events. */
const HOST_TAKES_MS = 24 * 3_600_000;

/**
 * @typedef {object} ModelEnv
 * @property {Identity} identity
 * @property {import('./book.js').Book} book
 * @property {import('./time.js').SharedClock} clock
 * @property {import('../store/db.js').Store} store
 * @property {import('../store/mirror.js').Mirror} mirror
 * @property {import('./device.js').DeviceStore} devices
 * @property {(bytes: Uint8Array) => Uint8Array} random `crypto.getRandomValues`
 * @property {(events: HoldEvent[]) => void} send new events of this device
 * @property {() => boolean} first whether this tab may record
 * @property {(events: HoldEvent[]) => void} share tells other tabs
 * @property {(ms: number) => Promise<unknown>} wait
 * @property {number} awayMs for how long no page of this phone has run, Infinity where nobody knows
 * @property {() => void} felt soft tick and short vibration
 * @property {() => void} changed something to be shown has changed
 */

/**
 * @typedef {object} Refusal
 * @property {string} id
 * @property {string} kind
 * @property {string} code
 * @property {string} reason
 */

/** @typedef {ReturnType<typeof newModel>} Model */

/** @param {ModelEnv} env */
export function newModel(env) {
  const { book, clock, store, mirror, devices } = env;
  let identity = env.identity;
  // Of a device that never had a token nobody has heard.
  const numbers = newNumbers({ devices, book, awayMs: identity.token === '' ? 0 : env.awayMs });
  /** @type {Map<string, Refusal>} */
  const refused = new Map();
  /** @type {Set<string>} ids not on the server's disk yet */
  const unsent = new Set();
  /** @type {Set<string>} events of others that the server does not take from here */
  const declined = new Set();
  let slowDisk = false;
  let following = '';
  /** @type {{ms: number, at: number} | null} */
  let away = null;
  let startedFor = '';
  let currentAt = -Infinity;
  let currentVersion = -1;
  /** @type {Hold | null} */
  let current = null;
  /** @type {{hold: Hold, now: number, version: number, status: Status} | null} */
  let lastStatus = null;
  /** @type {Set<string>} */
  const soundedOnce = new Set();

  /** The hold that counts, looked for anew on every event and once a second. */
  const currentHold = () => {
    const now = clock.now();
    if (currentVersion !== book.version() || now - currentAt > 1000 || now < currentAt) {
      current = book.current(identity.pair, now);
      currentVersion = book.version();
      currentAt = now;
    }
    return current;
  };

  /** Asked for several times in each turn, so the last one is kept. */
  const status = () => {
    const hold = currentHold();
    if (!hold) return null;
    const now = clock.now();
    if (lastStatus?.hold !== hold || lastStatus.now !== now || lastStatus.version !== book.version()) {
      lastStatus = { hold, now, version: book.version(), status: statusAt(hold, now) };
    }
    return lastStatus.status;
  };

  const follow = () => {
    const hold = currentHold();
    const phase = status()?.phase;
    if (!hold || phase === 'over') {
      if (following !== '') mirror.close();
      following = '';
    } else if (following !== hold.id) {
      mirror.follow(identity.pair, hold.id, hold.events);
      following = hold.id;
    }
  };

  /**
   * Adds what is on a disk already.
   * @param {HoldEvent[]} events
   * @param {string} pair
   */
  const take = (events, pair) => {
    let added = 0;
    for (const event of events) {
      const { added: isNew, conflict } = book.add(event, pair);
      if (isNew) {
        added += 1;
        mirror.add(event);
      }
      if (conflict) {
        refused.set(event.id, {
          id: event.id, kind: event.kind, code: 'conflict', reason: 'the same id came with other content; the first is kept',
        });
      }
    }
    if (added > 0) {
      follow();
      env.changed();
    }
    return added;
  };

  /** Rows read from the disk. @param {import('../store/db.js').Row[]} rows */
  const restore = (rows) => {
    for (const row of rows) {
      book.add(row.event, row.pair);
      if (row.pair !== identity.pair) continue;
      if (row.state === 'new') unsent.add(row.id);
      if (row.state === 'refused' && row.id.startsWith(identity.device + '-')) {
        refused.set(row.id, { id: row.id, kind: row.event.kind, code: row.code ?? '', reason: row.reason ?? '' });
      }
    }
  };

  /** Everything of a pair, and whole holds in which something happened of late. What was made alone gathers over years: of that what is recent will do. @param {string} pair */
  const restorePair = async (pair) => {
    if (pair !== '') restore(await store.ofPair(pair));
    const recent = await store.since(clock.now() - RECENT_MS);
    for (const hold of new Set(recent.map((row) => row.event.hold))) restore(await store.ofHold(hold));
  };

  /**
   * @param {string} code
   * @param {string} reason
   * @returns {never}
   */
  const no = (code, reason) => {
    throw new PlainError(code, reason);
  };

  /** By its seal the host takes an event of this phone from the others too, when this one is gone. */
  const sealed = newSealer();

  /**
   * Records one event: on this phone's disk first, then shown, then sent. Only an alarm does not wait for the disk.
   * @param {string} kind
   * @param {Record<string, unknown> | null} [data]
   * @param {{at?: number, hold?: string, pair?: string, soft?: boolean}} [opts] `at` shared ms, default now; `hold` default
   *   the current one; `pair` of a hold of an earlier outing: what is added to it stays on this phone, also where it was made
   *   alone; `soft` makes no tick
   * @returns {Promise<HoldEvent>} rejects with `{code, reason}`
   */
  const record = async (kind, data, opts = {}) => {
    if (!env.first()) no('second-tab', 'This tab only watches: another tab of this phone records.');
    if (identity.role === 'siren' && kind !== 'sounded') no('not-allowed', 'A siren only sounds: use the buddy’s phone.');
    const hold = opts.hold ?? currentHold()?.id ?? (WITHOUT_HOLD.has(kind) ? holdId(identity.device, 0) : null);
    if (hold === null) no('no-hold', 'There is no hold to record this in: make a plan first.');
    const err = clock.err();
    const n = numbers.next(identity.device);
    const made = decodeEvent({
      id: eventId(identity.device, n),
      hold,
      kind,
      at: Math.floor(opts.at ?? clock.now()),
      ...(err === null ? {} : { err }),
      by: identity.role,
      ...(data && Object.keys(data).length > 0 ? { data } : {}),
    });
    const whole = 'event' in made ? decodeEvent(sealed(made.event, identity.token)) : made;
    if (!('event' in whole)) no('bad-event', `Not recorded: ${whole.problem}.`);
    const { event } = /** @type {{event: HoldEvent}} */ (whole);
    numbers.take(identity.device, n);
    const pair = opts.pair ?? identity.pair;
    const own = opts.pair === undefined;
    if (own) unsent.add(event.id);
    mirror.add(event);

    const alarmed = status()?.standing?.rung === 'alarm';
    const strict = STRICT.has(kind) || (SEEN.has(kind) && alarmed);
    const row = { id: event.id, pair, at: event.at, event, state: own ? /** @type {const} */ ('new') : /** @type {const} */ ('stored') };
    const kept = store.add(row, strict).then(() => true);
    if (own && isAlarm(event)) take([event], identity.pair);
    const inTime = await Promise.race([kept, env.wait(DISK_MS).then(() => false)]);
    if (!inTime) slowDisk = true;
    kept.then(() => {
      slowDisk = false;
    });

    if (!own) {
      if (book.hold(hold)) take([event], pair);
      return event;
    }
    if (SEEN.has(kind)) away = null;
    take([event], identity.pair);
    env.send([event]);
    env.share([event]);
    if (opts.soft !== true && kind !== 'sounded') env.felt();
    return event;
  };

  const { people, blockedToday, lastHoldOf } = newKnown(book, () => clock.now());

  /**
   * Begins a new hold with its plan.
   * @param {Record<string, unknown>} plan data of the `plan` event
   * @param {string[]} [others] names of further buddies and instructors present
   * @returns {Promise<string>} the hold's id
   */
  const newHoldWith = async (plan, others = []) => {
    if (readPlan(plan) === null) no('bad-plan', 'The plan has no planned time, or a value out of its limits.');
    const { now, facts, lifts } = people();
    const mine = new Set(book.holdsOf(identity.pair).map((h) => h.id));
    const diver = String(plan.diver ?? '');
    const buddy = String(plan.buddy ?? '');
    const input = { now_ms: now, diver, buddy, planned_s: null, longest_s: null, lifts, others };
    // Another pair's running hold is no reason to wait, but its incident blocks its diver here too.
    const guards = [
      ...guardsOf({ ...input, holds: facts.filter((f) => mine.has(f.hold)) }).filter((g) => g.what === 'running' || g.what === 'verdict'),
      ...guardsOf({ ...input, holds: facts }).filter((g) => g.what === 'blocked' || g.what === 'buddy-blocked'),
    ];
    const hard = guards[0];
    if (hard?.what === 'running') no('hold-running', `${hard.who || 'The diver'}’s hold is not over: stay with them.`);
    if (hard?.what === 'verdict') no('verdict-due', `Say first how ${hard.who || 'the diver'}’s last hold was.`);
    if (hard?.what === 'blocked') {
      no('blocked', `No more holds today for ${hard.who}: talk to an instructor or a doctor.`);
    }
    if (hard?.what === 'buddy-blocked') no('blocked', `${hard.who} can be nobody’s only buddy today.`);
    // Numbered as its first event, a hold never gets the number of one that was forgotten.
    const id = holdId(identity.device, numbers.next(identity.device));
    await record('plan', plan, { hold: id });
    return id;
  };

  /**
   * Takes back a press of this device.
   * @param {string} id
   */
  const takeBack = async (id) => {
    const target = book.event(id);
    if (!target || !id.startsWith(identity.device + '-')) no('not-own', 'Only a press made on this phone can be taken back here.');
    const event = /** @type {HoldEvent} */ (target);
    const at = Math.max(clock.now(), event.at);
    if (at - event.at > MISPRESS_MS) no('too-late', 'Ten seconds are over: amend it in the debrief.');
    return record('amend', { target: id, drop: true }, { hold: event.hold, at });
  };

  /** Own presses of the last ten seconds in the current hold, newest first. */
  const takeBackList = () => {
    const hold = currentHold();
    if (!hold) return [];
    const now = clock.now();
    const list = [];
    for (let i = hold.events.length - 1; i >= 0; i -= 1) {
      const e = hold.events[i];
      if (now - e.at > MISPRESS_MS) break;
      if (!PRESSED.has(e.kind) || !e.id.startsWith(identity.device + '-') || dropped(hold, e, now)) continue;
      list.push({ id: e.id, kind: e.kind, at: e.at, left_ms: MISPRESS_MS - Math.max(0, now - e.at) });
    }
    return list;
  };

  /** The buddy's press at face-in did not come: count from zero. */
  const startAtZero = () => {
    const s = status();
    if (!s || s.phase !== 'breathe-up' || s.zero_at === null || s.start_at !== null) return;
    if (identity.role === 'siren' || !env.first()) return;
    const past = clock.now() - s.zero_at;
    const wait = GRACE_MS + (identity.role === 'buddy' ? 0 : ZERO_TURN_MS);
    const key = `${s.hold}@${s.zero_at}`;
    if (past < wait || past > ZERO_OLD_MS || startedFor === key) return;
    startedFor = key;
    record('start', { auto: true }, { at: s.zero_at, hold: s.hold, soft: true }).catch(() => {
      startedFor = '';
    });
  };

  return {
    record,
    takeBack,
    takeBackList,
    newHold: newHoldWith,
    currentHold,
    several: book.several,
    status,
    /** Whether the current hold was made on this device, and so perhaps by its time alone. */
    madeHere: () => currentHold()?.id.startsWith(identity.device + '-') === true,
    blockedToday,
    lastHoldOf,
    identity: () => identity,
    away: () => away,
    holds: () => book.holdsOf(identity.pair),
    newestPlace: () => book.newestPlace(identity.pair),
    place: () => book.newestPlace(identity.pair)?.data ?? null,
    planPrefill: () => newestPlan(book.holdsOf(identity.pair))?.data ?? null,
    /** @param {Hold} hold */
    summaryOf: (hold) => recordOf(hold, clock.now()).summary,
    refused: () => [...refused.values()],
    unsent: () => unsent.size,
    slowDisk: () => slowDisk,

    /** Rest since the diver's last hold, ms, or null. @param {string} name */
    restMs(name) {
      const last = lastHoldOf(name);
      return last?.surfaced_at ? Math.max(0, clock.now() - last.surfaced_at) : null;
    },

    /**
     * Events from the server: stored here before they are shown.
     * @param {unknown[]} values
     */
    async receive(values) {
      const events = [];
      for (const value of values) {
        const made = decodeEvent(value);
        // A newer server's event that this page cannot read stays with the server.
        if ('event' in made) events.push(made.event);
      }
      const pair = identity.pair;
      const rows = events.map((event) => ({ id: event.id, pair, at: event.at, event, state: /** @type {const} */ ('stored') }));
      // Other people's presses are not held up by a slow disk either.
      await Promise.race([store.addAll(rows), env.wait(DISK_MS)]);
      for (const event of events) unsent.delete(event.id);
      take(events, pair);
      env.share(events);
    },

    /** Events another tab has stored. @param {unknown[]} values */
    receiveShared(values) {
      const events = values.map(decodeEvent).flatMap((m) => ('event' in m ? [m.event] : []));
      take(events, identity.pair);
    },

    /** @param {string[]} ids */
    stored(ids) {
      for (const id of ids) {
        unsent.delete(id);
        refused.delete(id);
      }
      store.mark(ids, 'stored');
      env.changed();
    },

    /** @param {string[]} ids @param {string} code @param {string} reason */
    refuse(ids, code, reason) {
      for (const id of ids) {
        unsent.delete(id);
        // What others made and the server will not take from here is theirs to settle.
        if (!id.startsWith(identity.device + '-')) {
          declined.add(id);
          continue;
        }
        refused.set(id, { id, kind: book.event(id)?.kind ?? '', code, reason });
      }
      store.mark(ids, 'refused', code, reason);
      env.changed();
    },

    /** These events were erased: nothing of them is shown, kept or offered again. @param {string[]} ids */
    forget(ids) {
      for (const id of ids) {
        unsent.delete(id);
        refused.delete(id);
        declined.add(id);
      }
      if (book.remove(ids) === 0) return;
      mirror.close();
      following = '';
      currentVersion = -1;
      follow();
      env.changed();
    },

    /** Own events the server has not acknowledged, oldest first. */
    unsentEvents() {
      return [...unsent].map((id) => book.event(id)).filter((e) => e !== null);
    },

    /** What the server lacks of this pair. @param {import('../sync/outbox.js').Counts} theirs */
    lackedBy(theirs) {
      return book.lackedBy(identity.pair, theirs).filter((e) => !refused.has(e.id) && !declined.has(e.id));
    },

    counts: () => book.counts(identity.pair),

    restore,
    /** What the page opens with. */
    restoreAll: () => restorePair(identity.pair),

    /** The copy of a running hold: shown at once, and put on the disk where it is missing. @param {import('../store/mirror.js').Mirrored} mirrored */
    async restoreMirror(mirrored) {
      for (const value of mirrored.events) {
        const made = decodeEvent(value);
        if (!('event' in made) || made.event.hold !== mirrored.hold) continue;
        const { event } = made;
        const own = event.id.startsWith(identity.device + '-');
        if (book.add(event, mirrored.pair).added) {
          if (own) unsent.add(event.id);
          await store.add({ id: event.id, pair: mirrored.pair, at: event.at, event, state: own ? 'new' : 'stored' }, false);
        }
      }
    },

    /** Takes on what joining gave. @param {Identity} next */
    async become(next) {
      if (identity.device === next.device && identity.pair === '' && next.pair !== '') {
        // What was just recorded alone belongs to the pair now; what is older was never part of its outing.
        const since = clock.now() - HOST_TAKES_MS;
        const holds = book.entries().flatMap(({ hold, pair }) => (pair === '' && Number(hold.events.at(-1)?.at) >= since ? [hold.id] : []));
        await store.move(holds, next.pair);
        book.move(holds, next.pair);
      }
      if (identity.device !== next.device) numbers.distrust();
      identity = next;
      refused.clear();
      declined.clear();
      unsent.clear();
      await restorePair(next.pair);
      await devices.save(next);
      currentVersion = -1;
      following = '';
      follow();
      env.changed();
    },

    /** What the server says of this device and its pair. @param {Partial<Identity>} told */
    async toldOf(told) {
      const next = { ...identity, ...told };
      if (JSON.stringify(next) === JSON.stringify(identity)) return;
      identity = next;
      await devices.save(identity);
      env.changed();
    },

    newDevice: () => newDeviceId(env.random),

    /** The page was away in a hold. @param {number} ms */
    wasAway(ms) {
      if (isRunning(status()?.phase)) away = { ms: Math.round(ms), at: clock.now() };
    },

    /** Rungs this device has really sounded, kept as evidence. @param {{rung: string, due: number, off_ms: number}} what */
    sounded({ rung, due, off_ms }) {
      const hold = currentHold();
      const key = `${hold?.id} ${rung} ${due}`;
      if (!hold || soundedOnce.has(key) || !env.first()) return;
      soundedOnce.add(key);
      record('sounded', { rung, due, off_ms }, { soft: true, hold: hold.id }).catch(() => {
        // Evidence only: nothing waits for it.
      });
    },

    /** Call at 4 Hz. */
    tick() {
      startAtZero();
      follow();
    },
  };
}
