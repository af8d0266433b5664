// What the pages of a hold say: the slab's words are the state, and what a press on it means follows from them.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { foldEvents } from '../rules/fold.js';
import { statusAt } from '../rules/status.js';
import { holdFacts } from '../views/hold_facts.js';
import { liveSlab, recoverySlab } from '../views/slab_words.js';
import { alarmFace, onlookerFace } from '../views/alarm_words.js';
import { clockFault, deviceFault, faultLines, provenWords, soundFault } from '../views/hold_head.js';
import { diverWords } from '../views/diver_words.js';
import { stepAt, stepsFor } from '../views/incident_steps.js';
import { partWords } from '../views/siren.js';

const T0 = 1_790_000_000_000;
const HOLD = 'k7p2qabcde-h01';

/**
 * A hold planned for five minutes: easy to 0:40, struggle to 4:00.
 * @param {Record<string, any>} plan
 * @param {[string, number, object?, string?][]} events kind, seconds since the start, data, by
 */
function made(plan, events) {
  let n = 0;
  const event = (/** @type {string} */ kind, /** @type {number} */ s, /** @type {object} */ data = {}, by = 'buddy') => {
    n += 1;
    return { id: `k7p2qabcde-${String(n).padStart(6, '0')}`, hold: HOLD, kind, at: T0 + Math.round(s * 1000), by, data };
  };
  const all = [
    event('plan', -60, { diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 300, onset_s: 40, cadence: 'standard', ...plan }),
    event('start', 0),
    ...events.map(([kind, s, data, by]) => event(kind, s, data, by)),
  ];
  return foldEvents(HOLD, /** @type {any} */ (all));
}

/**
 * @param {ReturnType<typeof made>} hold
 * @param {number} s
 * @param {object} [more]
 */
function factsAt(hold, s, more = {}) {
  const now = T0 + Math.round(s * 1000);
  const frame = /** @type {any} */ ({ now, hold, status: statusAt(hold, now), take_back: [], ...more });
  const facts = holdFacts(frame, { quiet: true });
  assert.ok(facts);
  return facts;
}

/** @param {ReturnType<typeof made>} hold @param {number} s @param {object} [more] */
const live = (hold, s, more) => liveSlab(factsAt(hold, s, more));
/** @param {ReturnType<typeof made>} hold @param {number} s @param {object} [more] */
const alarm = (hold, s, more) => alarmFace(factsAt(hold, s, more));

test('in easy the slab counts to a look, and a look is one press in either setting', () => {
  for (const setting of ['dry', 'pool']) {
    const hold = made({ setting }, []);
    const waits = live(hold, 13);
    assert.deepEqual([waits.tone, waits.label, waits.count, waits.press?.record], ['wait', ['next', 'look in'], '0:17', 'look']);
    const due = live(hold, 30);
    assert.deepEqual([due.tone, due.words.join(' '), due.icon, due.press?.record], ['prompt', 'LOOK AT THEM', 'lens', 'look']);
    assert.equal(live(hold, 38).words.join(' '), 'LOOK AGAIN');
  }
});

test('dry: press as you tap, press again when they answer', () => {
  const quiet = made({}, [['look', 30]]);
  const now = live(quiet, 60);
  assert.deepEqual([now.words.join(' '), now.hint.join(' '), now.press?.record], ['TAP NOW', 'press as you tap', 'asked']);
  const asked = made({}, [['look', 30], ['asked', 61]]);
  const waits = live(asked, 62.2);
  assert.deepEqual([waits.tone, waits.label.join(' '), waits.count, waits.press?.record], ['asked', 'press when they answer', '1.2', 'answered']);
  const again = live(asked, 67);
  assert.deepEqual([again.words.join(' '), again.hint.join(' '), again.press?.record], ['TAP AGAIN', 'and call them', 'asked']);
  const second = made({}, [['look', 30], ['asked', 60.4], ['asked', 66.6]]);
  assert.equal(live(second, 66.9).tone, 'asked-again');
});

