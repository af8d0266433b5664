// A page with the sound part alone: armed by a touch, watched at 4 Hz from a worker, laid from a status as the real page
// does it. Shared time is wall time here, and its mapping to the page's clock is exact.
import { SOUNDS } from '../../sound/patterns.js';
import { RUNGS_HERE, planSounds } from '../../sound/schedule.js';
import { createSound, newContext } from '../../sound/player.js';
import { startSound } from '../../sound/queue.js';

const origin_ms = performance.timeOrigin;
const sharedNow = () => Math.round(origin_ms + performance.now());

/** @type {AudioContext[]} */
const contexts = [];
/** @type {import('../../sound/player.js').Sounded[]} */
const heard = [];
/** @type {string[]} */
const states = [];

const sound = createSound({
  deviceNow: () => performance.now(),
  onSounded: (what) => heard.push(what),
  onState: (now) => states.push(now.state),
  makeContext() {
    const ctx = newContext();
    contexts.push(ctx);
    return ctx;
  },
});

/** @param {object} [over] */
function status(over = {}) {
  return {
    phase: 'hold', boundaries: { struggle_at_ms: 0, late_at_ms: 0 }, start_at: sharedNow() - 60000, surfaced_at: null,
    recovered_at: null, asked_at: null, prompt_at: null, ladder: null, bring_up: null, next_abs: [], awake_due: false,
    incident: null, ...over,
  };
}

/** @param {object} over @param {object} [how] */
function lay(over, how = {}) {
  const facts = { status: status(over), now: sharedNow(), rungsHere: RUNGS_HERE.buddy, hears: [], ...how };
  sound.lay(planSounds(/** @type {any} */ (facts)), (shared_ms) => shared_ms - origin_ms);
}

/** Hangs the page's thread until the server answers. It sleeps meanwhile, so the sound is not starved by it. */
function hang() {
  const request = new XMLHttpRequest();
  request.open('GET', '/slow', false);
  request.send();
}

/** How far the audio clock is behind the page's, from an unknown beginning. */
function behind_ms() {
  const ctx = contexts[contexts.length - 1];
  return performance.now() - ctx.currentTime * 1000;
}

/**
 * One sound as an offline context plays it, from 0.25 s on, as 16-bit samples in base64.
 * @param {import('../../sound/patterns.js').SoundName} name @param {number} level
 */
async function render(name, level) {
  const rate = 48000;
  const ctx = new OfflineAudioContext(1, Math.ceil((0.5 + SOUNDS[name].length_ms / 1000) * rate), rate);
  startSound(ctx, name, level, 0.25);
  const samples = (await ctx.startRendering()).getChannelData(0);
  const pcm = Int16Array.from(samples, (x) => Math.round(x * 32767));
  const bytes = new Uint8Array(pcm.buffer);
  let text = '';
  for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  return btoa(text);
}

const ticker = new Worker('ticker.js');
ticker.onmessage = () => sound.watch();

let pressed_at = 0;
document.getElementById('arm')?.addEventListener('pointerdown', () => {
  sound.arm();
});
document.getElementById('no-answer')?.addEventListener('pointerdown', () => {
  pressed_at = sharedNow();
  lay({ bring_up: { rung: 'alarm', asks: 'up', at: pressed_at } });
});

Object.assign(globalThis, {
  page: {
    sound, contexts, heard, states, lay, hang, behind_ms, render, sharedNow, pressedAt: () => pressed_at, names: Object.keys(SOUNDS),
  },
});
