// The sound of a device: its audio context, whether it can be trusted, and the way to what is queued on it.

import { BEEP_STEP_MS, SOUNDS } from './patterns.js';
import { createAudioClock, createQueue, latencyOf, speakerAt, startSound } from './queue.js';

/** @typedef {import('./schedule.js').SoundItem} SoundItem */

/**
 * What is known about this device's sound.
 * `off`: never armed. `unproven`: plays, but nobody has counted the beeps. `proven`: somebody has.
 * `fault`: the audio clock stands still, keeps jumping, or the context was taken away.
 * @typedef {object} SoundState
 * @property {'off'|'unproven'|'proven'|'fault'} state
 * @property {boolean} running true while the audio clock is seen to move
 * @property {number|null} latency_ms delay from the queue to the speaker as the browser tells it, whole ms
 * @property {boolean} needs_touch true when only a touch (arm() inside a gesture) can bring the sound back
 * @property {string} words one short line for the screen, '' when there is nothing to say
 */

/**
 * A rung that was really played here.
 * @typedef {object} Sounded
 * @property {'prompt'|'again'|'alarm'} rung
 * @property {number} due shared ms at which the rung was reached
 * @property {number} off_ms onset at the speaker minus the planned time of the sound, whole ms, as the clocks tell it
 * @property {string} key key of the item
 */

/**
 * What happened while check beeps played.
 * @typedef {object} BeepRun
 * @property {number} beeps how many were played
 * @property {number} rate audio clock against page clock, 1 when both run alike
 * @property {number} ran_ms page time over which the rate was taken, whole ms
 * @property {boolean} clock_ok the audio clock ran at 0.9 to 1.1 for at least 500 ms
 */

/**
 * @typedef {object} Sound
 * @property {() => Promise<boolean>} arm call inside a touch or key handler, as often as you like: makes or wakes the
 *   audio context; resolves to true once the audio clock runs, false if the browser refuses. Never rejects.
 * @property {(beeps: number) => Promise<BeepRun>} check plays that many separate beeps of the alarm's pitch and level and
 *   resolves 400 ms after the last one (about 0.8 s a beep). Rejects with words for the screen if nothing can be played.
 * @property {() => boolean} proved says that a person counted the beeps of the last check rightly; true (and state
 *   `proven`) only if the audio clock ran during that check
 * @property {(words?: string) => void} unproved says that a person did not hear them; the words go to the screen
 * @property {(list: SoundItem[], toDeviceMs?: (sharedMs: number) => number) => void} lay makes the queue hold exactly
 *   this list: new items are queued, missing ones cancelled (also while they sound), unchanged ones left alone.
 *   `toDeviceMs` maps shared ms to deviceNow() ms; the last one given is kept. Cheap: call it on every event and tick.
 * @property {() => void} tick soft tick and short vibration for a recorded press, at once
 * @property {(on: boolean) => void} keepAwake faint real tone that keeps a hidden page's timers running: on in a hold
 * @property {() => void} watch call at 4 Hz from the worker's tick: compares the clocks, lays anew, finds faults
 * @property {() => SoundState} state
 * @property {() => void} stop silences everything and empties the queue; the context stays armed
 */

/** Standing still for this long, a context will not wake: it is given up for a new one. */
const DEAD_MS = 1500;
const RETRY_MS = 1000;
/** A fault is shown for at least this long, so that it does not flicker. */
const LEAST_FAULT_MS = 1000;
/** Readings while a new context is watched until its clock runs true. */
const WARM_STEP_MS = 50;
const WARM_STEPS = 40;
const WARM_READINGS = 8;
const PROOF_MS = 500;
const WARN_LATENCY_MS = 120;
const TICK_BUZZ_MS = 25;
/** Faint but real: a tone of no level at all does not keep a page awake. */
const FAINT = Object.freeze({ hz: 30, gain: 0.0008 });

/** @typedef {'still'|'unsteady'|'taken'|''} FaultCause */
/** @type {Readonly<Record<FaultCause, string>>} */
const FAULT_WORDS = Object.freeze({
  '': '',
  still: 'Sound stands still',
  unsteady: 'Sound is not steady',
  taken: 'Sound was stopped',
});

