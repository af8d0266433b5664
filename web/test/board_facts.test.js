// One row of the board: its rank, its words, and that a pair that is not live never looks live (H05, H14).
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { newBoardVoice } from '../sound/board.js';
import { rowFacts, tooMany } from '../app/board_facts.js';
import { newOrder, RANK } from '../app/board_order.js';
import { canGo, finalsTogether, groupOf, isCounting } from '../app/board_group.js';
import { askWords } from '../app/board_offers.js';
import { seriesData, stepsOf } from '../app/board_series.js';
import { outingSummary } from '../app/board_summary.js';
import { anyFault, heardPairs } from '../app/board_voice.js';
import { goingWords, manyWords, rowWords } from '../app/board_words.js';
import { isCalledOff } from '../app/going.js';
import { opensBoard } from '../app/access.js';
import { newerPlace, newTold } from '../app/told.js';
import { holdWith, START } from './rules_helper.js';

const PLAN = { diver: 'Ansa', buddy: 'Odo', setting: 'pool', planned_s: 240, cadence: 'standard' };
const FIT = { visible: true, sound: 'proven', battery: 80, doubt_ms: 4, hold: 'test-h01' };

/**
 * @param {string} role
 * @param {number} age_ms
 * @param {object} [state]
 */
const device = (role, age_ms = 200, state = FIT) => ({ device: `${role}1`, role, name: role === 'buddy' ? 'Odo' : '', age_ms, state });

/**
 * @param {ReturnType<typeof holdWith>} h
 * @param {number} t ms since the start
 * @param {Partial<import('../app/board_facts.js').BoardPair>} [over]
 */
const row = (h, t, over = {}) =>
  rowFacts({ pair: 'p1', number: 1, hold: h.hold, newest_plan: null, present: [device('buddy')], lost_ms: 0, ...over }, START + t);

/** A hold that has started, with looks up to 1:00. */
function held() {
  const h = holdWith(PLAN);
  h.add('start', 0);
  h.add('look', 30_000);
  h.add('look', 60_000);
  return h;
}

test('ranks through a hold: calm, prompt, again, alarm, up without OK, watch', () => {
  const h = held();
  assert.equal(row(h, 70_000).rank, RANK.hold);
  assert.equal(row(h, 90_000).rank, RANK.prompt);
  assert.equal(row(h, 98_000).rank, RANK.again);
  assert.equal(row(h, 105_000).rank, RANK.alarm);
  assert.equal(row(h, 105_000).since, START + 105_000);
  h.add('answered', 106_000);
  assert.equal(row(h, 107_000).rank, RANK.hold === row(h, 107_000).rank ? RANK.hold : RANK.tight);
  h.add('surfaced', 120_000);
  assert.equal(row(h, 121_000).rank, RANK.surfaced);
  h.add('ok', 124_000);
  assert.equal(row(h, 125_000).rank, RANK.watch);
  assert.equal(rowWords(row(h, 125_000)).main, 'watch');
});

/** What stands beside the signal. @param {ReturnType<typeof row>} r */
const beside = (r) => [rowWords(r).lead, rowWords(r).sub];

test('up without an OK is marked until the OK, an alarm, or silence', () => {
  const h = held();
  const up = (/** @type {number} */ at, /** @type {object} */ over = {}) => rowWords(row(h, at, over)).up;
  assert.equal(up(69_000), false);
  h.add('surfaced', 70_000);
  assert.equal(up(71_000), true);
  assert.equal(up(71_000, { present: [device('buddy', 9000)] }), false, 'not live looks not live');
  assert.deepEqual([rowWords(row(h, 86_000)).tone, up(86_000)], ['alarm', false]);
  h.add('ok', 87_000);
  assert.equal(up(88_000), false);
});

