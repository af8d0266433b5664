// The audio device's own queue: joins its clock to the page's, and keeps queued exactly what is due. Sounds are queued
// ahead of time, so that a frozen page ends in noise and never in quiet. Audio time is in s, as Web Audio has it;
// everything else in ms.

import { SOUNDS, pitchOf, renderSound } from './patterns.js';

/** @typedef {import('./patterns.js').SoundName} SoundName */
/** @typedef {import('./schedule.js').SoundItem} SoundItem */

/** A sound that starts this soon keeps its time: moving it could cost it. Cancelling is always possible. */
const LEAVE_ALONE_MS = 50;
/** Smaller corrections are not worth touching a queued sound. */
const RETIME_MS = 5;
/** A difference between the clocks that is worth laying everything anew. */
const DRIFT_MS = 30;
/** One reading this far off is no reading error. */
const JUMP_MS = 150;
const SLEPT_MS = 250;
/** An audio clock that has not moved for this long stands still. */
const STILL_MS = 300;
const STRIKES = 3;
const STRIKE_WINDOW_MS = 10000;
const MEDIAN_OF = 9;
/** A repeating sound that is no later than this is played from its start. */
const WHOLE_MS = 300;
/** What the browser says of its output counts where it is this fresh, and this near to what its latency says. */
const FRESH_MS = 250;
const SANE_S = 0.3;
/** Until the clocks are joined only what is due within this is queued: a young audio clock may be off by seconds. */
const UNJOINED_MS = 400;
const FADE_S = 0.015;

/** @param {number[]} values @returns {number} */
function median(values) {
  const sorted = [...values].sort((a, b) => a - b);
  const half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}

/**
 * All clocks at one instant: the audio clock as it is being filled, the audio time that is at the speaker, the device's
 * clock, the wall clock.
 * @typedef {{audio_s: number, speaker_s: number, now_ms: number, wall_ms: number}} Reading
 */

/** Joins the audio time at the speaker to the device's clock and tells when they part. */
export function createAudioClock() {
  /** @type {number[]} audio s at the speaker minus device s, newest last */
  let offsets = [];
  /** @type {Reading|null} */
  let last = null;
  let movedAt_ms = 0;
  let mark_s = 0;
  /** @type {number[]} */
  let strikes_ms = [];
  return {
    /** Forgets everything: for a new context. */
    reset() {
      offsets = [];
      last = null;
      strikes_ms = [];
    },
    /**
     * Takes one reading.
     * @param {Reading} reading
     * @returns {{still: boolean, parted: boolean, unsteady: boolean}} `still`: no movement for 300 ms; `parted`: what is
     *   queued has to be laid anew; `unsteady`: the clocks parted three times within 10 s
     */
    sample({ audio_s, speaker_s, now_ms, wall_ms }) {
      const offset_s = speaker_s - now_ms / 1000;
      const slept = last !== null && wall_ms - last.wall_ms - (now_ms - last.now_ms) > SLEPT_MS;
      const moved = last === null || audio_s > last.audio_s;
      if (moved) movedAt_ms = now_ms;
      last = { audio_s, speaker_s, now_ms, wall_ms };
      let parted = false;
      if (moved) {
        if (offsets.length === 0) mark_s = offset_s;
        offsets = [...offsets, offset_s].slice(-MEDIAN_OF);
        const jumped = Math.abs(offset_s - mark_s) * 1000 > JUMP_MS;
        const drifted = Math.abs(median(offsets.slice(-3)) - mark_s) * 1000 > DRIFT_MS;
        if (jumped || slept) offsets = [offset_s];
        else if (drifted) offsets = offsets.slice(-3);
        if (jumped || drifted) strikes_ms.push(now_ms);
        parted = jumped || drifted || slept;
        if (parted) mark_s = median(offsets);
      }
      strikes_ms = strikes_ms.filter((t) => now_ms - t < STRIKE_WINDOW_MS);
      return { still: now_ms - movedAt_ms >= STILL_MS, parted, unsteady: strikes_ms.length >= STRIKES };
    },
    joined: () => offsets.length > 0,
    /** How long the clock had not moved at the last reading, in ms. */
    still_ms: () => (last ? last.now_ms - movedAt_ms : 0),
    /** @param {number} device_ms @returns {number} audio s at the speaker then; only once joined */
    audioAt: (device_ms) => median(offsets) + device_ms / 1000,
    /** @param {number} audio_s @returns {number} device ms at which it is at the speaker; only once joined */
    deviceAt: (audio_s) => (audio_s - median(offsets)) * 1000,
  };
}