test('pool: one press, on seeing the answer', () => {
  const hold = made({ setting: 'pool' }, [['look', 30]]);
  const due = live(hold, 60);
  assert.deepEqual([due.words.join(' '), due.hint.join(' '), due.press], ['TAP NOW', 'press when they answer', { record: 'answered', kind: 'pool' }]);
  const another = made({ setting: 'pool' }, [['look', 30], ['asked', 61]]);
  assert.equal(live(another, 62).press?.record, 'answered', 'a tap by somebody else does not ask for two presses here');
});

test('a look asked for in easy is a tap once easy is over, because a look would prove nothing', () => {
  const hold = made({}, [['look', 5]]);
  assert.equal(live(hold, 36).words.join(' '), 'LOOK AT THEM');
  assert.deepEqual([live(hold, 40.5).words.join(' '), live(hold, 40.5).press?.record], ['TAP NOW', 'asked']);
});

test('a tap given long before the prompt is asked for anew', () => {
  const fresh = made({}, [['look', 38], ['asked', 60]]);
  assert.equal(live(fresh, 68).press?.record, 'answered');
  const stale = made({}, [['look', 38], ['asked', 57]]);
  assert.deepEqual([live(stale, 68).words.join(' '), live(stale, 68).press?.record], ['TAP NOW', 'asked']);
});

test('H12 what a press means changes at a rung and never with the running digits', () => {
  const hold = made({}, [['look', 30]]);
  assert.equal(live(hold, 41).meaning, live(hold, 59.9).meaning);
  assert.notEqual(live(hold, 59.9).meaning, live(hold, 60).meaning);
  assert.notEqual(live(hold, 60).meaning, live(hold, 66).meaning);
  const asked = made({}, [['look', 30], ['asked', 61]]);
  assert.equal(live(asked, 61.1).meaning, live(asked, 66.9).meaning);
});

test('CHECK THEM NOW where nobody has asked since the prompt, NO ANSWER where somebody has', () => {
  const silent = made({ setting: 'pool' }, [['look', 30]]);
  assert.deepEqual(alarm(silent, 71)?.big, ['CHECK', 'THEM', 'NOW']);
  const pool = made({ setting: 'pool' }, [['look', 30], ['asked', 62]]);
  assert.deepEqual([alarm(pool, 71)?.head, alarm(pool, 71)?.big.join(' ')], ['NO ANSWER', 'BRING THEM UP']);
  const dry = made({}, [['look', 30], ['asked', 62]]);
  assert.deepEqual([alarm(dry, 71)?.big.join(' '), alarm(dry, 71)?.steps[0]], ['OPEN THE AIRWAY', 'CALL THEIR NAME']);
  const before = made({ setting: 'pool' }, [['look', 30], ['asked', 55]]);
  assert.deepEqual(alarm(before, 71)?.big, ['CHECK', 'THEM', 'NOW'], 'a tap before the prompt is none since');
  assert.equal(alarm(silent, 71)?.left?.kind, 'alarm', 'they answered takes a second (H12)');
});

test('H07 no answer, and grave signs, leave no key that an answer could press', () => {
  for (const [kind, data, head] of /** @type {[string, object, string][]} */ ([
    ['no-answer', {}, 'NO ANSWER'], ['sign', { what: 'limp' }, 'LIMP'], ['sign', { what: 'air' }, 'AIR'], ['sign', { what: 'shaking' }, 'SHAKING'],
  ])) {
    const hold = made({ setting: 'pool' }, [[kind, 20, data]]);
    const face = alarm(hold, 21);
    assert.deepEqual([face?.head, face?.big.join(' '), face?.left, face?.right?.record], [head, 'BRING THEM UP', null, 'surfaced']);
    const own = { id: 'k7p2qabcde-000003', kind, at: T0 + 20_000, left_ms: 9000 };
    const mine = alarm(hold, 21, { take_back: [own] });
    assert.deepEqual([mine?.left?.does, mine?.left?.target, mine?.left?.kind], ['take-back', own.id, 'alarm']);
  }
});