test('words: as on the pair\'s own phones', () => {
  const h = held();
  assert.equal(rowWords(row(h, 70_000)).main, 'next look 0:20');
  assert.deepEqual(beside(row(h, 70_000)), ['easy, silence 0:10', '']);
  const none = holdWith(PLAN);
  none.add('start', 0);
  assert.deepEqual(beside(row(none, 20_000)), ['easy, silence 0:20', ''], 'silence is told from the start on');
  const up = held();
  up.add('surfaced', 70_000);
  assert.deepEqual(beside(row(up, 78_000)), ['alarm in 0:07', 'hold 1:10']);
  assert.equal(rowWords(row(h, 70_000)).clock, '1:10');
  assert.equal(rowWords(row(h, 90_000)).main, 'look due');
  assert.deepEqual(beside(row(h, 90_000)), ['easy, alarm in 0:15', 'silence 0:30']);
  assert.equal(rowWords(row(h, 98_000)).main, 'LOOK AGAIN');
  assert.equal(rowWords(row(h, 105_000)).main, 'CHECK THEM');
  assert.deepEqual(beside(row(h, 105_000)), ['silence 0:45', 'easy']);
  h.add('asked', 99_000);
  assert.equal(rowWords(row(h, 130_000)).main, 'NO ANSWER');
  h.add('incident', 131_000, { what: 'lmc' });
  assert.equal(rowWords(row(h, 132_000)).main, 'LMC');
  assert.equal(rowWords(row(h, 132_000)).lead, 'nobody is with them yet');
  h.add('with-them', 133_000);
  assert.equal(rowWords(row(h, 134_000)).lead, 'somebody is with them');
  assert.equal(row(h, 134_000).rank, RANK.alarm, 'the board stays full (H24)');
});

test('H24 an incident that somebody is at stays full on the board, until another pair needs somebody', () => {
  const h = held();
  h.add('incident', 70_000, { what: 'lmc' });
  h.add('with-them', 72_000);
  const t = 110_000;
  const soundsOf = (/** @type {ReturnType<typeof row>[]} */ rows) =>
    newBoardVoice().plan(heardPairs(rows, false), START + t, { speaks: true, fault_at: null }).filter((i) => i.pair === 'p1').map((i) => [i.sound, i.at - START - t]);
  assert.deepEqual(soundsOf([row(h, t)]).slice(0, 2), [['alarm', 0], ['alarm', 5000]]);
  const other = { ...row(held(), t), pair: 'p2', number: 2 };
  assert.deepEqual(new Set(soundsOf([row(h, t), other]).map(([sound]) => sound)), new Set(['call']));
});

test('an alarm says why: what was pressed, else that they are to come up', () => {
  for (const [kind, data, says] of /** @type {[string, Record<string, unknown> | undefined, string][]} */ ([
    ['no-answer', undefined, 'NO ANSWER'], ['sign', { what: 'limp' }, 'LIMP'], ['sign', { what: 'shaking' }, 'SHAKING'], ['sign', { what: 'air' }, 'AIR'],
  ])) {
    const h = held();
    h.add(kind, 70_000, data);
    assert.equal(rowWords(row(h, 70_500)).main, says);
  }
  const ended = held();
  ended.add('end-hold', 70_000, undefined, { by: 'instructor', device: 'board' });
  assert.equal(rowWords(row(ended, 78_500)).main, 'BRING THEM UP');
});

test('a hold that is ended in an alarm says so at once', () => {
  const h = held();
  assert.equal(rowWords(row(h, 105_000)).main, 'CHECK THEM');
  h.add('end-hold', 106_000, undefined, { by: 'instructor', device: 'board' });
  assert.equal(rowWords(row(h, 106_000)).main, 'BRING THEM UP');
  const kept = held();
  kept.add('end-hold', 70_000, undefined, { by: 'instructor', device: 'board' });
  const r = row(kept, 70_500, { kept_at: START + 69_000 });
  assert.deepEqual([r.kept, rowWords(r).main], [true, 'BRING THEM UP']);
});

