// The table of sounds and their waveforms. Pure: no page, no clock. Times in ms, frequencies in Hz, levels in dB.
//
// Pulse and gap lengths follow the ranges that IEC 60601-1-8 gives for alarm signals; no conformity is claimed.
// `dur_ms` runs from the start of the rise to the start of the fall. Rise and fall are equally long and rounded, so a
// pulse measured at half its height is exactly `dur_ms` wide and the gaps measure what the table says.

/**
 * @typedef {object} Pulse
 * @property {number} at_ms start of the rise, from the start of the sound
 * @property {number} dur_ms width at half height
 * @property {number} hz fundamental
 * @property {number} [to_hz] fundamental at the end of a glide
 * @property {number} ramp_ms length of the rise and of the fall
 * @property {boolean} [fade] falls away from the end of the rise on, and is silent at `dur_ms`
 */

/**
 * @typedef {object} Pattern
 * @property {Pulse[]} pulses
 * @property {number} repeat_ms from one start to the next; 0 for a sound that plays once
 * @property {readonly number[]} partials_db fundamental first, then its harmonics, against the fundamental
 * @property {number} peak_db highest sample against full scale
 * @property {number} length_ms until the last fall has ended
 * @property {number} join_ms where a device that comes in too late begins, so that it is heard at once
 */

/**
 * @typedef {'prompt'|'prompt-quiet'|'again'|'alarm'|'alarm-reduced'|'fault'|'minute'|'breath-in'|'breath-keep'|'breath-out'|'beep'|'tick'|'call'|'knock'|'knock-five'} SoundName
 */

/** Fundamental and four harmonics: 784 Hz × 5 is still under 4 kHz. Small phone speakers carry mostly the upper ones. */
const VOICE = Object.freeze([0, -2, -4, -6, -9]);
/** Rounder, for what accompanies: the fifth partial is 14 dB down. */
const SOFT = Object.freeze([0, -6, -9, -12, -14]);
/** The chime and the tick are no alarm signals and stay plain. */
const PLAIN = Object.freeze([0, -12, -20]);

const SHORT_MS = 120;
const SHORT_GAP_MS = 70;
const LONG_MS = 180;
/** From the third pulse of a burst to the fourth: twice the gap and a pulse, which is what is heard as "3 + 2". */
const GROUP_GAP_MS = 2 * SHORT_GAP_MS + SHORT_MS;
const MID_BURST_MS = 400;
const SHORT_RAMP_MS = 27;
const LONG_RAMP_MS = 36;

/** Breath cycle: in, keep, out. */
export const BREATH_MS = Object.freeze({ in: 2000, keep: 2500, out: 1500, cycle: 6000 });

/** @param {number} at_ms @returns {Pulse[]} */
function threeAndTwo(at_ms) {
  const step = SHORT_MS + SHORT_GAP_MS;
  const second = 2 * step + SHORT_MS + GROUP_GAP_MS;
  return [0, step, 2 * step, second, second + step].map((t) => ({
    at_ms: at_ms + t, dur_ms: SHORT_MS, hz: 784, ramp_ms: SHORT_RAMP_MS,
  }));
}

/** @param {number[]} tones one fundamental a pulse @param {number} ramp_ms @returns {Pulse[]} */
function longPulses(tones, ramp_ms) {
  return tones.map((hz, i) => ({ at_ms: i * 2 * LONG_MS, dur_ms: LONG_MS, hz, ramp_ms }));
}

/**
 * @param {Pulse[]} pulses @param {number} repeat_ms @param {readonly number[]} partials_db @param {number} peak_db
 * @param {number} [join_ms] @returns {Readonly<Pattern>}
 */
function pattern(pulses, repeat_ms, partials_db, peak_db, join_ms = 0) {
  const length_ms = Math.max(...pulses.map((p) => p.at_ms + p.dur_ms + (p.fade ? 0 : p.ramp_ms)));
  return Object.freeze({ pulses, repeat_ms, partials_db, peak_db, length_ms, join_ms });
}

const BURST = threeAndTwo(0);
const BURST_MS = BURST[4].at_ms + SHORT_MS;
const SECOND_BURST_MS = BURST_MS + MID_BURST_MS;

/**
 * Every sound. The loudness falls in the order alarm, again, prompt, quiet prompt, fault, breath, minute, tick.
 * @type {Readonly<Record<SoundName, Readonly<Pattern>>>}
 */
export const SOUNDS = Object.freeze({
  'alarm': pattern([...BURST, ...threeAndTwo(SECOND_BURST_MS)], 5000, VOICE, -1, SECOND_BURST_MS),
  // The board's first word of a pair's alarm: a medium signal at the alarm's pitch.
  'call': pattern(longPulses([784, 784, 784], LONG_RAMP_MS), 0, VOICE, -4),
  'again': pattern(longPulses([659, 659, 659], LONG_RAMP_MS), 2500, VOICE, -4),
  'prompt': pattern(longPulses([523, 659], LONG_RAMP_MS), 0, VOICE, -7),
  'prompt-quiet': pattern(longPulses([523, 659], 60), 0, VOICE, -13),
  // One half of a burst, 12 dB down: breathing and the dispatcher can be heard over it and in between (own choice).
  'alarm-reduced': pattern(threeAndTwo(0), 15000, VOICE, -13),
  'fault': pattern(longPulses([659, 440], LONG_RAMP_MS), 16000, VOICE, -16),
  'breath-in': pattern([{ at_ms: 0, dur_ms: BREATH_MS.in, hz: 330, to_hz: 440, ramp_ms: 160 }], 0, SOFT, -18),
  'breath-keep': pattern([{ at_ms: 0, dur_ms: BREATH_MS.keep, hz: 440, ramp_ms: 160 }], 0, SOFT, -24),
  'breath-out': pattern([{ at_ms: 0, dur_ms: BREATH_MS.out, hz: 440, to_hz: 330, ramp_ms: 160 }], 0, SOFT, -18),
  'minute': pattern([{ at_ms: 0, dur_ms: 400, hz: 1047, ramp_ms: 12, fade: true }], 0, PLAIN, -20),
  'beep': pattern([{ at_ms: 0, dur_ms: 250, hz: 784, ramp_ms: 50 }], 0, VOICE, -1),
  // The number of a pair on a board whose browser has no voice: a long knock for each five, a short one for each one.
  'knock': pattern([{ at_ms: 0, dur_ms: 100, hz: 1047, ramp_ms: 12 }], 0, PLAIN, -7),
  'knock-five': pattern([{ at_ms: 0, dur_ms: 300, hz: 1047, ramp_ms: 12 }], 0, PLAIN, -7),
  'tick': pattern([{ at_ms: 0, dur_ms: 30, hz: 880, ramp_ms: 3, fade: true }], 0, PLAIN, -26),
});

