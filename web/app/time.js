/**
 * Shared time on this page. Pure but for the two clocks it is given: the
 * device's monotonic clock and its wall clock, both in ms.
 *
 * In a hold the shown time never steps back, and it is never moved by more
 * than a second to please a server: durations already measured stand (hazard
 * H06). Where no server has spoken yet and the hold was made on another
 * device, nothing was measured by this one's time: then the server's counts at
 * once. A wall clock that runs ahead of the monotonic one means that the
 * device slept; then the larger of the two is right (H03).
 */

import { WORST_DRIFT_PPM } from '../rules/clock.js';

/** A difference between the clocks above this is a jump (ms). */
export const JUMP_MS = 250;
/** Without a tick for this long the page was frozen, or the device was: what was known is not relied upon (ms, own). */
export const FROZEN_MS = 5000;
/** A doubt above this is a fault: two phones could sound a rung so far apart (ms). */
export const FAULT_DOUBT_MS = 250;
/** In a hold the clock follows a new estimate by at most this much (ms, own). */
export const FOLLOW_MS = 1000;
/** How much of the passing time may be taken to lose a lead in a hold (own): 1 ms in 20. */
const SLEW = 20;
/** After a jump in a hold the server gets this long to say what time it is (ms, own). */
export const ASK_MS = 1500;
/** A jump larger than this is no sleep within a hold: no hold lasts so long (ms, own). */
export const SLEEP_MAX_MS = 30 * 60_000;

/**
 * What the clock exchanges have found.
 * @typedef {object} Estimate
 * @property {number} offset_ms shared minus device clock
 * @property {number} doubt_ms half-width of doubt
 * @property {boolean} synced
 * @property {string | null} clock_id
 */

/**
 * @typedef {object} ClockInfo
 * @property {boolean} synced
 * @property {number} offset_ms shared minus device clock, as used
 * @property {number | null} doubt_ms null while nobody can say
 * @property {boolean} own true while this device is its own clock
 * @property {boolean} fault the doubt is too large, or after a jump nobody knows it
 * @property {string} words
 */

/**
 * @typedef {object} SharedClock
 * @property {() => number} now shared ms, whole
 * @property {(deviceMs: number) => number} at shared ms of a moment of the device's clock, whole
 * @property {(sharedMs: number) => number} toDevice
 * @property {(estimate: Estimate) => void} hear the newest estimate, as often as you like
 * @property {(inHold: boolean, madeHere?: boolean) => {jumped_ms: number} | null} tick call at 4 Hz; `madeHere`, taken for
 *   true where it is left out: the hold was made on this device. Says when a clock jumped, or by 0 that the
 *   page was frozen: then a new burst of exchanges is due and older ones are void
 * @property {() => void} unsync the estimate so far is void
 * @property {() => ClockInfo} info
 * @property {() => number | null} err half-width of doubt for an event made now, whole ms; null while nobody can say
 * @property {() => {offset_ms: number, synced: boolean, at_ms: number}} forMirror how shared time stands to the wall clock
 */

/**
 * @param {object} env
 * @param {() => number} env.deviceNow monotonic ms
 * @param {() => number} env.wallNow Unix ms
 * @param {number} [env.wallOffset] shared minus wall clock, from an earlier page
 * @param {number} [env.stepMs] step of the monotonic clock
 * @returns {SharedClock}
 */