test('trouble stays beside the calm words that follow it', () => {
  for (const [what, says] of [['unknown', 'trouble'], ['lmc', 'LMC'], ['blackout', 'passed out']]) {
    const h = held();
    h.add('incident', 80_000, { what: 'unknown' });
    h.add('incident', 81_000, { what });
    h.add('surfaced', 82_000);
    h.add('recovered', 95_000);
    assert.deepEqual([rowWords(row(h, 96_000)).main, rowWords(row(h, 96_000)).lead], ['watch', `${says}, hold 1:22`]);
    h.add('watch-ended', 400_000, { forced: true });
    assert.deepEqual([rowWords(row(h, 401_000)).main, rowWords(row(h, 401_000)).lead], ['rest', `${says}, hold 1:22`]);
  }
});

test('not live: nothing runs, it says for how long and in which stage it was last seen', () => {
  const h = held();
  for (const [over, silent] of /** @type {[object, number][]} */ ([[{ present: [device('buddy', 9000)] }, 9000], [{ lost_ms: 9000 }, 9000]])) {
    const r = row(h, 75_000, over);
    const words = rowWords(r);
    assert.equal(r.rank, RANK.gone);
    assert.equal(r.silent_ms, silent);
    assert.equal(words.tone, 'gone');
    assert.equal(words.shape, 'hatch');
    assert.equal(words.main, 'not live 0:09');
    assert.equal(words.lead, 'last seen in easy');
    assert.equal(words.clock, '1:06', 'the digits stand where they were last seen');
    assert.equal(words.runs, false);
  }
  assert.equal(rowWords(row(h, 70_000, { present: [device('buddy', 4000), device('diver', 200)] })).main, 'not live 0:04', 'the diver\'s phone takes no presses of the buddy');
  assert.equal(row(h, 70_000, { present: [{ ...device('buddy', 9000) }, { ...device('buddy', 200), device: 'buddy2' }] }).silent_ms, 0, 'a second buddy\'s phone will do');
});

test('not live outside a hold: no digits run, and a count that nobody is heard at says so', () => {
  const h = holdWith(PLAN);
  h.add('breathe-up', -50_000, { zero_at: START });
  const counting = (/** @type {object} */ over) => rowWords(row(h, -40_000, over));
  assert.deepEqual([counting({}).clock, counting({}).tone], ['0:40', 'calm']);
  for (const over of [{ present: [device('buddy', 9000)] }, { present: [] }, { lost_ms: 9000 }]) {
    const words = counting(over);
    assert.deepEqual([words.clock, words.runs, words.tone, words.shape, words.gone], ['', false, 'gone', 'hatch', true]);
  }
  const over = held();
  over.add('surfaced', 100_000);
  over.add('ok', 104_000);
  over.add('watch-ended', 170_000, { forced: true });
  assert.equal(rowWords(row(over, 200_000)).clock, '1:40');
  const rest = rowWords(row(over, 200_000, { present: [device('buddy', 20_000)] }));
  assert.deepEqual([rest.main, rest.shape, rest.lead, rest.clock, rest.runs, rest.tone], ['not live 0:20', 'hatch', 'rest, hold 1:40', '', false, 'calm']);
});

test('a count that is over, and no phone heard since: a hold may be running', () => {
  const h = holdWith(PLAN);
  h.add('breathe-up', -50_000, { zero_at: START - 40_000 });
  const silent = { present: [device('buddy', 45_000)] };
  assert.deepEqual([row(h, -41_000, silent).unseen, row(h, -41_000, silent).rank], [false, RANK.breathe]);
  const r = row(h, -10_000, silent);
  assert.deepEqual([r.running, r.unseen, r.rank, anyFault([r]), tooMany([r]).in_hold], [false, true, RANK.gone, true, 1]);
  assert.deepEqual([rowWords(r).main, ...beside(r)], ['not live 0:45', 'zero passed 0:30 ago', 'a hold may be running']);
  assert.equal(row(h, -10_000).unseen, false, 'with a phone heard it is seen that none runs');
});

