// Holds the JavaScript rules against figures published by others, as protocol/reference_test.go does with their twins.
// Each check names its source and how well it is known: read (the page itself was read), secondary (a statement about it
// was read), derived, or common practice.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { newClockEstimate } from '../rules/clock.js';
import { decodeEvent } from '../rules/event.js';
import { addEvent, foldEvents, newHold } from '../rules/fold.js';
import { readPlan } from '../rules/plan.js';
import { statusAt, timelineAt } from '../rules/status.js';
import { summarize } from '../rules/summary.js';

/** When the holds of this file start, shared Unix ms. */
const START = 1790000000000;

/**
 * A hold with a plan, to which a buddy adds events. `t` is ms since the start.
 * @param {Record<string, unknown>} plan
 */
function refHold(plan) {
  const hold = newHold('ref-h01');
  let n = 0;
  const h = {
    hold,
    /** @param {string} kind @param {number} t @param {Record<string, unknown>} [data] */
    add(kind, t, data) {
      n++;
      const event = { id: `ref-${String(n).padStart(6, '0')}`, hold: 'ref-h01', kind, at: START + t, by: 'buddy' };
      assert.equal(addEvent(hold, data ? { ...event, data } : event).added, true);
    },
    /** The first prompt of the first ladder to come after `t`. @param {number} t */
    nextPrompt(t) {
      const prompt = statusAt(hold, START + t).next_abs.find((r) => r.rung === 'prompt' && r.asks !== 'up');
      assert.ok(prompt, `no prompt is to come at ${t} ms`);
      return { asks: prompt.asks, t: prompt.at - START };
    },
    /** Meets every prompt one second after it, from the start until `until`. @param {number} until */
    attend(until) {
      for (let now = 0; ;) {
        const prompt = h.nextPrompt(now);
        now = prompt.t + 1000;
        if (now > until) return;
        h.add(prompt.asks === 'look' ? 'look' : 'answered', now);
      }
    },
    /** The times of the prompts for a tap up to `until`, s since the start. @param {number} until */
    tapPrompts(until) {
      return timelineAt(hold, START + until).filter((r) => r.rung === 'prompt' && r.asks === 'tap').map((r) => r.at_ms / 1000);
    },
  };
  h.add('plan', -60000, plan);
  h.add('start', 0);
  assert.ok(statusAt(hold, START).plan, 'the plan is void');
  return h;
}

// AIDA competition rules, static, 6.1.8 as quoted in 2024: signals at the announced time − 60 s, − 30 s, at it and every
// 15 s after. Grade: secondary; the lists are worked out by hand from that line (derived).
test('reference: announced gives its taps when the judged practice gives its signals', () => {
  for (const [planned, until, taps] of /** @type {[number, number, number[]][]} */ ([
    [240, 280000, [180, 210, 240, 255, 270]],
    [120, 149000, [60, 90, 120, 135]],
    [45, 70000, [15, 45, 60]],
  ])) {
    const h = refHold({ planned_s: planned, end_by_s: 1200, cadence: 'announced' });
    h.attend(until);
    assert.deepEqual(h.tapPrompts(until), taps);
    assert.ok(timelineAt(h.hold, START + until).every((r) => r.rung === 'prompt'), 'every prompt was met');
  }
});

/**
 * Plans that a novice's and an elite diver's sheet could hold.
 * @param {string} cadence
 */
function refPlans(cadence) {
  return [15, 45, 60, 90, 119, 120, 150, 180, 240, 300].flatMap((planned_s) => [
    {}, { longest_s: Math.floor(planned_s * 0.9) }, { longest_s: planned_s * 2 }, { onset_s: Math.floor(planned_s / 4) },
    { onset_s: planned_s }, { onset_s: Math.floor(planned_s * 0.75), longest_s: planned_s },
  ].map((known) => ({ planned_s, end_by_s: 1200, cadence, ...known })));
}

/**
 * Visits one answer at each second of a plan's hold up to its planned time and a minute more: when it came, how long
 * until the next prompt, and where the struggle stage begins.
 * @param {{planned_s: number}} plan
 * @param {(at: number, gap: number, struggleAt: number) => void} visit
 */
