import assert from 'node:assert/strict';
import { test } from 'node:test';
import { addEvent, newHold } from '../rules/fold.js';
import { statusAt } from '../rules/status.js';
import { effectiveEvents, summarize } from '../rules/summary.js';
import { START, folded, holdWith, picture, randomFrom, shuffled } from './rules_helper.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

/** A hold with contrary presses, ties, take-backs, an incident and a late plan. */
function contrary() {
  const h = holdWith({ planned_s: 120, cadence: 'standard', setting: 'dry', end_by_s: 140 });
  h.add('plan', 0, { planned_s: 90, cadence: 'close', setting: 'dry' }, { by: 'instructor' });
  h.add('answered', 20000);
  h.add('asked', 40000);
  h.add('answered', 41000, { took_ms: 1000 }, { by: 'diver' });
  h.add('contraction', 44000, { site: 'belly' });
  const mistake = h.add('no-answer', 50000, undefined, { device: 'second' });
  h.add('answered', 50000);
  h.takeBack(mistake, 55000);
  h.add('no-answer', 70000, undefined, { device: 'second' });
  h.add('answered', 70000);
  h.add('surfaced', 80000);
  h.add('awake', 82000);
  h.add('ok', 84000);
  h.add('incident', 100000, { what: 'lmc' }, { by: 'instructor' });
  h.add('recovered', 110000);
  h.add('look', 118000);
  h.add('amend', 300000, { target: 'buddy-000002', at: START + 19000 });
  return h.events;
}

const INSTANTS = [-70000, -1, 0, 20000, 40500, 50000, 54999, 55000, 69999, 70000, 80000, 84000, 100000, 110000, 130000, 300000];

test('H07 all orders of arrival give one state, asked at any time in between', () => {
  const events = contrary();
  const random = randomFrom(1);
  const reference = folded(events);
  const expected = INSTANTS.map((t) => picture(reference, START + t));
  for (let round = 0; round < 150; round++) {
    const hold = newHold('test-h01');
    for (const event of shuffled(events, random)) {
      assert.deepEqual(addEvent(hold, event), { added: true, conflict: false });
      if (random() < 0.5) statusAt(hold, START + INSTANTS[Math.floor(random() * INSTANTS.length)]);
    }
    assert.deepEqual(INSTANTS.map((t) => picture(hold, START + t)), expected);
  }
});

test('seen at an instant, later events do not exist', () => {
  const events = contrary();
  const whole = folded(events);
  for (const t of INSTANTS) {
    const seen = events.filter((e) => e.at <= START + t || e.kind === 'start');
    assert.deepEqual(picture(whole, START + t), picture(folded(seen), START + t), `at ${t}`);
  }
});

test('asking changes nothing', () => {
  const hold = folded(contrary());
  const before = picture(hold, START + 300000);
  for (const t of [...INSTANTS, ...[...INSTANTS].reverse()]) picture(hold, START + t);
  assert.deepEqual(picture(hold, START + 300000), before);
});

test('H22 a resent event changes nothing; the same id with other content is refused', () => {
  const h = holdWith({ planned_s: 120 });
  const answer = h.add('answered', 20000);
  const copy = JSON.parse(JSON.stringify(answer));
  assert.deepEqual(addEvent(h.hold, copy), { added: false, conflict: false });
  assert.deepEqual(addEvent(h.hold, { ...copy, at: START + 29000 }), { added: false, conflict: true });
  assert.deepEqual(addEvent(h.hold, { ...answer, id: 'other-000001', hold: 'other-h01' }), { added: false, conflict: false });
  assert.equal(h.at(29000).silence_ms, 9000);
});

test('a mis-press is taken back by its own device within 10.000 s, for good', () => {
  /** @param {number} after @param {string} device */
  const stageAfter = (after, device) => {
    const h = holdWith({ planned_s: 240 });
    const press = h.add('sign', 20000, { what: 'blue' });
    h.add('amend', 20000 + after, { target: press.id, drop: true }, { device });
    h.add('amend', 31000, { target: press.id, drop: false });
    return h.at(31000).stage;
  };
  assert.equal(stageAfter(10000, 'buddy'), 'easy');
  assert.equal(stageAfter(10001, 'buddy'), 'final');
  assert.equal(stageAfter(1000, 'second'), 'final');
});

test('"not up" lets the hold run on, with the rungs it would have had', () => {
  const h = holdWith({ planned_s: 240, cadence: 'standard' });
  const up = h.add('surfaced', 35000);
  assert.equal(h.at(35000).phase, 'recovery');
  h.takeBack(up, 44000);
  assert.deepEqual([h.at(44000).phase, h.stands(44000)], ['hold', 'again look']);
  assert.deepEqual(h.rungs(44000), ['prompt look 30000', 'again look 38000']);
});