test('a host that is not heard for a moment: no row goes, no alarm comes of it, and what stands still does not run', () => {
  const h = held();
  const blip = row(h, 105_500, { lost_ms: 1000 });
  assert.deepEqual([blip.lost, blip.silent_ms, blip.since, rowWords(blip).main], [true, 0, null, 'LOOK AGAIN'], 'judged as when it was heard last');
  assert.equal(row(h, 105_500).rank, RANK.alarm);
  for (const t of [80_000, 81_000, 83_000]) {
    const r = row(h, t, { lost_ms: t - 76_000 });
    assert.deepEqual([rowWords(r).clock, r.seen_at - START], ['1:16', 76_000]);
  }
});

test('what a phone told after its last sign of life is known too', () => {
  const h = holdWith(PLAN);
  h.add('start', 0);
  const r = row(h, 9000, { present: [device('buddy', 9500)] });
  assert.deepEqual([rowWords(r).clock, rowWords(r).lead], ['0:00', 'last seen in easy']);
});

test('a pair that somebody is with gives way to alarms that nobody is at', () => {
  const h = held();
  h.add('incident', 70_000, { what: 'lmc' });
  assert.deepEqual([row(h, 71_000).attended, row(h, 71_000).met], [false, false]);
  h.add('with-them', 72_000);
  const there = row(h, 110_000);
  assert.deepEqual([there.attended, there.met, there.rank], [true, true, RANK.alarm]);
  const alone = { ...row(held(), 110_000), pair: 'p2', number: 2 };
  assert.ok(Number(alone.since) > Number(there.since));
  assert.deepEqual(newOrder().next([there, alone], 0), ['p2', 'p1']);
  assert.deepEqual(heardPairs([there, alone], false).map((p) => p.attended), [true, false]);
});

test('a pair whose phones are gone gets its alarm by silence; a board without a host makes none', () => {
  const h = held();
  const gone = row(h, 110_000, { present: [device('buddy', 40_000)] });
  assert.equal(gone.rank, RANK.alarm);
  assert.equal(rowWords(gone).main, 'CHECK THEM');
  assert.equal(rowWords(gone).gone, true);
  assert.match(rowWords(gone).label, /not live 0:40/);
  assert.equal(rowWords(gone).runs, false);
  const deaf = row(h, 110_000, { lost_ms: 40_000 });
  assert.equal(deaf.rank, RANK.gone);
  assert.equal(deaf.since, null);
  const before = row(h, 110_000, { lost_ms: 4000 });
  assert.equal(before.rank, RANK.alarm, 'what stood when it was last heard goes on');
});

test('a board opened without its host knows nothing of a pair, and says so', () => {
  const r = rowFacts({ pair: 'p1', number: 1, hold: null, newest_plan: null, present: [], lost_ms: 5000 }, START);
  assert.equal(rowWords(r).main, 'not known');
  assert.equal(rowWords(rowFacts({ pair: 'p1', number: 1, hold: null, newest_plan: null, present: [], lost_ms: 0 }, START)).main, 'no phone yet');
});

test('what the host found by itself counts too', () => {
  const r = row(held(), 70_000, { told_alarm_at: START + 69_000 });
  assert.equal(r.rank, RANK.alarm);
  assert.equal(r.since, START + 69_000);
});

test('two boards: who goes at one of them quiets the other too, and it says who', () => {
  const h = held();
  h.add('going', 106_000, { name: 'Vela' }, { by: 'instructor', device: 'board1' });
  const other = row(h, 107_000, { me: { device: 'board2', role: 'instructor', state: FIT } });
  assert.equal(heardPairs([other], false)[0].quiet_until, START + 121_000);
  assert.equal(goingWords(other), 'Vela is going, 14');
});

test('"I\'m going" lasts fifteen seconds, by an instructor only', () => {
  const h = held();
  h.add('going', 106_000, { name: 'Vela' }, { by: 'instructor', device: 'board' });
  assert.equal(row(h, 107_000).going?.name, 'Vela');
  assert.equal(row(h, 120_999).met, true);
  assert.equal(row(h, 121_000).met, false);
  assert.equal(row(h, 121_000).rank, RANK.alarm, 'it quiets the board and lifts nothing');
  const other = held();
  other.add('going', 106_000, { name: 'Vela' });
  assert.equal(row(other, 107_000).going, null);
});