/** @typedef {ReturnType<typeof createAudioClock>} AudioClock */

/** @type {WeakMap<BaseAudioContext, Map<string, AudioBuffer>>} */
const buffers = new WeakMap();

/** @param {BaseAudioContext} ctx @param {SoundName} name @param {number} pitch */
function bufferOf(ctx, name, pitch) {
  let known = buffers.get(ctx);
  if (!known) buffers.set(ctx, known = new Map());
  const key = `${name} ${pitch}`;
  let buffer = known.get(key);
  if (!buffer) {
    const samples = renderSound(name, ctx.sampleRate, pitch);
    buffer = ctx.createBuffer(1, samples.length, ctx.sampleRate);
    buffer.copyToChannel(samples, 0);
    known.set(key, buffer);
  }
  return buffer;
}

/**
 * Queues one sound on a context.
 * @param {BaseAudioContext} ctx @param {SoundName} name @param {number} level factor, 0 to 1
 * @param {number} when_s audio time of its start @param {number} [offset_s] how far into the sound to begin
 * @param {number} [pitch] factor on every fundamental
 */
export function startSound(ctx, name, level, when_s, offset_s = 0, pitch = 1) {
  const source = ctx.createBufferSource();
  const gain = ctx.createGain();
  source.buffer = bufferOf(ctx, name, pitch);
  gain.gain.value = level;
  if (offset_s > 0) {
    gain.gain.setValueAtTime(0, when_s);
    gain.gain.linearRampToValueAtTime(level, when_s + FADE_S);
  }
  source.connect(gain).connect(ctx.destination);
  source.start(when_s, offset_s);
  return { source, gain };
}

/** @param {BaseAudioContext} ctx @returns {number} s from the queue to the speaker */
export function latencyOf(ctx) {
  const { outputLatency, baseLatency } = /** @type {AudioContext} */ (ctx);
  return outputLatency > 0 && outputLatency < 0.5 ? outputLatency : (baseLatency || 0) + 0.03;
}

/**
 * Audio time that is at the speaker. The browser's own stamp of its output is exact to a fraction of a ms where it is
 * sane; its latency is told in steps of several ms, and the audio clock moves by whole blocks.
 * @param {AudioContext} ctx @param {number} audio_s its clock @param {number} now_ms `performance.now()` at that reading
 */
export function speakerAt(ctx, audio_s, now_ms) {
  const told_s = audio_s - latencyOf(ctx);
  if (typeof ctx.getOutputTimestamp !== 'function') return told_s;
  const { contextTime, performanceTime } = ctx.getOutputTimestamp();
  if (!contextTime || !performanceTime) return told_s;
  const age_ms = now_ms - performanceTime;
  const speaker_s = contextTime + age_ms / 1000;
  return age_ms >= 0 && age_ms <= FRESH_MS && Math.abs(speaker_s - told_s) <= SANE_S ? speaker_s : told_s;
}

/**
 * Where in a sound to begin when its start has passed.
 * @param {SoundItem} item @param {number} late_ms @returns {number|null} ms into the sound; null to leave it out
 */
export function lateOffset(item, late_ms) {
  if (late_ms <= 0) return 0;
  if (item.sound === null || item.late === undefined) return null;
  if (item.late === 'whole') return 0;
  const { length_ms, repeat_ms, join_ms } = SOUNDS[item.sound];
  if (repeat_ms > 0 && late_ms <= WHOLE_MS) return 0;
  if (late_ms < length_ms - WHOLE_MS) return late_ms;
  // Between two repeats: heard at once where it still ends before the next one, else the next one is near enough.
  return repeat_ms - late_ms > length_ms - join_ms + LEAVE_ALONE_MS ? join_ms : null;
}

