// Ensures that every sound is made as the table of sounds (own) says, inside the published ranges, by measuring the
// waveform itself.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { BREATH_MS, SOUNDS, renderSound } from '../sound/patterns.js';

/** @typedef {import('../sound/patterns.js').SoundName} SoundName */

const RATE = 48000;
const NAMES = /** @type {SoundName[]} */ (Object.keys(SOUNDS));
const RUNGS = /** @type {SoundName[]} */ (['prompt', 'again', 'alarm']);

/**
 * Widths of pulses and gaps at half of the sound's height, from the rectified waveform's running peak.
 * @param {SoundName} name
 */
function measured(name) {
  const samples = renderSound(name, RATE);
  // Half a period of the lowest fundamental on either side, so that the running peak follows the envelope only.
  const half = Math.ceil(RATE / Math.min(...SOUNDS[name].pulses.map((p) => p.hz)) / 2);
  let top = 0;
  for (const x of samples) top = Math.max(top, Math.abs(x));
  /** @type {number[]} */
  const edges = [];
  let on = false;
  for (let i = 0; i < samples.length + half; i++) {
    let peak = 0;
    for (let j = Math.max(0, i - half); j <= Math.min(samples.length - 1, i + half); j++) peak = Math.max(peak, Math.abs(samples[j]));
    if (peak > top / 2 !== on) {
      on = !on;
      edges.push((i / RATE) * 1000);
    }
  }
  const widths = edges.slice(1).map((edge, i) => edge - edges[i]);
  return { pulses: widths.filter((_, i) => i % 2 === 0), gaps: widths.filter((_, i) => i % 2 === 1), top };
}

/**
 * Level in dB of one frequency within a slice, Hann window.
 * @param {Float32Array} samples @param {number} hz @param {number} from_ms @param {number} to_ms
 */
function levelAt(samples, hz, from_ms, to_ms) {
  const from = Math.round((from_ms * RATE) / 1000);
  const n = Math.round((to_ms * RATE) / 1000) - from;
  let re = 0;
  let im = 0;
  for (let i = 0; i < n; i++) {
    const x = samples[from + i] * (0.5 - 0.5 * Math.cos((2 * Math.PI * i) / n));
    re += x * Math.cos((2 * Math.PI * hz * i) / RATE);
    im += x * Math.sin((2 * Math.PI * hz * i) / RATE);
  }
  return 20 * Math.log10((4 * Math.hypot(re, im)) / n + 1e-9);
}

/** Loudest 150 ms of a sound, mean power in dB against full scale. @param {SoundName} name */
function loudness(name) {
  const samples = renderSound(name, RATE);
  const n = Math.min(samples.length, Math.round(0.15 * RATE));
  let sum = 0;
  let best = 0;
  for (let i = 0; i < samples.length; i++) {
    sum += samples[i] ** 2 - (i >= n ? samples[i - n] ** 2 : 0);
    best = Math.max(best, sum / n);
  }
  return 10 * Math.log10(best);
}

/** @param {number} value @param {number} want @param {number} by @param {string} what */
function near(value, want, by, what) {
  assert.ok(Math.abs(value - want) <= by, `${what}: ${value}, expected ${want} ± ${by}`);
}

test('the alarm is 3 + 2, 400 ms, 3 + 2 pulses of 120 ms with 70 ms between, every 5 s', () => {
  const { pulses, gaps } = measured('alarm');
  assert.equal(pulses.length, 10);
  // The running peak widens each pulse by up to half a period on either side, and narrows the gaps by as much.
  const blur = 1000 / 784;
  for (const width of pulses) near(width, 120, 1 + blur, 'pulse');
  [70, 70, 260, 70, 400, 70, 70, 260, 70].forEach((want, i) => near(gaps[i], want, 1 + blur, `gap ${i + 1}`));
  assert.equal(SOUNDS.alarm.repeat_ms, 5000);
});