function everyAnswer(plan, visit) {
  for (let at = 1000; at <= plan.planned_s * 1000 + 60000; at += 1000) {
    const h = refHold(plan);
    const { struggle_at_ms: struggleAt } = statusAt(h.hold, START).boundaries;
    h.add('answered', at);
    visit(at, h.nextPrompt(at).t - at, struggleAt);
  }
}

// Outside magazine, "The Move", pool breath-hold guide: a tap every 30 s up to 2:00, then every 15 s up to 3:00. Grade: read.
test('reference: close, once taps have begun, is never looser than the novice practice', () => {
  for (const plan of refPlans('close')) {
    everyAnswer(plan, (at, gap, struggleAt) => {
      if (at < struggleAt || at > 180000) return;
      assert.ok(gap <= (at < 120000 ? 30000 : 15000), `${JSON.stringify(plan)}, answer at ${at} ms: ${gap} ms`);
    });
  }
});

// AIDA competition rules, as above: 30 s between signals before the announced time, 15 s after it. Grade: secondary.
test('reference: standard is never looser than the judged practice from the announced time − 60 s on', () => {
  for (const plan of refPlans('standard')) {
    everyAnswer(plan, (at, gap) => {
      if (at < plan.planned_s * 1000 - 60000) return;
      assert.ok(gap <= (at < plan.planned_s * 1000 ? 30000 : 15000), `${JSON.stringify(plan)}, answer at ${at} ms: ${gap} ms`);
    });
  }
});

/** A hold that surfaced at 20 s, in the easy stage and with no rung standing. @param {Record<string, unknown>} plan */
function surfaceEarly(plan) {
  const h = refHold(plan);
  h.add('surfaced', 20000);
  return h;
}

// 15 s: surface protocol, AIDA rules, event texts; 20 s: CMAS/FEDAS judge-course notes 2022. Grade of both: secondary.
test('reference: the OK sign is due within 15 s, or 20 s where the plan says so', () => {
  for (const within of [15, 20]) {
    const plan = { planned_s: 120, ok_within_s: within };
    const due = START + 20000 + within * 1000;
    const silent = surfaceEarly(plan);
    assert.deepEqual(statusAt(silent.hold, due - 1).standing, { rung: 'again', asks: 'ok' });
    assert.deepEqual(statusAt(silent.hold, due).standing, { rung: 'alarm', asks: 'ok' });
    const given = surfaceEarly(plan);
    given.add('ok', 20000 + within * 1000);
    assert.equal(statusAt(given.hold, due).standing, null);
  }
  assert.equal(readPlan({ planned_s: 120 })?.ok_within_s, 15);
});

// DAN, Alert Diver, spring 2016, p. 53, and DiveWise safety guidelines: at least 30 s, even after an OK sign. Grade: read.
test('reference: the watch lasts at least 30 s', () => {
  for (const watch of [30, 60, 300]) {
    for (const endedAt of [29999, 30000]) {
      const h = surfaceEarly({ planned_s: 120, watch_s: watch });
      h.add('ok', 20001);
      for (const look of [8000, 15000, 22000, 29900]) h.add('look', 20000 + look);
      h.add('watch-ended', 20000 + endedAt);
      const status = statusAt(h.hold, START + 20000 + endedAt);
      assert.equal(status.phase, 'over');
      assert.equal(status.forced_end, endedAt < 30000);
    }
  }
  assert.equal(readPlan({ planned_s: 120, watch_s: 29 }), null, 'no plan asks for less');
});

/**
 * Sums up an event file made of published numbers; testdata/published/README.md cites them.
 * @param {string} name
 */
function published(name) {
  const text = readFileSync(new URL(`../../testdata/published/${name}`, import.meta.url), 'utf8');
  const events = text.trim().split('\n').map((line) => {
    const decoded = decodeEvent(JSON.parse(line));
    if ('problem' in decoded) throw new Error(decoded.problem);
    return decoded.event;
  });
  const summary = summarize(foldEvents(events[0].hold, events), Math.max(...events.map((e) => e.at)));
  assert.equal(summary.clean, true, `the checks of ${name} were met`);
  return summary;
}