/**
 * @param {object} env
 * @param {() => number} env.deviceNow device ms, monotonic
 * @param {(what: Sounded) => void} [env.onSounded] a rung's onset has passed with the audio clock running; once a rung
 * @param {(state: SoundState) => void} [env.onState] called when the state or its words change
 * @param {() => number} [env.wallNow] wall ms
 * @param {() => AudioContext} [env.makeContext]
 * @param {(pattern: number|number[]) => void} [env.vibrate]
 * @param {(words: string) => void} [env.say] '' stops what is being said
 * @param {boolean} [env.counted] the beeps were counted before the page was loaded anew: once touched, its sound is
 *   proven as soon as the audio clock runs true
 * @returns {Sound}
 */
export function createSound({
  deviceNow, onSounded = () => {}, onState = () => {}, wallNow = Date.now, makeContext = newContext,
  vibrate = vibrateHere, say = speak, counted: countedBefore = false,
}) {
  const clock = createAudioClock();
  const queue = createQueue({
    deviceNow, clock, read, vibrate, say,
    heard({ rung, due, key }, off_ms) {
      // Told afterwards: who hears it may lay the next list at once, and this one is still being worked on.
      if (rung && due !== undefined) queueMicrotask(() => onSounded({ rung, due, key, off_ms }));
    },
  });
  /** @type {AudioContext|null} */
  let ctx = null;
  // Grows with every context and every warm-up; what was begun for an older one does nothing more.
  let generation = 0;
  let warm = false;
  let hasRun = false;
  /** @type {FaultCause} */
  let cause = '';
  let causeAt_ms = 0;
  let triedAt_ms = -Infinity;
  let counted = countedBefore;
  let ranLastCheck = false;
  let note = '';
  let awake = false;
  /** @type {OscillatorNode|null} */
  let awakeTone = null;
  let shown = '';

  const isRunning = () => ctx !== null && ctx.state === 'running' && warm && cause !== 'still';

  /** @returns {SoundState} */
  function state() {
    const latency_ms = ctx ? Math.round(latencyOf(ctx) * 1000) : null;
    const needs_touch = ctx === null || !hasRun || (cause === 'taken' && ctx.state !== 'running') || (cause === 'still' && clock.still_ms() > DEAD_MS);
    const known = ctx === null || !hasRun ? 'off' : cause ? 'fault' : counted ? 'proven' : 'unproven';
    let words = note;
    if (known === 'fault') words = FAULT_WORDS[cause] + (needs_touch ? ': touch the screen' : '');
    else if (known === 'off') words ||= 'Sound off: touch the screen';
    else if (known === 'unproven') words ||= 'Sound not proven';
    else if (latency_ms !== null && latency_ms > WARN_LATENCY_MS) words ||= `Sound comes ${(latency_ms / 1000).toFixed(2)} s late`;
    return { state: known, running: isRunning(), latency_ms, needs_touch, words };
  }

  function tellState() {
    const now = state();
    const seen = [now.state, now.running, now.needs_touch, now.words].join('|');
    if (seen === shown) return;
    shown = seen;
    onState(now);
  }

  /** @param {FaultCause} what */
  function setCause(what) {
    if (what !== cause) causeAt_ms = deviceNow();
    cause = what;
  }

  /** All clocks, read as close together as a page can. */
  function read() {
    let best = { audio_s: 0, speaker_s: 0, now_ms: 0, wall_ms: 0 };
    let width_ms = Infinity;
    for (let i = 0; i < 3 && width_ms > 2; i++) {
      const before_ms = deviceNow();
      const audio_s = ctx ? ctx.currentTime : 0;
      const after_ms = deviceNow();
      if (after_ms - before_ms >= width_ms) continue;
      width_ms = after_ms - before_ms;
      const now_ms = (before_ms + after_ms) / 2;
      best = { audio_s, speaker_s: ctx ? speakerAt(ctx, audio_s, now_ms) : audio_s, now_ms, wall_ms: wallNow() };
    }
    return best;
  }

  function open() {
    const fresh = makeContext();
    generation += 1;
    ctx = fresh;
    warm = false;
    awakeTone = null;
    queue.setContext(fresh);
    clock.reset();
    fresh.onstatechange = () => {
      if (fresh !== ctx) return;
      if (fresh.state === 'running') warmUp();
      watch();
    };
    playBeside(fresh);
    if (fresh.state === 'running') warmUp();
  }

  function abandon() {
    const old = ctx;
    if (!old) return;
    old.onstatechange = null;
    queue.setContext(null);
    ctx = null;
    if (old.state !== 'closed') old.close().catch(() => {});
  }

  /** Reads the clocks closely until the audio clock runs true: for a while after its start it may be off by much. */
  async function warmUp() {
    generation += 1;
    const mine = generation;
    warm = false;
    queue.setReady(false);
    clock.reset();
    // What is due at once is not kept waiting.
    queue.layAnew();
    if (awake) startAwakeTone();
    /** @type {import('./queue.js').Reading[]} */
    let readings = [];
    for (let i = 0; i < WARM_STEPS && !warm; i++) {
      await pause(WARM_STEP_MS);
      if (mine !== generation) return;
      readings = [...readings, read()].slice(-WARM_READINGS);
      warm = readings.length === WARM_READINGS && isTrue(readings[0], readings[WARM_READINGS - 1]);
    }
    clock.reset();
    for (const reading of readings) clock.sample(reading);
    if (warm) {
      hasRun = true;
      // One that was mended at once is shown as long as any other, so that it is told: the watch clears it.
      if (cause === 'still' || deviceNow() - causeAt_ms > LEAST_FAULT_MS) setCause('');
    }
    warm = true;
    queue.setReady(true);
    watch();
  }

  function arm() {
    setPlaybackSession();
    if (ctx && (isGone(ctx) || (cause === 'still' && clock.still_ms() > DEAD_MS))) abandon();
    try {
      if (!ctx) open();
    } catch {
      note = 'This browser gives no sound';
      tellState();
      return Promise.resolve(false);
    }
    if (isRunning() && cause === '') return Promise.resolve(true);
    triedAt_ms = deviceNow();
    ctx?.resume().catch(() => {});
    return settle();
  }

  /** Waits, at most as long as a warm-up, until the audio clock runs. */
  async function settle() {
    for (let i = 0; i <= WARM_STEPS && !(isRunning() && cause === ''); i++) await pause(WARM_STEP_MS);
    tellState();
    return isRunning();
  }

  function watch() {
    if (ctx?.state === 'running') watchClock();
    else if (ctx) watchContext(ctx);
    queue.tellHeard();
    tellState();
  }

  function watchClock() {
    if (!warm) return;
    const seen = clock.sample(read());
    if (seen.still) {
      setCause('still');
      wake(clock.still_ms() > DEAD_MS);
      return;
    }
    if (seen.parted) queue.layAnew();
    if (seen.unsteady) setCause('unsteady');
    else if (cause && deviceNow() - causeAt_ms > LEAST_FAULT_MS) setCause('');
  }

  /** @param {AudioContext} here */
  function watchContext(here) {
    if (!hasRun) return;
    setCause('taken');
    // An interrupted context must not be resumed by the page: the next touch makes a new one.
    if (here.state === 'suspended') wake(false);
    if (here.state === 'closed') wake(true);
  }

  /** Tries, once a second, to get the audio clock going. @param {boolean} anew with a new context */
  function wake(anew) {
    if (deviceNow() - triedAt_ms < RETRY_MS) return;
    triedAt_ms = deviceNow();
    if (anew) {
      abandon();
      try {
        open();
      } catch {
        return;
      }
    }
    ctx?.resume().catch(() => {});
  }

  function startAwakeTone() {
    if (!ctx || awakeTone) return;
    awakeTone = faintTone(ctx, ctx.destination);
  }

  /** @param {boolean} on */
  function keepAwake(on) {
    awake = on;
    if (on) {
      startAwakeTone();
    } else if (awakeTone) {
      awakeTone.stop();
      awakeTone = null;
    }
  }

  /** @param {number} beeps @returns {Promise<BeepRun>} */
  async function check(beeps) {
    ranLastCheck = false;
    if (!(await arm()) || !ctx) throw new Error('No sound can be played: touch the screen and try again');
    const mine = ctx;
    const from = read();
    const first_s = mine.currentTime + 0.3;
    for (let i = 0; i < beeps; i++) startSound(mine, 'beep', 1, first_s + (i * BEEP_STEP_MS) / 1000);
    await pause(300 + (beeps - 1) * BEEP_STEP_MS + SOUNDS.beep.length_ms + 400);
    const to = read();
    const ran_ms = Math.round(to.now_ms - from.now_ms);
    ranLastCheck = mine === ctx && ran_ms >= PROOF_MS && isTrue(from, to);
    return { beeps, rate: rateOf(from, to), ran_ms, clock_ok: ranLastCheck };
  }

  /** @param {boolean} yes @param {string} words */
  function setCounted(yes, words) {
    counted = yes;
    note = words;
    tellState();
  }

  onOutputChange(() => {
    if (counted) setCounted(false, 'Headset or speaker changed: count the beeps again');
  });

  return {
    arm,
    check,
    proved() {
      if (ranLastCheck) setCounted(true, '');
      return ranLastCheck;
    },
    unproved: (words = '') => setCounted(false, words),
    lay: queue.lay,
    tick() {
      queue.leaveBuzz();
      vibrate(TICK_BUZZ_MS);
      if (ctx && isRunning()) startSound(ctx, 'tick', 1, ctx.currentTime);
    },
    keepAwake,
    watch,
    state,
    stop: queue.clear,
  };
}