test('H26 at the agreed end the slab says so, then the whole screen does, and answers do not stop it', () => {
  const taps = [60, 84, 90, 96, 102, 108, 114, 120, 126, 132].map((s) => /** @type {[string, number]} */ (['answered', s]));
  const hold = made({ setting: 'pool', planned_s: 120, longest_s: 90, end_by_s: 130 }, [['look', 30], ...taps]);
  const due = live(hold, 130);
  assert.deepEqual([due.head, due.words.join(' '), due.press], ['AGREED END', 'BRING THEM UP', { record: 'surfaced', kind: 'up' }]);
  assert.equal(live(hold, 134).tone, 'again');
  const face = alarm(hold, 138);
  assert.deepEqual([face?.head, face?.big.join(' '), face?.left], ['AGREED END', 'BRING THEM UP', null]);
  const ended = made({ setting: 'pool' }, [['end-hold', 10, {}, 'instructor']]);
  assert.equal(live(ended, 11).head, 'HOLD ENDED');
  assert.equal(alarm(ended, 18)?.head, 'HOLD ENDED');
});

test('a hold that is ended in an alarm says at once that the diver is to come up', () => {
  const ended = made({ setting: 'pool' }, [['look', 30], ['end-hold', 72, {}, 'instructor']]);
  assert.equal(alarm(ended, 71.9)?.head, 'NOT CHECKED');
  for (const seconds of [72, 76, 80]) { // prompt, again, alarm
    const face = alarm(ended, seconds);
    assert.deepEqual([face?.head, face?.big.join(' '), face?.left?.record, face?.right?.record], ['HOLD ENDED', 'BRING THEM UP', 'answered', 'surfaced']);
    assert.deepEqual([onlookerFace(face, true)?.big.join(' '), onlookerFace(face, true)?.left], ['BRING THEM UP', null]);
  }
  const asked = made({}, [['look', 30], ['asked', 62], ['end-hold', 72, {}, 'instructor']]);
  assert.equal(alarm(asked, 73)?.big.join(' '), 'OPEN THE AIRWAY', 'no answer is graver');
  // The same where the alarm goes on that late events ended.
  const kept = alarm(made({}, [['look', 30], ['answered', 60], ['end-hold', 64, {}, 'instructor']]), 65, { kept: { at: 1, began: 1 } });
  assert.deepEqual([kept?.head, kept?.big.join(' '), kept?.left?.does, kept?.right?.record], ['HOLD ENDED', 'BRING THEM UP', 'quiet', 'surfaced']);
  // By plan the second rung of the agreed end is not the hold's early end.
  const planned = made({ setting: 'pool', planned_s: 120, longest_s: 90, end_by_s: 130 }, [['look', 30], ['answered', 110]]);
  assert.deepEqual([130, 134, 138].map((s) => alarm(planned, s)?.head), ['AGREED END', 'AGREED END', 'AGREED END']);
});

test('H10 a page that was away asks for a look at once', () => {
  const hold = made({}, [['look', 30], ['asked', 61], ['answered', 62]]);
  const face = live(hold, 70, { away: { ms: 12_000, at: T0 + 70_000 } });
  assert.deepEqual([face.words.join(' '), face.soft, face.press?.record], ['LOOK AT THEM', 'away 0:12', 'look']);
});

