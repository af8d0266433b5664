/**
 * What the page can know of the phone it runs on: whether it is seen, whether
 * the screen can be kept on, the battery, and what this browser lacks.
 */

import { WORDS_NONE } from './kept.js';

/**
 * @typedef {object} Screen
 * @property {(on: boolean) => void} want keep the screen on from now, or no longer
 * @property {() => {held: boolean, words: string}} lock
 * @property {() => boolean} visible
 * @property {() => number | null} battery percent, null where the browser does not tell
 */

const NO_LOCK = 'no wake lock here: set the screen to stay on';
const LOST_LOCK = 'the screen may go dark: set it to stay on';

/**
 * @param {object} on
 * @param {(hiddenMs: number) => void} on.back the page is seen again, or the phone is back on a network
 * @param {() => void} on.hidden
 * @param {() => void} on.leaving the page is about to go: last chance to send
 * @param {() => void} on.change
 * @returns {Screen}
 */
export function watchScreen(on) {
  /** @type {WakeLockSentinel | null} */
  let held = null;
  let wanted = false;
  let asking = false;
  let refused = false;
  /** Since when the page is hidden or frozen, by both clocks: one of them stops in a sleep, the other may be set. */
  let gone = document.visibilityState === 'visible' ? null : clocks();
  /** @type {any} */
  let battery = null;

  const ask = async () => {
    if (!wanted || held || asking || document.visibilityState !== 'visible' || !navigator.wakeLock) return;
    asking = true;
    try {
      const lock = await navigator.wakeLock.request('screen');
      held = lock;
      refused = false;
      lock.addEventListener('release', () => {
        if (held === lock) held = null;
        on.change();
        // Given up by the phone, not by the page: ask once more, a little later.
        setTimeout(ask, 1000);
      });
      if (!wanted) await lock.release();
    } catch {
      refused = true;
      setTimeout(ask, 10_000);
    } finally {
      asking = false;
      on.change();
    }
  };

  const leave = () => {
    gone ??= clocks();
  };
  /** @param {boolean} seen */
  const back = (seen) => {
    const away = gone === null ? 0 : Math.max(0, ...clocks().map((ms, i) => ms - Number(gone?.[i])));
    if (seen) gone = null;
    on.back(away);
    ask();
  };
  const isSeen = () => document.visibilityState === 'visible';
  document.addEventListener('visibilitychange', () => {
    if (isSeen()) {
      back(true);
    } else {
      leave();
      on.hidden();
    }
  });
  addEventListener('pageshow', (e) => {
    if (/** @type {PageTransitionEvent} */ (e).persisted) back(isSeen());
  });
  addEventListener('online', () => on.back(0));
  addEventListener('pagehide', () => {
    leave();
    on.leaving();
  });
  document.addEventListener('freeze', () => {
    leave();
    on.leaving();
  });
  document.addEventListener('resume', () => back(isSeen()));

  const nav = /** @type {any} */ (navigator);
  if (typeof nav.getBattery === 'function') {
    nav.getBattery().then(
      (/** @type {any} */ b) => {
        battery = b;
      },
      () => {},
    );
  }

  return {
    want(wish) {
      if (wish === wanted) return;
      wanted = wish;
      if (wanted) ask();
      else held?.release().catch(() => {});
    },
    lock() {
      if (!navigator.wakeLock) return { held: false, words: NO_LOCK };
      return { held: held !== null, words: wanted && !held && refused ? LOST_LOCK : '' };
    },
    visible: () => document.visibilityState === 'visible',
    battery: () => (battery && typeof battery.level === 'number' ? Math.round(battery.level * 100) : null),
  };
}

/** Monotonic and wall clock, ms. */
const clocks = () => [performance.now(), Date.now()];

/**
 * What this browser lacks, as lines for a person; none where it lacks nothing.
 * @param {string} storeWords what is wrong with the store, `''` if nothing is
 * @returns {string[]}
 */
export function lacksOf(storeWords) {
  const lines = storeWords === '' ? [] : [storeWords];
  if (typeof WebSocket !== 'function') lines.push('no sockets here: the other phones hear of this one late');
  const audio = typeof AudioContext === 'function' || typeof /** @type {any} */ (globalThis).webkitAudioContext === 'function';
  if (!audio) lines.push('no sound here: use another phone to prompt');
  if (!navigator.wakeLock) lines.push(NO_LOCK);
  if (typeof navigator.vibrate !== 'function') lines.push('no vibration here: presses are heard as a soft tick');
  if (!isSecureContext) lines.push('plain http: whoever is on this Wi-Fi could read along, and without the host this page does not open');
  else if (!navigator.serviceWorker) lines.push(WORDS_NONE);
  return lines;
}