/**
 * @typedef {object} Handle one item and what has been done about it
 * @property {SoundItem} item
 * @property {AudioBufferSourceNode|null} source
 * @property {GainNode|null} gain
 * @property {number} when_s audio time of its start
 * @property {boolean} over nothing more is to be queued for it
 * @property {number} timer waiting vibration or words; 0 when none waits
 * @property {number} timer_ms device ms for which the timer is set
 * @property {boolean} fired its vibration or words have begun
 */

/**
 * @param {object} env
 * @param {() => number} env.deviceNow device ms
 * @param {AudioClock} env.clock
 * @param {() => Reading} env.read
 * @param {(item: SoundItem, off_ms: number) => void} env.heard a rung's onset has passed with the audio clock running;
 *   `off_ms` is the onset at the speaker minus the planned time
 * @param {(pattern: number|number[]) => void} env.vibrate
 * @param {(words: string) => void} env.say '' stops what is being said
 */
export function createQueue({ deviceNow, clock, read, heard, vibrate, say }) {
  /** @type {AudioContext|null} */
  let ctx = null;
  let ready = false;
  /** @type {Map<string, Handle>} */
  const handles = new Map();
  /** @type {Set<string>} */
  const told = new Set();
  let toDevice = (/** @type {number} */ shared_ms) => shared_ms;
  let buzzing = { key: '', until_ms: 0 };
  let saying = '';

  /** @param {SoundItem} item */
  const rungKey = (item) => `${item.rung}@${item.due}`;

  /** @param {number} at shared ms @returns {number} audio s at which a sound must leave the queue to be heard then */
  const startOf = (at) => clock.audioAt(toDevice(at));

  /** @param {Handle} h */
  const begun = (h) => ctx !== null && h.source !== null && ctx.currentTime >= h.when_s;

  /** @param {Handle} h */
  const startsSoon = (h) => ctx !== null && h.source !== null && (h.when_s - ctx.currentTime) * 1000 <= LEAVE_ALONE_MS;

  /** Puts an item into the audio queue, if it can still be heard. @param {Handle} h */
  function queue(h) {
    const { item } = h;
    if (!ctx || ctx.state !== 'running' || item.sound === null || h.over) return;
    const late_ms = deviceNow() - toDevice(item.at);
    if (!ready && late_ms < -UNJOINED_MS) return;
    if (!clock.joined()) clock.sample(read());
    const offset_ms = lateOffset(item, late_ms);
    if (offset_ms === null) {
      h.over = true;
      return;
    }
    h.when_s = late_ms > 0 ? ctx.currentTime : Math.max(ctx.currentTime, startOf(item.at));
    const { source, gain } = startSound(ctx, item.sound, item.level, h.when_s, offset_ms / 1000, pitchOf(item.sound, item.pair_number));
    h.source = source;
    h.gain = gain;
    if (item.cut_at !== undefined) source.stop(Math.max(h.when_s, startOf(item.cut_at)));
    source.onended = () => {
      if (h.source !== source) return;
      tell(h);
      h.over = true;
    };
  }

  /** Takes an item's sound out of the queue, fading it if it is being heard. @param {Handle} h */
  function unqueue(h) {
    const { source, gain } = h;
    if (!ctx || !source || !gain) return;
    tell(h);
    if (begun(h) && !h.over) {
      const now_s = ctx.currentTime;
      gain.gain.cancelScheduledValues(now_s);
      gain.gain.setValueAtTime(gain.gain.value, now_s);
      gain.gain.linearRampToValueAtTime(0, now_s + FADE_S);
      source.stop(now_s + FADE_S + 0.005);
    } else {
      source.stop();
      source.disconnect();
    }
    h.source = null;
    h.gain = null;
  }

  /** Sets the timer for what the audio queue cannot hold. @param {Handle} h */
  function setTimer(h) {
    const { key, at, buzz, say: words } = h.item;
    const due_ms = toDevice(at);
    if ((!buzz && !words) || h.fired || (h.timer !== 0 && Math.abs(due_ms - h.timer_ms) < DRIFT_MS)) return;
    clearTimeout(h.timer);
    h.timer_ms = due_ms;
    h.timer = Number(setTimeout(() => {
      h.fired = true;
      if (buzz) {
        buzzing = { key, until_ms: deviceNow() + buzz.reduce((sum, ms) => sum + ms, 0) };
        vibrate([...buzz]);
      }
      if (words) {
        saying = key;
        say(words);
      }
    }, Math.max(0, due_ms - deviceNow())));
  }

  /** @param {Handle} h */
  function drop(h) {
    const { key } = h.item;
    unqueue(h);
    clearTimeout(h.timer);
    if (buzzing.key === key && deviceNow() < buzzing.until_ms) vibrate(0);
    if (saying === key) say('');
    handles.delete(key);
  }

  /** Keeps what is right in the queue and mends the rest. @param {Handle} h @param {SoundItem} item */
  function mend(h, item) {
    const { sound, level, cut_at } = h.item;
    h.item = item;
    setTimer(h);
    if (h.over) return;
    if (h.source === null) {
      queue(h);
      return;
    }
    const other = sound !== item.sound || level !== item.level;
    const moved = cut_at !== item.cut_at || Math.abs(startOf(item.at) - h.when_s) * 1000 > RETIME_MS;
    if (begun(h) ? other && item.late === 'join' : other || (moved && !startsSoon(h))) {
      unqueue(h);
      queue(h);
    }
  }

  /** @param {Handle} h */
  function tell(h) {
    const { item } = h;
    if (!ctx || !clock.joined() || !item.rung || h.source === null || told.has(rungKey(item))) return;
    const heard_ms = clock.deviceAt(h.when_s);
    if (ctx.currentTime < h.when_s || deviceNow() < heard_ms || clock.still_ms() >= STILL_MS) return;
    told.add(rungKey(item));
    heard(item, Math.round(heard_ms - toDevice(item.at)) + 0); // no minus nought
  }

  /** Lays everything anew that has not begun, and what a former context took with it. */
  function layAnew() {
    for (const h of handles.values()) {
      if (h.over || startsSoon(h)) continue;
      unqueue(h);
      queue(h);
    }
  }

  return {
    /**
     * Makes the queue hold exactly this list.
     * @param {SoundItem[]} list @param {(shared_ms: number) => number} [toDeviceMs]
     */
    lay(list, toDeviceMs) {
      if (toDeviceMs) toDevice = toDeviceMs;
      const keys = new Set(list.map((item) => item.key));
      for (const h of [...handles.values()]) if (!keys.has(h.item.key)) drop(h);
      for (const item of list) {
        const known = handles.get(item.key);
        if (known) {
          mend(known, item);
          continue;
        }
        /** @type {Handle} */
        const h = { item, source: null, gain: null, when_s: 0, over: false, timer: 0, timer_ms: 0, fired: false };
        handles.set(item.key, h);
        setTimer(h);
        queue(h);
      }
    },
    layAnew,
    /** Whether the clocks are joined well enough to queue what is far ahead. @param {boolean} yes */
    setReady(yes) {
      ready = yes;
      if (yes) layAnew();
    },
    /** All sounds of a former context are gone with it. @param {AudioContext|null} next */
    setContext(next) {
      for (const h of handles.values()) {
        tell(h);
        // A prompt that was heard is not said twice.
        if (h.item.late === 'whole' && told.has(rungKey(h.item))) h.over = true;
        h.source = null;
        h.gain = null;
      }
      ctx = next;
      ready = false;
    },
    /** Reports the rungs whose onset has passed. */
    tellHeard() {
      for (const h of handles.values()) tell(h);
    },
    /** A press's own vibration takes the place of a rung's. */
    leaveBuzz() {
      buzzing = { key: '', until_ms: 0 };
    },
    clear() {
      for (const h of [...handles.values()]) drop(h);
      told.clear();
    },
  };
}