test('after surfacing: OK sign, looks, and no end before it is unlocked (H13)', () => {
  const up = /** @type {[string, number][]} */ ([['look', 30], ['answered', 60], ['surfaced', 70]]);
  const slab = (/** @type {[string, number][]} */ events, /** @type {number} */ s) => recoverySlab(factsAt(made({}, events), s));
  assert.deepEqual([slab(up, 72).label.join(' '), slab(up, 72).count, slab(up, 72).press?.record], ['OK sign within', '0:13', 'ok']);
  assert.deepEqual([slab(up, 78).words.join(' '), slab(up, 78).soft], ['OK SIGN?', '0:07 left']);
  const face = alarm(made({}, up), 86);
  assert.deepEqual([face?.head, face?.left?.record, face?.right?.record], ['NO OK SIGN', 'ok', 'incident']);
  /** @type {[string, number][]} */
  const ok = [...up, ['ok', 75]];
  assert.deepEqual(slab(ok, 76).label, ['next', 'look in']);
  assert.equal(slab(ok, 85).words.join(' '), 'LOOK AT THEM');
  assert.equal(alarm(made({}, ok), 94)?.head, 'NO LOOK');
  /** @type {[string, number][]} */
  const seen = [...ok, ['look', 85], ['look', 92], ['look', 100], ['look', 115], ['look', 130]];
  assert.notEqual(slab(seen, 129).press?.record, 'watch-ended');
  assert.equal(slab(seen, 131).press?.record, 'watch-ended');
});

test('on the diver’s phone and on a siren nothing lifts an alarm', () => {
  const face = alarm(made({}, [['look', 30]]), 71);
  assert.deepEqual([onlookerFace(face, true)?.left, onlookerFace(face, true)?.right?.record], [null, 'incident']);
  assert.equal(onlookerFace(face, false)?.right, null);
  const kept = alarm(made({}, [['look', 30], ['answered', 60]]), 65, { kept: { at: 1, began: 1 } });
  assert.equal(onlookerFace(kept, false)?.left?.does, 'quiet');
});

test('a siren that cannot be heard does not say that it sounds anything', () => {
  const voice = { takes: true };
  const sound = { state: 'proven', words: '' };
  assert.equal(partWords({ sound, voice }), 'sounds every prompt now');
  assert.equal(partWords({ sound: { ...sound, state: 'fault', needs_touch: false }, voice }), 'sounds every prompt now');
  for (const silent of [{ state: 'off', words: '' }, { state: 'fault', words: '', needs_touch: true }]) {
    for (const takes of [true, false]) assert.match(partWords({ sound: silent, voice: { ...voice, takes } }), /cannot be heard/);
  }
});

test('H25 the diver’s phone asks for a touch only after a tap, and takes none in the pool', () => {
  const here = { first: false, takes: false };
  const asked = made({}, [['look', 30], ['asked', 61]]);
  assert.deepEqual([diverWords(factsAt(asked, 62), here).asked, diverWords(factsAt(asked, 62), here).big], [true, 'TOUCH']);
  assert.equal(diverWords(factsAt(asked, 71), here).asked, true, '10.000 s still counts');
  assert.equal(diverWords(factsAt(asked, 71.001), here).asked, false);
  const pool = diverWords(factsAt(made({ setting: 'pool' }, [['asked', 50]]), 51), here);
  assert.deepEqual([pool.touch, pool.asked], [false, false]);
  assert.match(pool.lines.join(' '), /cannot answer/);
});

test('the card of an incident moves on by time; a tick brings the next step sooner and never back', () => {
  for (const dry of [true, false]) {
    const steps = stepsFor(dry);
    steps.forEach((step, i) => {
      assert.equal(stepAt(steps, step.from_ms, new Set()), i);
      if (i > 0) assert.equal(stepAt(steps, step.from_ms - 1, new Set()), i - 1);
      assert.equal(stepAt(steps, step.from_ms, new Set([steps[0].what])), Math.max(i, 1));
    });
    assert.equal(stepAt(steps, 9_999_999, new Set(steps.map((s) => s.what))), steps.length - 1);
    assert.match(JSON.stringify(steps), /trained/, 'the words defer to training');
  }
});

