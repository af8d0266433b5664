// Ensures the plain reckoning behind the sheets: the countdown, the charts' scales, codes and guard words.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { CAUTIONS, GRACE_MS, breathing, countdownAt } from '../app/countdown.js';
import { answerScale, msAt, valueScale, windowLine } from '../app/scales.js';
import { codeProblem, joinProblem, likelyRole, nameProblem, pairWords, spacedCode, tidyCode } from '../app/join_form.js';
import { guardKey, guardWords } from '../app/guard_words.js';
import { boundariesOf } from '../rules/cadence.js';
import { readPlan } from '../rules/plan.js';

const NOON = new Date(2026, 4, 12, 12).getTime();

test('the countdown comes from the clock: before zero, at zero, and 15 s after it', () => {
  const at = (/** @type {number} */ ms) => countdownAt({ begun_at: NOON - 180_000, zero_at: NOON, now: NOON + ms });
  assert.deepEqual(at(-48_000), { elapsed_ms: 132_000, to_zero_ms: 48_000, after_ms: null, starts_in_ms: null, tape: true });
  assert.equal(at(-66_000).tape, false);
  assert.equal(at(-1).to_zero_ms, 1);
  assert.deepEqual([at(0).to_zero_ms, at(0).after_ms, at(0).starts_in_ms], [null, 0, GRACE_MS]);
  assert.equal(at(14_999).starts_in_ms, 1);
  assert.equal(at(15_000).starts_in_ms, 0);
  assert.equal(countdownAt({ begun_at: null, zero_at: null, now: NOON }).to_zero_ms, null);
});

test('the signal check gives a usual answer time; a breathe-up that was stopped begins anew', () => {
  const up = (/** @type {number} */ at, /** @type {any} */ data) => ({ kind: 'breathe-up', at, data });
  const asked = { kind: 'asked', at: 2000 };
  assert.equal(breathing([up(1000, { zero_at: 9000 })]).begun_at, 1000);
  assert.equal(breathing([up(1000, { zero_at: 9000 }), up(3000, { zero_at: 12_000 })]).begun_at, 1000, 'more time is no new beginning');
  assert.equal(breathing([up(1000, { zero_at: 9000 }), up(3000, { stop: true }), up(5000, { zero_at: 20_000 })]).begun_at, 5000);
  assert.equal(breathing([asked]).asked_at, 2000);
  const done = breathing([asked, { kind: 'answered', at: 2840, data: { took_ms: 840 } }]);
  assert.deepEqual([done.asked_at, done.took_ms, done.answered], [null, 840, true]);
  assert.equal(breathing([asked, { kind: 'start', at: 3000 }, { kind: 'answered', at: 4000 }]).answered, false);
});

test('the cautions say never alone and defer to training, and nothing calls a hold safe', () => {
  const all = CAUTIONS.flat().join(' ');
  for (const word of ['never alone', 'no more holds that day', 'training', 'local rules', 'not a medical device']) assert.ok(all.includes(word), word);
  assert.ok(!/\bsafe\b|\bfine\b|well done/i.test(all));
});

test('answers are drawn at 21 px a second until the slowest would not fit', () => {
  assert.deepEqual(answerScale(6000), { pxPerSecond: 21, height: 126, lines_s: [2, 4, 6] });
  const slow = answerScale(30_000);
  assert.ok(slow.height <= 136 && slow.pxPerSecond < 21);
  assert.ok(slow.lines_s.every((s) => s <= 30) && slow.lines_s.length > 0);
  assert.equal(answerScale(0).height, 42);
});

test('the window line follows the rules: flat in struggle, a step and a glide in late, flat in final', () => {
  const plan = readPlan({ planned_s: 300, onset_s: 150, longest_s: 268, cadence: 'standard' });
  assert.ok(plan);
  const bounds = boundariesOf(plan, { contraction: null, late: null, final: null });
  const line = windowLine('standard', bounds, 280_000);
  assert.deepEqual(line[0], { t: 150_000, ms: 6000 });
  assert.deepEqual(line.find((p) => p.t === bounds.late_at), { t: 214_400, ms: 5000 });
  assert.deepEqual(line.at(-1), { t: 280_000, ms: 4000 });
  assert.ok(line.every((p, i) => i === 0 || p.t > line[i - 1].t));
  assert.deepEqual(windowLine('standard', bounds, 100_000), [], 'no taps, no window');
});