// IEC 60601-1-8 (2006+A1+A2), tables 3 and 4, high priority: 10 pulses of 75–200 ms, spacing 50–125 ms, burst every
// 2.5–15 s. Grade: memory, partly confirmed.
test('the alarm lies in the high-priority ranges', () => {
  const { pulses, gaps } = measured('alarm');
  assert.equal(pulses.length, 10);
  for (const width of pulses) assert.ok(width >= 75 && width <= 200, `pulse ${width}`);
  const inGroup = gaps.filter((gap) => gap < 200);
  assert.equal(inGroup.length, 6);
  for (const gap of inGroup) assert.ok(gap >= 50 && gap <= 125, `gap ${gap}`);
  assert.ok(SOUNDS.alarm.repeat_ms >= 2500 && SOUNDS.alarm.repeat_ms <= 15000);
  assert.ok(SOUNDS.alarm.length_ms < SOUNDS.alarm.repeat_ms);
});

// The same tables, medium priority: 3 pulses, 125–250 ms each and between, every 2.5–30 s. Grade: memory, partly confirmed.
test('again lies in the medium-priority ranges', () => {
  const { pulses, gaps } = measured('again');
  assert.equal(pulses.length, 3);
  for (const width of [...pulses, ...gaps]) assert.ok(width >= 125 && width <= 250, `${width}`);
  for (const width of [...pulses, ...gaps]) near(width, 180, 3, 'pulse or gap');
  assert.equal(SOUNDS.again.repeat_ms, 2500);
});

// The same tables, low priority: 1–2 pulses, once or more than 15 s apart. Grade: memory, partly confirmed.
test('prompt and fault lie in the low-priority ranges', () => {
  for (const name of /** @type {SoundName[]} */ (['prompt', 'prompt-quiet', 'fault'])) {
    const { pulses, gaps } = measured(name);
    assert.equal(pulses.length, 2, name);
    for (const width of [...pulses, ...gaps]) near(width, 180, 3, name);
    const { repeat_ms } = SOUNDS[name];
    assert.ok(repeat_ms === 0 || repeat_ms > 15000, name);
  }
  assert.deepEqual(SOUNDS.prompt.pulses.map((p) => p.hz), [523, 659]);
  assert.deepEqual(SOUNDS.fault.pulses.map((p) => p.hz), [659, 440]);
});

// IEC 60601-1-8 as stated by component makers: at least 4 harmonics in 300–4000 Hz within ±15 dB of the fundamental, the
// fundamental in 150–1000 Hz. Grade: secondary; memory, partly confirmed.
test('every alarm signal and breath has a fundamental of 150–1000 Hz with four harmonics within 15 dB up to 4 kHz', () => {
  for (const name of NAMES.filter((n) => !['minute', 'tick', 'knock', 'knock-five'].includes(n))) {
    const samples = renderSound(name, RATE);
    for (const p of SOUNDS[name].pulses) {
      assert.ok(p.hz >= 150 && p.hz <= 1000, `${name} ${p.hz}`);
      if (p.to_hz !== undefined) continue; // a glide has no one frequency: its ends are measured below
      const from = p.at_ms + p.ramp_ms;
      const to = p.at_ms + p.dur_ms;
      const base = levelAt(samples, p.hz, from, to);
      const harmonics = [2, 3, 4, 5].filter((k) => k * p.hz <= 4000 && k * p.hz >= 300);
      assert.equal(harmonics.length, 4, name);
      for (const k of harmonics) {
        const rel = levelAt(samples, k * p.hz, from, to) - base;
        assert.ok(Math.abs(rel) <= 15, `${name}: harmonic ${k} of ${p.hz} Hz is ${rel.toFixed(1)} dB`);
      }
    }
  }
});