test('which device has the sound; with none fit the board takes the rungs', () => {
  const h = held();
  assert.equal(rowWords(row(h, 70_000)).voice, 'sound: Odo');
  const mute = row(h, 70_000, { present: [device('buddy', 200, { ...FIT, sound: 'fault' })] });
  assert.equal(mute.no_voice, true);
  assert.deepEqual(rowWords(mute).faults, ['nobody has its sound'], 'nothing was proven of this board');
  const heard = row(h, 70_000, { present: [device('buddy', 200, { ...FIT, sound: 'fault' })], me: { device: 'board', role: 'instructor', state: FIT } });
  assert.deepEqual(rowWords(heard).faults, ['this board has its sound']);
  assert.deepEqual(heardPairs([mute], false)[0].rungs.map((r) => r.rung), ['prompt', 'again']);
  const siren = row(h, 70_000, { present: [device('buddy', 200, { ...FIT, sound: 'fault' }), device('siren')] });
  assert.equal(rowWords(siren).voice, 'sound: siren');
  assert.deepEqual(heardPairs([siren], false)[0].rungs, []);
});

test('H01 a phone at another hold, or one whose clock is off, has not the sound of this one', () => {
  for (const state of [{ ...FIT, hold: 'test-h02' }, { ...FIT, hold: null }, { ...FIT, doubt_ms: 20_000 }]) {
    const r = row(held(), 70_000, { present: [device('buddy', 200, state)] });
    assert.deepEqual([r.no_voice, r.voice], [true, null], JSON.stringify(state));
    const me = { device: 'siren1', role: 'siren', state: FIT };
    assert.equal(row(held(), 70_000, { me, present: [device('buddy', 200, state), device('siren')] }).no_voice, true);
  }
  const siren = row(held(), 70_000, { present: [device('siren', 200, { ...FIT, hold: null, board: true })] });
  assert.deepEqual([siren.no_voice, siren.voice?.role], [false, 'siren'], 'a siren for all pairs is at every hold');
});

test('simulated phones make no sound, and the board says so and makes none for them', () => {
  const h = held();
  const invented = [device('buddy', 200, { ...FIT, sound: 'off', simulated: true }), device('diver', 200, { ...FIT, sound: 'off', simulated: true })];
  for (const me of [{ device: 'board', role: 'instructor', state: FIT }, { device: 'siren1', role: 'siren', state: FIT }]) {
    const r = row(h, 70_000, { me, present: invented });
    assert.equal(rowWords(r).voice, 'simulated');
    assert.equal(r.no_voice, false);
    assert.deepEqual(heardPairs([r], false)[0].rungs, []);
  }
  assert.equal(rowWords(row(h, 70_000, { present: [...invented, device('siren')] })).voice, 'sound: siren', 'somebody real who joined them is heard');
});

test('a siren for all takes the rungs of a pair whose buddy cannot sound them, as its phones expect', () => {
  const h = held();
  const me = { device: 'siren1', role: 'siren', state: FIT };
  const mute = { ...FIT, sound: 'fault' };
  assert.equal(row(h, 70_000, { me, present: [device('buddy', 200, mute), device('siren')] }).no_voice, true);
  assert.equal(row(h, 70_000, { me, present: [device('buddy'), device('siren')] }).no_voice, false);
});

test('faults in words: clock and battery', () => {
  const r = row(held(), 70_000, { present: [device('buddy', 200, { ...FIT, battery: 14, doubt_ms: 900 })] });
  assert.deepEqual(rowWords(r).faults, ['nobody has its sound', 'clock may be off', 'battery 14 %'], 'a phone whose clock is off sounds at other times');
  assert.equal(rowWords(row(held(), 70_000)).battery, '80 %');
  assert.deepEqual([rowWords(row(held(), 70_000)).doubt, rowWords(r).doubt], ['±4 ms', ''], 'a doubt that is no fault is told in small');
  assert.equal(rowWords(row(held(), 70_000, { present: [device('buddy', 9000)] })).doubt, '', 'and not of a phone that is not heard');
});