test('readings fill their height without blowing up a wobble', () => {
  assert.deepEqual(valueScale([97, 78], 57, 3), { foot: 78, px: 3 });
  assert.deepEqual(valueScale([98, 97], 57, 3), { foot: 97, px: 3 });
  assert.equal(valueScale([100, 40], 60, 3).px, 1);
  assert.equal(valueScale([97], 57, 3).px, 3);
});

test('a touch on the tape is an instant of it in whole seconds, held inside its ends', () => {
  const x = (/** @type {number} */ ms) => 14 + ms * 0.001;
  assert.equal(msAt(14, x, 300_000), 0);
  assert.equal(msAt(114.4, x, 300_000), 100_000);
  assert.equal(msAt(-20, x, 300_000), 0);
  assert.equal(msAt(900, x, 300_000), 300_000);
});

test('a typed code is read as the server wrote it', () => {
  assert.equal(tidyCode(' k7p-2qo '), 'K7P2Q0');
  assert.equal(tidyCode('ilil oo'), '111100');
  assert.equal(codeProblem('k7p 2qx'), null);
  assert.match(String(codeProblem('k7p')), /3 of 6/);
  assert.match(String(codeProblem('')), /6 characters/);
  assert.match(String(codeProblem('k7p2q!')), /letters and figures/);
  assert.equal(spacedCode('K7P2QX'), 'K7P 2QX');
});

test('joining proposes the role that is missing and asks for a name', () => {
  const pair = { pair: 'p1', number: 2, diver: 'Ansa', buddy: 'Odo', devices: [{ device: 'd', role: 'buddy', name: 'Odo' }] };
  assert.equal(likelyRole(null), 'buddy');
  assert.equal(likelyRole(pair), 'diver');
  assert.equal(likelyRole({ ...pair, devices: [] }), 'buddy');
  assert.equal(pairWords(pair), '2  Ansa / Odo');
  assert.equal(pairWords({ pair: 'p', number: 3, devices: [] }), '3  no names yet');
  assert.equal(nameProblem('', 'siren'), null);
  assert.ok(nameProblem(' ', 'buddy'));
  assert.ok(nameProblem('x'.repeat(81), 'diver'));
  assert.match(joinProblem({ code: 'bad-code' }), /10 minutes/);
  assert.equal(joinProblem({ code: 'other', reason: 'The pair is full.' }), 'The pair is full.');
});

test('H19 each guard offers the careful way filled, and "go on" only under a name', () => {
  const sheet = { planned_s: 300, buddy: 'Odo', now_ms: NOON };
  const over = guardWords({ what: 'over-longest', hard: false, source: 'log', percent: 12, suggest_s: 294 }, sheet);
  assert.deepEqual(over.lines, ['5:00 is 12 % over', 'the longest clean hold']);
  assert.deepEqual(over.fill, { act: 'plan', text: 'plan 4:54' });
  assert.deepEqual(over.outline, { act: 'go-on', text: 'Odo: go on' });
  for (const what of /** @type {const} */ (['running', 'verdict', 'blocked', 'buddy-blocked'])) {
    const words = guardWords({ what, hard: true, source: 'log', who: 'Ansa', hold: 'h-01', until_ms: NOON + 13 * 3_600_000 }, sheet);
    assert.equal(words.outline, null, what);
    assert.ok(words.fill);
  }
  const blocked = guardWords({ what: 'blocked', hard: true, source: 'common practice', who: 'Ansa', until_ms: NOON + 13 * 3_600_000 }, sheet);
  assert.match(blocked.lines.join(' '), /no more holds today.*doctor/);
});

test('H19 a "go on" lapses when the plan or the people change', () => {
  const sheet = { planned_s: 300, longest_s: 268, diver: 'Ansa', buddy: 'Odo' };
  const guard = { what: /** @type {const} */ ('over-longest'), hard: false, source: /** @type {const} */ ('log') };
  const key = guardKey(guard, sheet);
  assert.equal(guardKey(guard, { ...sheet }), key);
  for (const change of [{ planned_s: 301 }, { longest_s: 240 }, { diver: 'Odo', buddy: 'Ansa' }]) {
    assert.notEqual(guardKey(guard, { ...sheet, ...change }), key);
  }
});