test('H15 nothing says that going on is safe, and nothing praises', () => {
  /** @type {Set<string>} */
  const said = new Set();
  const up = [['look', 30], ['answered', 60], ['surfaced', 70]];
  const stories = [
    [], [['look', 30]], [['look', 30], ['asked', 61]], [['look', 30], ['asked', 61], ['answered', 62]], [['no-answer', 20]],
    [['sign', 20, { what: 'limp' }]], [['end-hold', 10]], up, [...up, ['ok', 75]], [...up, ['ok', 75], ['look', 85], ['look', 92], ['look', 100], ['look', 115], ['look', 130]],
  ];
  for (const setting of ['dry', 'pool']) {
    for (const story of stories) {
      const hold = made({ setting, planned_s: 120, longest_s: 90, end_by_s: 130 }, /** @type {any} */ (story));
      for (let s = 0; s <= 160; s += 1) {
        const facts = factsAt(hold, s);
        const face = facts.status.phase === 'hold' ? liveSlab(facts) : recoverySlab(facts);
        const red = alarmFace(facts);
        for (const words of [face.words, face.label, face.hint, [face.soft, face.head], red?.big, red?.steps, [red?.head], diverWords(facts, { first: false, takes: true }).lines]) {
          for (const line of words ?? []) said.add(String(line));
        }
        const loud = `${face.head} ${face.words.join(' ')}`.trim();
        assert.ok(loud.split(/\s+/).length <= 5, `at most five words: ${loud}`);
        assert.equal(loud, loud.toUpperCase(), 'capitals are a signal');
      }
    }
  }
  for (const dry of [true, false]) said.add(JSON.stringify(stepsFor(dry)));
  assert.ok(said.size > 40);
  for (const line of said) assert.doesNotMatch(line, /\b(safe|safely|fine|good|great|well|done|bravo|perfect|relax|keep going)\b/i);
});

test('H04 the sound is always told: how long ago it was proven, or what is amiss', () => {
  assert.equal(provenWords({ state: 'proven', words: '', proven_at: T0 }, T0 + 59_999), 'sound proven');
  assert.equal(provenWords({ state: 'proven', words: '', proven_at: T0 }, T0 + 4 * 60_000), 'sound proven 4 min ago');
  for (const [state, words, said] of [
    ['unproven', '', 'sound not proven'], ['off', '', 'sound off: touch'], ['fault', 'Sound stands still', 'sound stands still'],
  ]) {
    assert.equal(provenWords({ state, words }, T0), '');
    assert.equal(soundFault({ state, words }), said);
  }
});

test('H03 H04 H06 the other phones say what of the buddy\'s phone is amiss, gravest first', () => {
  const buddy = (/** @type {object} */ state, age_ms = 0) => ({ device: 'b', role: 'buddy', name: 'Odo', age_ms, state });
  const fit = { visible: true, sound: 'proven', doubt_ms: 4 };
  assert.equal(deviceFault(buddy(fit)), '');
  assert.equal(deviceFault(buddy(fit, 3001)), 'Odo’s phone: not live 0:03');
  assert.equal(deviceFault(buddy({ ...fit, visible: false })), 'Odo’s phone: page hidden');
  assert.equal(deviceFault(buddy({ ...fit, sound: 'fault' })), 'Odo’s phone: sound not proven');
  assert.equal(deviceFault(buddy({ ...fit, doubt_ms: 251 })), 'Odo’s phone: its clock may be off');
  assert.equal(deviceFault(buddy({ ...fit, doubt_ms: null })), '', 'a phone alone is its own clock');
});

test('H06 a clock that may be far off is a fault on its own phone', () => {
  assert.equal(clockFault({ fault: false, words: 'clock within 5 ms' }), '');
  assert.equal(clockFault({ fault: true, words: 'clock within 0.4 s' }), 'clock within 0.4 s');
  const frame = /** @type {any} */ ({
    sound: { state: 'proven', words: '' }, present: [], me: { device: 'b' }, clock: { fault: true, words: 'clock runs on, unchecked' },
  });
  assert.deepEqual(faultLines(frame, ''), ['clock runs on, unchecked']);
  assert.deepEqual(faultLines({ ...frame, sound: { state: 'off', words: '' } }, 'not recorded'), ['not recorded', 'sound off: touch']);
  assert.deepEqual(faultLines({ ...frame, several: true }, ''), ['two holds run: end the one that is not true', 'clock runs on, unchecked']);
});