test('the whole row can be heard by a screen reader', () => {
  assert.equal(rowWords(row(held(), 70_000)).label, 'pair 1, Ansa and Odo, next look 0:20, 1:10, easy, silence 0:10');
});

test('a group starts 20 to 30 s apart, by number, only pairs with a plan', () => {
  const plan = holdWith(PLAN);
  const rows = [4, 2, 9].map((number) => ({ ...row(plan, -50_000), pair: `p${number}`, number }));
  const chosen = new Set(rows.map((r) => r.pair));
  const at = START - 50_000;
  const group = groupOf(rows, { now: at, lead_ms: 180_000, apart_s: 25, chosen });
  assert.deepEqual(group.map((m) => [m.number, m.zero_at - at]), [[2, 180_000], [4, 205_000], [9, 230_000]]);
  assert.equal(groupOf(rows, { now: at, lead_ms: 180_000, apart_s: 5, chosen })[1].zero_at - at, 200_000, 'never closer than 20 s');
  assert.equal(canGo(row(held(), 70_000)), false);
});

test('a count that would bring two pairs into their final stage together says which', () => {
  const planned = (/** @type {number} */ number, /** @type {number} */ planned_s) => {
    const h = holdWith({ ...PLAN, planned_s });
    return { ...row(h, -60_000), pair: `p${number}`, number };
  };
  const group = (/** @type {import('../app/board_facts.js').RowFacts[]} */ rows) =>
    groupOf(rows, { now: START - 60_000, lead_ms: 60_000, apart_s: 30, chosen: new Set(rows.map((r) => r.pair)) });
  const alike = [planned(1, 240), planned(2, 240), planned(3, 240)];
  assert.equal(finalsTogether(alike, group(alike)), null);
  const shorter = [planned(1, 240), planned(2, 205), planned(3, 240)];
  assert.deepEqual(finalsTogether(shorter, group(shorter)), [2, 1]);
  const running = { ...row(held(), 70_000), pair: 'p7', number: 7 };
  const later = planned(2, 240);
  assert.deepEqual(finalsTogether([running, later], [{ pair: 'p2', number: 2, hold: '', zero_at: START + 10_000 }]), [7, 2]);
  assert.equal(finalsTogether([running, later], []), null, 'who is not counted in comes into nothing');
  const other = holdWith({ ...PLAN, planned_s: 240 });
  other.add('breathe-up', -55_000, { zero_at: START - 10_000 });
  const counting = { ...row(other, -50_000), pair: 'p3', number: 3 };
  assert.equal(isCounting(counting), true);
  assert.deepEqual(finalsTogether([counting, later], [{ pair: 'p2', number: 2, hold: '', zero_at: START - 5000 }]), [3, 2], 'a count that runs already is a start');
});

test('a count that an instructor calls off is told on the pair\'s phones until somebody begins another', () => {
  const h = holdWith(PLAN);
  const board = { by: 'instructor', device: 'board' };
  h.add('breathe-up', -50_000, { zero_at: START }, board);
  assert.equal(isCalledOff(h.hold, START - 45_000), false);
  h.add('breathe-up', -40_000, {}, board);
  assert.equal(isCalledOff(h.hold, START - 41_000), false);
  assert.equal(isCalledOff(h.hold, START - 39_000), true);
  h.add('breathe-up', -30_000, { stop: true });
  assert.equal(isCalledOff(h.hold, START - 29_000), false, 'the buddy\'s own stop needs no telling');
});

test('warned above four pairs at once, and above one in the final stage', () => {
  const h = held();
  const four = Array.from({ length: 4 }, () => row(h, 70_000));
  assert.deepEqual(tooMany(four), { in_hold: 4, final: 0, pairs: false, finals: false });
  assert.equal(tooMany([...four, row(h, 70_000)]).pairs, true);
  const final = row(h, 250_000);
  assert.equal(final.status?.stage, 'final');
  assert.equal(tooMany([final]).finals, false);
  assert.equal(tooMany([final, final]).finals, true);
  const calm = row(h, 70_000);
  assert.equal(manyWords(tooMany(four)), '');
  assert.equal(manyWords(tooMany([...four, calm])), '5 pairs in holds or watched at once: more than one person can watch');
  assert.equal(manyWords(tooMany([final, final])), '2 pairs in their final stage at once: more than one person can watch');
  assert.equal(manyWords(tooMany([...four, final, final])), '6 pairs in holds or watched, 2 in their final stage at once: more than one person can watch');
});