/** Start to start of the beeps of the sound check, in ms: slow enough to be counted. */
export const BEEP_STEP_MS = 800;
/** Start to start of a short and of a long knock, in ms: slow enough to be counted (own). */
export const KNOCK_STEP_MS = 250;
export const KNOCK_FIVE_STEP_MS = 450;

/**
 * Semitones by which the prompts of a pair lie above or below the published ones, so that neighbours at the poolside can
 * tell theirs: steps of minor thirds, pair 1 as published, pairs next to each other well apart. Six pitches: pair 7 has
 * pair 1's again. Pattern, lengths and harmonics stay; all partials stay under 4 kHz. *Again* and the alarm are the same for
 * everybody (own).
 */
const PITCHES = Object.freeze([0, -6, 3, -9, -3, -12]);
/** Sounds that have the pair's own pitch. @type {ReadonlySet<SoundName>} */
const PITCHED = new Set(/** @type {const} */ (['prompt', 'prompt-quiet']));

/**
 * By how much the fundamentals of a pair's sound are multiplied; 1 for a pair without a number.
 * @param {SoundName} name @param {number | null | undefined} pairNumber
 */
export function pitchOf(name, pairNumber) {
  if (!PITCHED.has(name) || typeof pairNumber !== 'number' || pairNumber < 1) return 1;
  return 2 ** (PITCHES[(pairNumber - 1) % PITCHES.length] / 12);
}

const TABLE = 4096;
/** @type {Map<readonly number[], Float64Array>} */
const waves = new Map();

/**
 * One period of a voice with its highest point at 1. The phases spread the partials over the period (Schroeder's rule),
 * which gives more loudness for the same peak.
 * @param {readonly number[]} partials_db
 */
function waveOf(partials_db) {
  const known = waves.get(partials_db);
  if (known) return known;
  const n = partials_db.length;
  const wave = new Float64Array(TABLE + 1);
  let top = 0;
  for (let i = 0; i <= TABLE; i++) {
    let sum = 0;
    for (let k = 1; k <= n; k++) {
      sum += 10 ** (partials_db[k - 1] / 20) * Math.sin((2 * Math.PI * k * i) / TABLE - (Math.PI * k * (k - 1)) / n);
    }
    wave[i] = sum;
    top = Math.max(top, Math.abs(sum));
  }
  for (let i = 0; i <= TABLE; i++) wave[i] /= top;
  waves.set(partials_db, wave);
  return wave;
}

/**
 * Height of a pulse, 0 to 1, `t` ms after its start.
 * @param {Pulse} p @param {number} t
 */
export function heightAt(p, t) {
  if (t <= 0) return 0;
  const rise = t < p.ramp_ms ? 0.5 - 0.5 * Math.cos((Math.PI * t) / p.ramp_ms) : 1;
  if (p.fade) return t >= p.dur_ms ? 0 : rise * (t < p.ramp_ms ? 1 : ((p.dur_ms - t) / (p.dur_ms - p.ramp_ms)) ** 2);
  const fallen = t - p.dur_ms;
  if (fallen <= 0) return rise;
  return fallen >= p.ramp_ms ? 0 : rise * (0.5 + 0.5 * Math.cos((Math.PI * fallen) / p.ramp_ms));
}

/**
 * The sound as samples between −1 and 1.
 * @param {SoundName} name @param {number} sampleRate Hz @param {number} [pitch] factor on every fundamental
 * @returns {Float32Array<ArrayBuffer>}
 */
export function renderSound(name, sampleRate, pitch = 1) {
  const sound = SOUNDS[name];
  const wave = waveOf(sound.partials_db);
  const peak = 10 ** (sound.peak_db / 20);
  const out = new Float32Array(Math.ceil((sound.length_ms * sampleRate) / 1000));
  for (const p of sound.pulses) {
    const first = Math.ceil((p.at_ms * sampleRate) / 1000);
    const last = Math.min(out.length, Math.ceil(((p.at_ms + p.dur_ms + p.ramp_ms) * sampleRate) / 1000));
    const to_hz = p.to_hz ?? p.hz;
    let turn = 0;
    for (let i = first; i < last; i++) {
      const t = (i * 1000) / sampleRate - p.at_ms;
      const x = turn * TABLE;
      const j = Math.floor(x);
      out[i] += peak * heightAt(p, t) * (wave[j] + (wave[j + 1] - wave[j]) * (x - j));
      turn += (pitch * (p.hz + (to_hz - p.hz) * Math.min(1, t / p.dur_ms))) / sampleRate;
      turn -= Math.floor(turn);
    }
  }
  return out;
}