test('a start that lies ahead shows the ladder to come', () => {
  const h = holdWith({ planned_s: 240, cadence: 'standard' });
  h.add('breathe-up', -50000, { zero_at: START });
  assert.deepEqual([h.at(-50000).phase, h.at(-50000).zero_at, h.at(-50000).silence_ms], ['breathe-up', START, null]);
  assert.deepEqual(h.next(-50000), ['prompt look 30000', 'again look 38000', 'alarm tap 45000']);
  h.add('breathe-up', -40000, { stop: true });
  assert.equal(h.at(-40000).zero_at, null, 'a newer breathe-up without a zero stops the countdown');
});

test('an event at the end costs at most a tenth of folding 1,000 anew, and folding is linear', () => {
  let reads = 0;
  /** @param {number} count */
  const counted = (count) => {
    const { events } = holdWith({ planned_s: 300, cadence: 'standard', setting: 'dry' });
    for (let i = 0; i < count; i++) {
      const kind = ['asked', 'answered', 'look', 'contraction', 'reading'][i % 5];
      events.push({ id: `n-${String(i).padStart(6, '0')}`, hold: 'test-h01', kind, at: START + i * 250, by: 'buddy' });
    }
    return events.map((e) => Object.defineProperty({ ...e }, 'kind', { enumerable: true, get: () => (reads++, e.kind) }));
  };
  /** @param {() => void} work */
  const costOf = (work) => {
    reads = 0;
    work();
    return reads;
  };
  const few = counted(1000);
  const many = counted(10000);
  const fold = costOf(() => statusAt(folded(few), START + 1e6));
  assert.ok(fold >= 1000);
  const hold = folded(few);
  statusAt(hold, START + 1e6);
  assert.ok(costOf(() => statusAt(folded(many), START + 1e7)) <= 10.5 * fold);
  for (const [i, kind] of ['answered', 'note', 'amend'].entries()) {
    const last = { ...counted(1)[2], id: `z-${kind}`, kind, at: START + 2e6 + i };
    const append = costOf(() => {
      addEvent(hold, Object.defineProperty(last, 'kind', { get: () => (reads++, kind) }));
      statusAt(hold, START + 3e6);
    });
    assert.ok(append <= fold / 10, `${kind}: ${append} of ${fold}`);
  }
});

test('H20 amendments move and withdraw for log and summary, the originals stay', () => {
  const h = holdWith({ planned_s: 240 });
  const mark = h.add('contraction', 60000, { site: 'chest' });
  h.add('contraction', 70000);
  h.add('surfaced', 100000);
  const summary = (/** @type {number} */ t) => summarize(h.hold, START + t);
  assert.deepEqual([summary(100000).first_contraction_ms, summary(100000).easy_permille, summary(100000).contractions], [60000, 600, 2]);
  h.add('amend', 200000, { target: mark.id, at: START + 50000 });
  assert.deepEqual([summary(200000).first_contraction_ms, summary(200000).first_contraction_site], [50000, 'chest']);
  h.add('amend', 210000, { target: mark.id, at: START + 40000, drop: true });
  assert.deepEqual([summary(210000).first_contraction_ms, summary(210000).contractions], [70000, 1]);
  h.add('amend', 220000, { target: mark.id, drop: false });
  assert.deepEqual([summary(220000).first_contraction_ms, summary(220000).contractions], [60000, 2]);
  assert.equal(h.at(220000).boundaries.struggle_at_ms, 60000, 'the ladder keeps what was pressed');
  assert.equal(h.hold.events.length, h.events.length);
  assert.deepEqual(effectiveEvents(h.hold, START + 200000).map((e) => e.at - START), [-60000, 0, 50000, 70000, 100000]);
});

test('summary: the published elite hold gives its published share of struggle', () => {
  // Apnea study, elite divers (grade: read): 288.8 s, struggle phase 47.1 %.
  const h = holdWith({ planned_s: 300 });
  h.add('contraction', 152775);
  h.add('surfaced', 288800);
  assert.equal(summarize(h.hold, START + 288800).struggle_permille, 471);
  // Pernett et al. 2023 (grade: read): 111 s, first involuntary movement at 89 s, 80 % of the hold.
  const novice = holdWith({ planned_s: 120 });
  novice.add('contraction', 89000);
  novice.add('surfaced', 111000);
  assert.equal(Math.round(Number(summarize(novice.hold, START + 111000).easy_permille) / 10), 80);
});

test('H20 events at the far ends of time are folded, and never hold up the page', () => {
  const far = Number.MAX_SAFE_INTEGER;
  for (const cadence of ['standard', 'announced']) {
    const hold = newHold('test-h01');
    const kinds = /** @type {const} */ ([['plan', -far], ['start', -far], ['contraction', 5], ['answered', far - 2], ['surfaced', far - 1], ['ok', far]]);
    kinds.forEach(([kind, at], i) => addEvent(hold, { id: `a-${i}`, hold: hold.id, kind, at, by: 'buddy', data: { planned_s: 240, cadence } }));
    assert.deepEqual([-far, 0, far - 2, far - 1, far].map((t) => statusAt(hold, t).phase), ['hold', 'hold', 'hold', 'recovery', 'watch']);
    assert.equal(summarize(hold, far).contractions, 1);
  }
});