test('reference: easy and struggle shares come out as published', () => {
  for (const [file, holdMs, easyMs, easyPermille, strugglePermille] of /** @type {[string, number, number, number, number][]} */ ([
    // Elite divers: 288.8 s, struggle phase 47.1 %. Grade: read; the contraction derived.
    ['elite.jsonl', 288800, 152775, 529, 471],
    // Pernett et al. 2023, novices: hold 111 s, first involuntary movement at 89 s, 80 %. Grade: read.
    ['novice.jsonl', 111000, 89000, 802, 198],
    // The same after hyperventilation: 133 s, 112 s, 84 %. Grade: read.
    ['novice-hyperventilated.jsonl', 133000, 112000, 842, 158],
  ])) {
    const summary = published(file);
    assert.equal(summary.hold_ms, holdMs);
    assert.equal(summary.first_contraction_ms, easyMs);
    assert.equal(summary.easy_ms, easyMs);
    assert.equal(summary.struggle_ms, holdMs - easyMs);
    assert.equal(summary.easy_permille, easyPermille);
    assert.equal(summary.struggle_permille, strugglePermille);
  }
});

// Pernett et al. 2023: the lowest SpO2 comes after the hold. Koskolou et al. 2023: SaO2 46 %, heart rate 49 /min. Grade: read.
test('reference: the lowest readings are found, after the hold and within the limits', () => {
  for (const [file, lowest] of /** @type {[string, number][]} */ ([
    ['novice.jsonl', 94], ['novice-hyperventilated.jsonl', 91], ['elite-lowest.jsonl', 46],
  ])) {
    const summary = published(file);
    assert.equal(summary.spo2_lowest, lowest);
    assert.ok(summary.spo2_lowest_ms !== null && summary.spo2_lowest_ms > 0);
  }
  assert.equal(published('elite-lowest.jsonl').hr_lowest, 49);
});

// Stewart et al. 2005, Med Sci Sports Exerc 37:1871: divers 246 s, controls 129 s. Grade: read; the difference derived.
test('reference: divers hold longer than controls by as much as published', () => {
  const [diver, control] = ['diver.jsonl', 'control.jsonl'].map(published);
  assert.deepEqual([diver.hold_ms, control.hold_ms], [246000, 129000]);
  assert.equal(Number(diver.hold_ms) - Number(control.hold_ms), 117000);
  // Down by 27 and 20 /min from the first rate, which is invented.
  assert.deepEqual([diver.hr_lowest, control.hr_lowest], [80 - 27, 78 - 20]);
});

// RFC 5905, section 8: offset ((t2 − t1) + (t3 − t4)) / 2 (grade: read, as quoted by the RFC's errata 5020), delay
// (t4 − t1) − (t3 − t2), and the error of the offset is at most half the delay whatever the asymmetry. Worked examples:
// that of the notes to errata 5020, clocks that agree and 50 ms each way, so offset 0 (read); and two by hand (derived),
// the server 110 ms ahead with 80 ms on the way and 10 ms in between, even and all on one leg.
test('reference: offset and delay of one exchange are those of RFC 5905', () => {
  const agree = { t1: 1000, t2: 1050, t3: 1050, t4: 1100 };
  const even = { t1: 1000, t2: 1150, t3: 1160, t4: 1090 };
  const uneven = { t1: 1000, t2: 1190, t3: 1200, t4: 1090 };
  for (const [exchange, wanted, delay, truth] of /** @type {[typeof even, number, number, number][]} */ ([
    [agree, 0, 100, 0], [even, 110, 80, 110], [uneven, 150, 80, 110],
  ])) {
    const clock = newClockEstimate({ stepMs: 0, driftPpm: 0 });
    clock.add(exchange, 'clock-1');
    const { offset_ms: offset, doubt_ms: doubt } = clock.at(exchange.t4);
    assert.equal(offset, wanted);
    assert.equal(doubt, delay / 2);
    assert.ok(offset !== null && doubt !== null && Math.abs(offset - truth) <= doubt);
  }
});