test('the breath glides up while breathing in and down while breathing out, in a cycle of 6 s', () => {
  // Breath of at least 30 s with 2–3 s holds: common practice.
  assert.ok(BREATH_MS.keep >= 2000 && BREATH_MS.keep <= 3000);
  assert.equal(BREATH_MS.in + BREATH_MS.keep + BREATH_MS.out, BREATH_MS.cycle);
  for (const [name, first, last] of /** @type {[SoundName, number, number][]} */ ([
    ['breath-in', 330, 440], ['breath-keep', 440, 440], ['breath-out', 440, 330]])) {
    const samples = renderSound(name, RATE);
    const [p] = SOUNDS[name].pulses;
    /** Upward zero crossings of the fundamental are not countable with harmonics, so the strongest of the near
     * frequencies is taken. @param {number} from_ms @param {number} to_ms */
    const pitch = (from_ms, to_ms) => {
      let best = 0;
      for (let hz = 300; hz <= 470; hz += 2) {
        if (levelAt(samples, hz, from_ms, to_ms) > levelAt(samples, best || 300, from_ms, to_ms)) best = hz;
      }
      return best || 300;
    };
    near(pitch(p.ramp_ms, p.ramp_ms + 120), first, 16, `${name} begins`);
    near(pitch(p.dur_ms - 120, p.dur_ms), last, 16, `${name} ends`);
  }
});

test('H17 H16 loudness falls from alarm over again, prompt and quiet prompt to fault, breath, minute and tick', () => {
  const order = /** @type {SoundName[]} */ (['alarm', 'again', 'prompt', 'prompt-quiet', 'fault', 'breath-in', 'minute', 'tick']);
  const levels = order.map(loudness);
  levels.slice(1).forEach((level, i) => {
    assert.ok(levels[i] - level >= 1.5, `${order[i]} ${levels[i].toFixed(1)} dB, ${order[i + 1]} ${level.toFixed(1)} dB`);
  });
  // A quiet prompt is meant to be half as loud to the ear or less: at least 6 dB under the full one.
  assert.ok(levels[2] - levels[3] >= 6);
});

test('H17 no sound begins with a crack: each rise takes at least a tenth of its pulse', () => {
  for (const name of RUNGS.concat('prompt-quiet', 'fault', 'beep', 'alarm-reduced')) {
    // From 10 % to 90 % of a rounded rise takes 0.59 of it. IEC 60601-1-8: 10–40 % of the pulse. Grade: memory.
    for (const p of SOUNDS[name].pulses) {
      const share = (0.59 * p.ramp_ms) / p.dur_ms;
      assert.ok(share >= 0.1 && share <= 0.4, `${name}: ${share.toFixed(2)}`);
    }
  }
  const quiet = SOUNDS['prompt-quiet'].pulses[0].ramp_ms;
  assert.ok(quiet > SOUNDS.prompt.pulses[0].ramp_ms);
});

test('H24 the reduced alarm is at least 10 dB under the alarm, half a burst, every 15 s', () => {
  assert.ok(loudness('alarm') - loudness('alarm-reduced') >= 10);
  assert.equal(measured('alarm-reduced').pulses.length, 5);
  assert.equal(SOUNDS['alarm-reduced'].repeat_ms, 15000);
});

test('no sound clips, and every sound begins and ends in silence', () => {
  for (const name of NAMES) {
    const samples = renderSound(name, RATE);
    let top = 0;
    for (const x of samples) top = Math.max(top, Math.abs(x));
    assert.ok(top <= 0.9, `${name} ${top}`);
    near(20 * Math.log10(top), SOUNDS[name].peak_db, 1.5, name);
    assert.ok(Math.abs(samples[0]) < 1e-3, name);
    assert.ok(Math.abs(samples[samples.length - 1]) < 2e-3 * top + 1e-4, `${name} ends at ${samples[samples.length - 1]}`);
  }
});

test('the same sound at another sample rate keeps its times', () => {
  for (const name of NAMES) {
    near(renderSound(name, 44100).length / 44.1, renderSound(name, RATE).length / 48, 0.1, name);
  }
});