test('one series for all pairs is filed under each pair\'s own diver', () => {
  const made = stepsOf({ first: '1:30', step: '0:15', count: '3', rest: '3:00' });
  assert.ok('steps' in made);
  assert.deepEqual(made.steps.map((s) => [s.planned_s, s.rest_s]), [[90, 180], [105, 180], [120, 0]]);
  assert.deepEqual(seriesData({ ...PLAN, diver_id: '' }, made.steps, 's1'), { series: 's1', diver: 'Ansa', buddy: 'Odo', setting: 'pool', made: 'growing-holds', steps: made.steps });
  assert.ok('problem' in stepsOf({ first: '1:30', step: '0:15', count: '0', rest: '3:00' }));
  assert.ok('problem' in stepsOf({ first: 'soon', step: '0:15', count: '2', rest: '3:00' }));
});

test('the outing in figures: by diver, and what was not plain', () => {
  const h = held();
  h.add('surfaced', 100_000);
  h.add('ok', 104_000);
  h.add('look', 108_000);
  h.add('look', 115_000);
  h.add('watch-ended', 170_000);
  const summary = outingSummary([h.hold], START + 400_000, START - 1000);
  assert.equal(summary.holds, 1);
  assert.equal(summary.lines[0].diver, 'Ansa');
  assert.equal(summary.lines[0].longest_ms, 100_000);
  assert.equal(outingSummary([h.hold], START + 400_000, START + 1000).holds, 0, 'an older outing\'s');
});

test('the page opens as a board by the instructor\'s link or because it was one; a phone with a place stays one', () => {
  const link = `#i=${'a'.repeat(22)}`;
  assert.equal(opensBoard(link, null), true);
  assert.equal(opensBoard(`#j=${'a'.repeat(22)}`, null), false);
  assert.equal(opensBoard(link, { pair: 'p1', role: 'buddy', token: 't' }), false);
  assert.equal(opensBoard('', { pair: '', role: 'instructor', token: 't' }), true);
  assert.equal(opensBoard('', { pair: '', role: 'siren', token: 't' }), true, 'a siren for all');
  assert.equal(opensBoard('', { pair: '', role: 'buddy', token: '' }), false);
  assert.equal(opensBoard('', { pair: 'p1', role: 'siren', token: 't' }), false);
});

test('offers in words, and which stand', () => {
  const told = newTold();
  told.hear({ type: 'offer', offer: 'o1', from: { device: 'x', role: 'instructor', name: 'Vela' }, pair: 'p1', number: 1, role: 'diver', until_ms: 5000 });
  assert.equal(told.offers(4999).length, 1);
  assert.equal(told.offers(5000).length, 0);
  assert.equal(askWords(told.offers(0)[0], 'p1'), 'Vela asks this phone to be the diver’s');
  assert.equal(askWords(told.offers(0)[0], 'p2'), 'Vela asks this phone to be the diver’s of pair 1');
  told.hear({ type: 'offer-over', offer: 'o1' });
  assert.equal(told.offers(0).length, 0);
});

test('of the pair\'s place card and the outing\'s the newer one counts', () => {
  const own = { at: 100, data: { number: '112' } };
  assert.deepEqual(newerPlace(own, {}), { number: '112' });
  assert.deepEqual(newerPlace(own, { place: { at: 200, number: '999' } }), { at: 200, number: '999' });
  assert.deepEqual(newerPlace(own, { place: { at: 50, number: '999' } }), { number: '112' });
  assert.equal(newerPlace(null, { place: null }), null);
});