/** @typedef {import('./queue.js').Reading} Reading */

/** @param {Reading} from @param {Reading} to @returns {number} audio clock against page clock */
function rateOf(from, to) {
  return to.now_ms > from.now_ms ? ((to.audio_s - from.audio_s) * 1000) / (to.now_ms - from.now_ms) : 0;
}

/** @param {Reading} from @param {Reading} to */
function isTrue(from, to) {
  const rate = rateOf(from, to);
  return rate >= 0.9 && rate <= 1.1;
}

/** @param {AudioContext} ctx whether only a new context can sound again */
function isGone(ctx) {
  const state = /** @type {string} */ (ctx.state);
  return state === 'closed' || state === 'interrupted';
}

/** @param {number} ms @returns {Promise<void>} */
function pause(ms) {
  return new Promise((resolve) => { setTimeout(resolve, ms); });
}

/** A context as the page uses it. */
export function newContext() {
  return new AudioContext({ latencyHint: 'interactive' });
}

/** A browser refuses, with an error in its log, before the first touch. @param {number|number[]} pattern */
function vibrateHere(pattern) {
  if (navigator.vibrate && navigator.userActivation?.hasBeenActive !== false) navigator.vibrate(pattern);
}

/** A voice that lives on this device: others lag or need a network. */
function voiceHere() {
  return globalThis.speechSynthesis?.getVoices().find((v) => v.localService && v.lang.startsWith('en'));
}

