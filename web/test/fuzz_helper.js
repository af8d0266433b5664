/**
 * Spoils texts and values by a seed, and watches what a decoder does with
 * them: it throws nothing, hangs nowhere and keeps no memory.
 */

import assert from 'node:assert/strict';
import { setFlagsFromString } from 'node:v8';
import { runInNewContext } from 'node:vm';

/** How long each decoder is tried in a long run (s). */
const LONG_S = Number(process.env.BUDDYCLOCK_FUZZ_S ?? 0);
/** How many inputs each decoder gets otherwise. */
const INPUTS = 600;
const SEED = Number(process.env.BUDDYCLOCK_FUZZ_SEED ?? 1);
/** No input may take longer (ms of processor time): the slowest take a hundredth of it. */
const HANGS_MS = 2000;
/** How many bytes more may be kept in the end than after the first inputs. */
const MAY_KEEP = 32 << 20;

setFlagsFromString('--expose-gc');
const collect = /** @type {() => void} */ (runInNewContext('gc'));

/** @param {number} seed @returns {() => number} 0 up to 1, the same for the same seed */
export function randomOf(seed) {
  let s = seed >>> 0;
  return () => {
    s = (s + 0x6d2b79f5) >>> 0;
    let t = Math.imul(s ^ (s >>> 15), s | 1);
    t = (t + Math.imul(t ^ (t >>> 7), t | 61)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 2 ** 32;
  };
}

const NASTY_TEXT = [
  '', 'null', '-0', '1e999', '-1e-999', '0.5', '9007199254740993', '1e3', '"', '\\', '\u0000', '\ud800', '"\\ud800"', '{}', '[]', '{', '[', ']', '}', ',', ':',
  '{"__proto__":{"at":1}}', '"constructor"', '"toString"', '"__proto__"', '\u2028', '潜', '\ufeff', '[[[[[[[[', '{"a":', '-', '.', 'e', 'true', '#j=', '%', '%zz', '999999999999999999999',
];
/** @type {unknown[]} */
const NASTY_VALUE = [
  null, undefined, true, false, 0, -0, -1, 0.5, NaN, Infinity, -Infinity, 2 ** 53, 1e308, '', ' ', '\ud800', '\u0000', '__proto__', 'constructor', 'x'.repeat(70), 'x'.repeat(20_000),
  [], [null], {}, { length: 1e9 }, [[1, 2]], [[2, 1]], [[1, 1e15]], JSON.parse('{"__proto__":{"at":1},"constructor":null}'), { toString: 1, valueOf: 2 },
];

/** @param {() => number} random @param {number} n */
const below = (random, n) => Math.floor(random() * n);
/** @template T @param {() => number} random @param {T[]} list @returns {T} */
const oneOf = (random, list) => list[below(random, list.length)];

/** A text with some places spoilt. @param {() => number} random @param {string[]} seeds */
export function spoiltText(random, seeds) {
  let text = oneOf(random, seeds);
  for (let n = 1 + below(random, 6); n > 0; n -= 1) {
    const at = below(random, text.length + 1);
    const to = Math.min(text.length, at + below(random, 1 + (random() < 0.5 ? 3 : 40)));
    const with_ = [
      () => '',
      () => oneOf(random, NASTY_TEXT),
      () => String.fromCharCode(below(random, random() < 0.7 ? 128 : 65_536)),
      () => text.slice(at, to).repeat(1 + below(random, 4)),
      () => oneOf(random, seeds).slice(0, below(random, 60)),
      () => JSON.stringify(oneOf(random, NASTY_VALUE) ?? null),
    ];
    text = text.slice(0, at) + oneOf(random, with_)() + text.slice(to);
    if (text.length > 200_000) text = text.slice(0, 200_000);
  }
  return text;
}

/** The value of a seed with some fields spoilt, added or taken away. @param {() => number} random @param {string[]} seeds @returns {unknown} */
export function spoiltValue(random, seeds) {
  const root = { value: JSON.parse(oneOf(random, seeds)) };
  for (let n = 1 + below(random, 3); n > 0; n -= 1) {
    /** @type {any} */
    let at = root;
    let key = 'value';
    while (random() < 0.75 && typeof at[key] === 'object' && at[key] !== null && Object.keys(at[key]).length > 0) {
      at = at[key];
      key = oneOf(random, Object.keys(at));
    }
    if (random() < 0.15) delete at[key];
    else if (random() < 0.2) at[oneOf(random, ['__proto__', 'at', 'id', 'events', 'have', 'beyond', 'x'])] = structuredClone(oneOf(random, NASTY_VALUE));
    else if (random() < 0.05) at[key] = deep(below(random, 200));
    else at[key] = structuredClone(oneOf(random, NASTY_VALUE));
  }
  // As it comes out of JSON: no holes, no numbers that it cannot spell.
  return JSON.parse(JSON.stringify(root.value) ?? 'null');
}

/** @param {number} levels @returns {unknown} */
function deep(levels) {
  /** @type {unknown} */
  let value = 1;
  for (let n = 0; n < levels; n += 1) value = n % 2 ? [value] : { x: value };
  return value;
}

/**
 * Tries one decoder with spoilt inputs for as long as this run allows.
 * @template T
 * @param {{diagnostic: (message: string) => void}} t
 * @param {(random: () => number) => T} make an input
 * @param {(input: T) => unknown} decode throws where something is wrong; a promise is awaited
 */
export async function tryOut(t, make, decode) {
  const end = performance.now() + LONG_S * 1000;
  let kept = Infinity;
  let inputs = 0;
  const used = () => {
    collect();
    return process.memoryUsage().heapUsed;
  };
  for (let seed = SEED * 1_000_000; inputs < INPUTS || performance.now() < end; seed += 1) {
    const input = make(randomOf(seed));
    const began = process.cpuUsage();
    try {
      await decode(input);
    } catch (err) {
      throw new Error(`seed ${seed}, input ${JSON.stringify(input)?.slice(0, 2000)}`, { cause: err });
    }
    const { user, system } = process.cpuUsage(began);
    const took = (user + system) / 1000;
    assert.ok(took < HANGS_MS, `seed ${seed} takes ${took} ms`);
    inputs += 1;
    if (inputs === INPUTS / 2) kept = used();
  }
  const more = used() - kept;
  assert.ok(more < MAY_KEEP, `${more} bytes more are kept after ${inputs} inputs`);
  t.diagnostic(`${inputs} inputs, ${Math.round(more / 1024)} KiB more kept`);
}