export function newSharedClock({ deviceNow, wallNow, wallOffset = 0, stepMs = 0 }) {
  let used = wallNow() + wallOffset - deviceNow();
  /** @type {Estimate | null} */
  let estimate = null;
  let heardAt = 0;
  /** Whether `used` was ever a server's: else this device is its own clock. */
  let hadServer = false;
  let inHold = false;
  /** The hold was made on this device, perhaps by its own time alone. */
  let made = true;
  let lastShown = -Infinity;
  let lastDevice = deviceNow();
  let tickedAt = deviceNow();
  let lastGap = wallNow() - deviceNow();
  /** @type {{ms: number, at: number} | null} a jump of which the server has not spoken yet */
  let jump = null;

  const raw = () => deviceNow() + used;

  const now = () => {
    const t = Math.floor(raw());
    if (inHold && t < lastShown) return lastShown;
    lastShown = t;
    return t;
  };

  /** The estimate, unless a clock has jumped since the last tick. */
  const sound = () =>
    estimate && estimate.synced && Math.abs(wallNow() - deviceNow() - lastGap) <= JUMP_MS ? estimate : null;

  /** Half-width of doubt of the time used, ms; null while nobody can say. */
  const doubt = () => {
    const e = sound();
    if (!e) return null;
    const d = deviceNow();
    const drift = (Math.max(0, d - heardAt) * WORST_DRIFT_PPM) / 1e6;
    // While the shown time waits so as not to step back, it is that which is off.
    const shown = inHold ? Math.max(used, lastShown - d) : used;
    return e.doubt_ms + drift + stepMs + Math.abs(e.offset_ms - shown);
  };

  /** How far the server's time is ahead of the one used. */
  const lead = () => (estimate && estimate.synced ? estimate.offset_ms - used : 0);

  const follow = () => {
    const ahead = lead();
    if (!estimate || !estimate.synced) return;
    const d = deviceNow();
    const passed = Math.max(0, d - lastDevice);
    if (!hadServer && !made && Math.abs(ahead) > FOLLOW_MS) {
      inHold = false;
      lastShown = -Infinity;
    }
    if (!inHold) {
      used += ahead;
      hadServer = true;
      jump = null;
      return;
    }
    if (ahead >= 0) {
      // Ahead is the cautious side: at once. After a sleep it may be far.
      const slept = jump !== null && jump.ms > 0 && ahead <= jump.ms + FOLLOW_MS;
      if (ahead <= FOLLOW_MS || slept) {
        used += ahead;
        hadServer = true;
        jump = null;
      }
      return;
    }
    jump = null;
    if (-ahead <= FOLLOW_MS) {
      used -= Math.min(-ahead, passed / SLEW);
      hadServer = true;
    }
  };

  return {
    now,
    at: (deviceMs) => Math.floor(deviceMs + used),
    toDevice: (sharedMs) => sharedMs - used,

    hear(next) {
      estimate = next;
      heardAt = deviceNow();
      follow();
      lastDevice = deviceNow();
    },

    tick(holding, madeHere = true) {
      inHold = holding;
      made = madeHere;
      const d = deviceNow();
      const frozen = d - tickedAt > FROZEN_MS;
      tickedAt = d;
      const gap = wallNow() - d;
      const step = gap - lastGap;
      // Small steps are the wall clock being disciplined; within a hold they add up to nothing.
      lastGap = gap;
      /** @type {{jumped_ms: number} | null} */
      let jumped = null;
      if (Math.abs(step) > JUMP_MS) {
        estimate = null;
        const ms = Math.round(step);
        jumped = { jumped_ms: ms };
        jump = { ms: (jump ? jump.ms : 0) + ms, at: d };
      } else if (frozen) {
        estimate = null;
        jumped = { jumped_ms: 0 };
      }
      if (jump && d - jump.at >= (inHold || hadServer ? ASK_MS : 0) && !(estimate && estimate.synced)) {
        const slept = jump.ms > 0 && jump.ms <= SLEEP_MAX_MS;
        // Between holds a phone that never had a server simply keeps its wall clock.
        if (slept || (!inHold && !hadServer)) used += jump.ms;
        jump = null;
      }
      follow();
      lastDevice = d;
      return jumped;
    },

    unsync() {
      estimate = null;
    },

    info() {
      const half = doubt();
      return {
        synced: half !== null,
        offset_ms: used,
        doubt_ms: half === null ? null : Math.ceil(half),
        own: !hadServer,
        fault: half === null ? hadServer : half > FAULT_DOUBT_MS,
        words: words(half, hadServer),
      };
    },

    err() {
      const half = doubt();
      return half === null ? null : Math.max(1, Math.ceil(half));
    },

    forMirror: () => ({ offset_ms: Math.round(raw() - wallNow()), synced: hadServer, at_ms: Math.round(wallNow()) }),
  };
}

/**
 * @param {number | null} doubt
 * @param {boolean} hadServer
 */
function words(doubt, hadServer) {
  if (doubt === null) return hadServer ? 'clock runs on, unchecked' : 'this phone’s own clock';
  if (doubt < 100) return `clock within ${Math.max(1, Math.ceil(doubt))} ms`;
  return `clock within ${(Math.ceil(doubt / 100) / 10).toFixed(1)} s`;
}
