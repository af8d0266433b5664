// What counts as a press, and above all what does not (hazards H12, H23).
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { newPress, newTwice, PRESS_MS, BRUSH_MS, WANDER_PX, BOUNCE_MS, LATE_MS, TWICE_MS } from '../press/recognise.js';

/** @typedef {import('../press/recognise.js').PressKind} PressKind */
/** @typedef {import('../press/recognise.js').TouchEvent} TouchEvent */
/** @typedef {(rnd: () => number, t: number, next: () => number, push: (e: TouchEvent) => void) => number} Source */

const KINDS = /** @type {PressKind[]} */ (Object.keys(PRESS_MS));

/**
 * @param {TouchEvent['type']} type
 * @param {number} id
 * @param {number} x
 * @param {number} y
 * @param {number} ms
 * @returns {TouchEvent}
 */
const at = (type, id, x, y, ms, inside = true) => ({ type, id, x, y, inside, at: ms });

/** @param {number} id @param {number} down */
const fired = (id, down) => ({ id, down_at: down, at: down + PRESS_MS.dry, keyboard: false });

/** A small generator, so that a failing run can be run again. @param {number} seed */
function dice(seed) {
  let s = seed >>> 0;
  return () => {
    s = (s + 0x6d2b79f5) >>> 0;
    let t = Math.imul(s ^ (s >>> 15), 1 | s);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

for (const kind of KINDS) {
  const ms = PRESS_MS[kind];
  test(`a ${kind} press counts at ${ms} ms with the finger still down, and not a millisecond before`, () => {
    const press = newPress({ kind });
    press.touch(at('down', 1, 50, 50, 1000));
    assert.equal(press.nextAt(), 1000 + ms);
    assert.equal(press.advance(1000 + ms - 1), null);
    assert.deepEqual(press.advance(1000 + ms), { id: 1, down_at: 1000, at: 1000 + ms, keyboard: false });
    assert.equal(press.advance(1000 + 10 * ms), null, 'one press counts once');
    assert.equal(press.nextAt(), null);
  });
}

test('the fill runs from nothing to full over the time of the press', () => {
  const press = newPress({ kind: 'pool' });
  assert.equal(press.fill(0), 0);
  press.touch(at('down', 1, 5, 5, 0));
  assert.equal(press.fill(125), 0.5);
  press.touch(at('up', 1, 5, 5, 130));
  assert.equal(press.fill(130), 0);
});

test('a press let go before its time is told as too short, a drop and a press that counted are not', () => {
  const press = newPress({ kind: 'pool' });
  assert.equal(press.short(0), false, 'nothing is down');
  press.touch(at('down', 1, 5, 5, 0));
  assert.equal(press.short(BRUSH_MS - 1), false, 'a drop');
  assert.equal(press.short(BRUSH_MS), true);
  assert.equal(press.short(PRESS_MS.pool - 1), true);
  assert.equal(press.short(PRESS_MS.pool), false);
  assert.ok(press.advance(PRESS_MS.pool));
  assert.equal(press.short(PRESS_MS.pool + 50), false, 'it counted');
  press.touch(at('up', 1, 5, 5, 400));
  press.touch(at('down', 2, 5, 5, 1000));
  press.setMeaning('a', 1010);
  assert.equal(press.short(1100), false, 'the meaning changed under the finger: that touch counts for nothing');
});

test('H23 letting go, cancel and a hidden page never count, however long the finger was down', () => {
  for (const kind of KINDS) {
    for (const end of /** @type {const} */ (['up', 'cancel', 'hidden'])) {
      for (const held of [PRESS_MS[kind] - 1, PRESS_MS[kind], PRESS_MS[kind] + 5000]) {
        const press = newPress({ kind });
        press.touch(at('down', 1, 50, 50, 0));
        if (end === 'hidden') press.drop();
        else press.touch(at(end, 1, 50, 50, held));
        assert.equal(press.advance(held), null, `${kind}, ${end} after ${held} ms`);
        assert.equal(press.advance(held + 60_000), null);
      }
    }
  }
});

test('H23 a lifting that waits behind a busy page is heard before the press is counted', () => {
  const press = newPress({ kind: 'dry' });
  press.touch(at('down', 1, 50, 50, 0));
  const late = PRESS_MS.dry + LATE_MS + 1;
  assert.equal(press.advance(late), null, 'first look after a stall counts nothing');
  press.touch(at('up', 1, 50, 50, 60));
  assert.equal(press.advance(late), null);
  press.touch(at('down', 2, 50, 50, 1000));
  assert.equal(press.advance(1000 + late), null);
  assert.equal(press.advance(1000 + late)?.down_at, 1000, 'a finger that really stayed counts at the second look');
});

test('H12 a touch must begin inside, stay inside and not wander', () => {
  const outside = newPress();
  outside.touch(at('down', 1, 5, 5, 0, false));
  outside.touch(at('move', 1, 6, 5, 10, true));
  assert.equal(outside.advance(5000), null, 'began outside');

  const left = newPress();
  left.touch(at('down', 1, 5, 5, 0));
  left.touch(at('move', 1, 6, 5, 10, false));
  left.touch(at('move', 1, 5, 5, 20, true));
  assert.equal(left.advance(5000), null, 'left and came back');

  const wandered = newPress();
  wandered.touch(at('down', 1, 50, 50, 0));
  wandered.touch(at('move', 1, 50 + WANDER_PX + 1, 50, 10));
  wandered.touch(at('move', 1, 50, 50, 20));
  assert.equal(wandered.advance(5000), null, 'wandered and came back');

  const steady = newPress();
  steady.touch(at('down', 1, 50, 50, 0));
  steady.touch(at('move', 1, 50 + WANDER_PX, 50, 10));
  assert.ok(steady.advance(PRESS_MS.dry), 'a wet finger may slip a little');
});

test('H12 drops elsewhere on the glass neither count nor block a press', () => {
  const press = newPress({ kind: 'pool' });
  press.touch(at('down', 7, 300, 10, 0, false));
  press.touch(at('down', 1, 50, 50, 100));
  press.touch(at('down', 8, 310, 20, 150, false));
  press.touch(at('up', 8, 310, 20, 160, false));
  press.touch(at('cancel', 7, 300, 10, 200, false));
  press.touch(at('down', 9, 80, 90, 300, true));
  assert.equal(press.advance(349), null);
  assert.equal(press.advance(350)?.down_at, 100);
  assert.equal(press.advance(5000), null, 'what else lay on the surface is spent with the press');
});

test('H12 a finger already down when the prompt appears does not count; the next touch does', () => {
  const press = newPress();
  press.setMeaning('look', 0);
  press.touch(at('down', 1, 50, 50, 100));
  press.setMeaning('tap now', 150);
  assert.equal(press.advance(10_000), null);
  press.touch(at('up', 1, 50, 50, 10_000));
  press.touch(at('down', 1, 50, 50, 10_200));
  assert.equal(press.advance(10_200 + PRESS_MS.dry)?.down_at, 10_200);
});

test('H12 the same meaning said again kills nothing', () => {
  const press = newPress();
  press.setMeaning('tap now', 0);
  press.touch(at('down', 1, 50, 50, 100));
  press.setMeaning('tap now', 150);
  assert.ok(press.advance(100 + PRESS_MS.dry));
});

test('H12 a trembling finger that loses contact for a moment is still the finger that was there before', () => {
  const press = newPress();
  press.setMeaning('wait', 0);
  press.touch(at('down', 1, 50, 50, 100));
  press.setMeaning('tap now', 200);
  press.touch(at('up', 1, 51, 50, 300));
  press.touch(at('down', 2, 52, 50, 300 + BOUNCE_MS));
  assert.equal(press.advance(9000), null);
  press.touch(at('up', 2, 52, 50, 9000));
  press.touch(at('down', 3, 52, 50, 9000 + BOUNCE_MS + 1));
  assert.ok(press.advance(9000 + BOUNCE_MS + 1 + PRESS_MS.dry));
});

test('a doubled press does not land on what the surface has just become', () => {
  const press = newPress({ kind: 'dry', dead_ms: 1000 });
  press.setMeaning('up', 0);
  press.touch(at('down', 1, 5, 5, 10));
  assert.ok(press.advance(10 + PRESS_MS.dry), 'no dead time before the first change');
  press.touch(at('up', 1, 5, 5, 200));
  press.setMeaning('take back', 200);
  press.touch(at('down', 2, 5, 5, 1199));
  assert.equal(press.advance(3000), null);
  press.touch(at('up', 2, 5, 5, 3000));
  press.touch(at('down', 3, 5, 5, 3100));
  assert.ok(press.advance(3100 + PRESS_MS.dry));
});

test('a surface that is switched off, or turned to another kind of press, drops what lies on it', () => {
  const press = newPress();
  press.touch(at('down', 1, 5, 5, 0));
  press.setEnabled(false);
  press.setEnabled(true);
  assert.equal(press.advance(5000), null);
  press.touch(at('up', 1, 5, 5, 5000));
  press.touch(at('down', 2, 5, 5, 6000));
  press.setKind('alarm');
  assert.equal(press.advance(9000), null);
  press.touch(at('up', 2, 5, 5, 9000));
  press.touch(at('down', 3, 5, 5, 9500));
  assert.equal(press.advance(10_499), null);
  assert.ok(press.advance(10_500), 'the alarm is lifted by a second');
});

test('a key presses at once, but an alarm is lifted only by holding it for a second', () => {
  const press = newPress({ kind: 'pool' });
  press.key('down', 100);
  assert.deepEqual(press.advance(100), { id: 'key', down_at: 100, at: 100, keyboard: true });
  press.key('down', 130);
  assert.equal(press.advance(200), null, 'a held key does not press again');
  press.key('up', 300);
  const alarm = newPress({ kind: 'alarm' });
  alarm.key('down', 0);
  assert.equal(alarm.advance(999), null);
  alarm.key('up', 999);
  assert.equal(alarm.advance(5000), null);
  alarm.key('down', 6000);
  assert.ok(alarm.advance(7000));
});

test('a press by help software counts at once, but not on a surface that is off or has just changed', () => {
  const press = newPress({ kind: 'alarm', dead_ms: 1000 });
  press.setMeaning('alarm', 0);
  assert.deepEqual(press.click(50), { id: 'key', down_at: 50, at: 50, keyboard: true });
  press.setMeaning('tap', 100);
  assert.equal(press.click(1099), null);
  assert.ok(press.click(1100));
  press.setEnabled(false);
  assert.equal(press.click(5000), null);
});

test('two touches of the diver within 1.5 s make one answer', () => {
  const twice = newTwice();
  assert.equal(twice.add(fired(1, 0)), false);
  assert.equal(twice.waiting(TWICE_MS), true);
  assert.equal(twice.waiting(TWICE_MS + 1), false);
  twice.ended(1, 200);
  assert.equal(twice.add(fired(2, TWICE_MS - PRESS_MS.dry)), true, '1.5 s still counts');
  assert.equal(twice.waiting(TWICE_MS), false);

  assert.equal(twice.add(fired(3, 10_000)), false);
  twice.ended(3, 10_200);
  assert.equal(twice.add(fired(4, 10_001 + TWICE_MS - PRESS_MS.dry)), false, 'a millisecond late is a first touch again');
  twice.ended(4, 11_600);
  assert.equal(twice.add(fired(5, 11_700)), true);
});

test('H12 two fingers lying on the diver\'s phone at once are no answer', () => {
  const twice = newTwice();
  assert.equal(twice.add(fired(1, 0)), false);
  assert.equal(twice.add(fired(2, 300)), false, 'the first still lies there');
  twice.ended(1, 500);
  assert.equal(twice.add(fired(3, 600)), false, 'the second still lies there');
  twice.ended(3, 800);
  assert.equal(twice.add(fired(4, 900)), true);
});

/**
 * Runs synthetic touches for `minutes` and gives back every press that fired.
 * Prompts change the meaning every 6 s, as in the final stage.
 * @param {{kind: PressKind, minutes: number, seed: number, sources: Source[]}} run
 */
function simulate({ kind, minutes, seed, sources }) {
  const rnd = dice(seed);
  const press = newPress({ kind });
  /** @type {import('../press/recognise.js').Fired[]} */
  const presses = [];
  const end = minutes * 60_000;
  let id = 0;
  /** @type {(TouchEvent | {type: 'meaning', at: number})[]} */
  const queue = [];
  for (const source of sources) {
    let t = rnd() * 1000;
    while (t < end) t = source(rnd, t, () => (id += 1), (e) => queue.push(e));
  }
  for (let t = 6000; t < end; t += 6000) queue.push({ type: 'meaning', at: t });
  queue.sort((a, b) => a.at - b.at);
  for (const e of queue) {
    for (let due = press.nextAt(); due !== null && due <= e.at; due = press.nextAt()) {
      const f = press.advance(due);
      if (f) presses.push(f);
    }
    if (e.type === 'meaning') press.setMeaning(String(e.at), e.at);
    else press.touch(e);
  }
  return { fired: presses, touches: id };
}

/** Splashes: many short contacts anywhere on the glass, in showers. @param {number} limit @returns {Source} */
const drops = (limit) => (rnd, t, next, push) => {
  const id = next();
  const [x, y] = [rnd() * 390, rnd() * 844];
  const inside = y > 422;
  const stays = 4 + rnd() ** 3 * (limit - 6);
  push(at('down', id, x, y, t, inside));
  push(at(rnd() < 0.3 ? 'cancel' : 'up', id, x, y, t + stays, inside));
  return t + (rnd() < 0.7 ? rnd() * 150 : rnd() * 4000);
};

/** Running drops: long contacts that slide down the surface. @type {Source} */
const runs = (rnd, t, next, push) => {
  const id = next();
  const x = 30 + rnd() * 330;
  let y = 430 + rnd() * 100;
  const speed = 0.15 + rnd() * 0.5;
  push(at('down', id, x, y, t, true));
  const lasts = 300 + rnd() * 1500;
  for (let s = 16; s < lasts; s += 16) {
    y += speed * 16;
    push(at('move', id, x + rnd() * 3, y, t + s, y < 844));
  }
  push(at('up', id, x, y, t + lasts, y < 844));
  return t + lasts + rnd() * 3000;
};

/**
 * A finger resting since before the surface had any meaning, trembling and losing contact now and then.
 * @param {number} x0
 * @param {number} y0
 * @returns {Source}
 */
const tremor = (x0, y0) => {
  let down = false;
  return (rnd, t, next, push) => {
    const id = next();
    const begin = down ? t : 0;
    down = true;
    push(at('down', id, x0 + rnd() * 6, y0 + rnd() * 6, begin, true));
    const lasts = 200 + rnd() * 8000;
    for (let s = 40; s < lasts; s += 40) push(at('move', id, x0 + rnd() * 14 - 7, y0 + rnd() * 14 - 7, begin + s, true));
    push(at('up', id, x0 + rnd() * 6, y0 + rnd() * 6, begin + lasts, true));
    return begin + lasts + 1 + rnd() * (BOUNCE_MS - 2);
  };
};

for (const kind of /** @type {PressKind[]} */ (['dry', 'pool', 'alarm'])) {
  test(`H12 thirty minutes of drops and tremor record nothing (${kind})`, () => {
    for (const seed of [1, 2, 3]) {
      const sources = [drops(PRESS_MS[kind] === 1000 ? 400 : PRESS_MS[kind])];
      if (kind !== 'dry') sources.push(runs);
      const { fired, touches } = simulate({ kind, minutes: 30, seed, sources });
      assert.ok(touches > 1000, `only ${touches} touches were made`);
      assert.deepEqual(fired, []);
    }
  });

  test(`H12 thirty minutes of a resting, trembling finger answer no prompt (${kind})`, () => {
    const { fired, touches } = simulate({ kind, minutes: 30, seed: 9, sources: [tremor(200, 600)] });
    assert.ok(touches > 100);
    // The finger lay down once: that one press came before any prompt.
    assert.ok(fired.length <= 1, `${fired.length} presses`);
    assert.ok(fired.every((f) => f.at < 6000));
  });
}

test('H12 thirty minutes of drops make no pair of touches on the diver\'s phone', () => {
  const { fired } = simulate({ kind: 'dry', minutes: 30, seed: 4, sources: [drops(PRESS_MS.dry), drops(PRESS_MS.dry)] });
  assert.deepEqual(fired, []);
});

test('the simulated finger of a person who means it is heard among the same drops', () => {
  /** @type {Source} */
  const finger = (rnd, t, next, push) => {
    const id = next();
    push(at('down', id, 200, 600, t, true));
    for (let s = 16; s < 400; s += 16) push(at('move', id, 200 + rnd() * 8 - 4, 600 + rnd() * 8 - 4, t + s, true));
    push(at('up', id, 200, 600, t + 400, true));
    return t + 5000;
  };
  const { fired } = simulate({ kind: 'pool', minutes: 10, seed: 5, sources: [drops(250), finger] });
  // One in every 5 s; a press across a change of meaning is rightly lost.
  assert.ok(fired.length > 100, `${fired.length} presses`);
});