/** Whether this browser can say a number by itself. */
export const hasVoice = () => voiceHere() !== undefined;

/** @param {string} words */
function speak(words) {
  const voices = globalThis.speechSynthesis;
  if (!voices) return;
  voices.cancel();
  const voice = voiceHere();
  if (!words || !voice) return;
  const said = new SpeechSynthesisUtterance(words);
  said.voice = voice;
  voices.speak(said);
}

/** @param {AudioContext} ctx @param {AudioNode} out */
function faintTone(ctx, out) {
  const tone = ctx.createOscillator();
  const gain = ctx.createGain();
  tone.frequency.value = FAINT.hz;
  gain.gain.value = FAINT.gain;
  tone.connect(gain).connect(out);
  tone.start();
  return tone;
}

/** Says that this page plays on purpose; where a browser knows that, the ringer switch does not mute it. */
function setPlaybackSession() {
  const { audioSession } = /** @type {{audioSession?: {type: string}}} */ (/** @type {unknown} */ (navigator));
  if (audioSession && audioSession.type !== 'playback') audioSession.type = 'playback';
}

/** @type {HTMLAudioElement|null} */
let beside = null;

/**
 * On iOS a media element that plays something real, however faint, keeps the page's sound alive and off the ringer
 * switch. Needs a gesture. @param {AudioContext} ctx
 */
function playBeside(ctx) {
  const apple = 'audioSession' in navigator || /iP(hone|ad|od)/.test(navigator.userAgent);
  if (!apple || typeof ctx.createMediaStreamDestination !== 'function') return;
  const out = ctx.createMediaStreamDestination();
  faintTone(ctx, out);
  beside ??= new Audio();
  beside.srcObject = out.stream;
  beside.play().catch(() => {});
}

/** @param {() => void} changed */
function onOutputChange(changed) {
  if (typeof navigator !== 'undefined') navigator.mediaDevices?.addEventListener?.('devicechange', changed);
}
