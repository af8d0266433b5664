// Measures the JavaScript rules as protocol/bench_test.go measures their twins: node web/test/bench_rules.js
//
// fold growth: folding 10,000 events takes at most 12 times as long as 1,000.
// append share: adding an event at the end, status included, takes at most a tenth of folding 1,000 anew.
// Ratios within one run say the same on any machine; they are printed and never fail.
import { addEvent, foldEvents } from '../rules/fold.js';
import { statusAt } from '../rules/status.js';
import { summarize } from '../rules/summary.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

const START = 1790000000000;
const HOLD = 'bench-h01';

/** @type {[string, Record<string, unknown>?][]} */
const MIX = [
  ['asked'], ['answered', { took_ms: 900 }], ['look'], ['contraction', { site: 'belly' }], ['asked'], ['answered', { took_ms: 1100 }],
  ['reading', { spo2: 94, hr: 62, source: 'finger' }], ['answered', { took_ms: 800 }], ['sounded', { rung: 'prompt', due: 0 }],
  ['step', { what: 'airway' }],
];

/**
 * @param {number} n
 * @param {string} kind
 * @param {number} at
 * @param {Record<string, unknown>} [data]
 * @returns {HoldEvent}
 */
function event(n, kind, at, data) {
  const bare = { id: `bench-${String(n).padStart(6, '0')}`, hold: HOLD, kind, at, by: 'buddy' };
  return data ? { ...bare, data } : bare;
}

/**
 * A plan, a start and n busy events of one hold, in order and spread evenly over the same 250 s, so that many go through the
 * same stages as few.
 * @param {number} n
 */
function benchEvents(n) {
  const events = [
    event(1, 'plan', START - 60000, { planned_s: 300, cadence: 'standard', setting: 'dry' }), event(2, 'start', START),
  ];
  for (let i = 0; i < n; i++) {
    const at = START + Math.floor(((i + 1) * 250000) / n);
    const target = `bench-${String(i + 1).padStart(6, '0')}`;
    const [kind, data] = MIX[i % MIX.length];
    events.push(i % 100 === 99 ? event(i + 3, 'amend', at, { target, drop: true }) : event(i + 3, kind, at, data));
  }
  return events;
}

/** @param {HoldEvent[]} events */
function fold(events) {
  const hold = foldEvents(HOLD, events);
  statusAt(hold, events[events.length - 1].at);
  return hold;
}

/**
 * How long the work takes, ms.
 * @param {() => void} work
 */
function took(work) {
  const began = performance.now();
  work();
  return performance.now() - began;
}

/** @param {number[]} values */
const middle = (values) => values.sort((a, b) => a - b)[values.length >> 1];

const small = benchEvents(1000);
const large = benchEvents(10000);
const last = small[small.length - 1];

/** @type {Record<'fold' | 'large' | 'growth' | 'append' | 'share' | 'summary', number[]>} */
const times = { fold: [], large: [], growth: [], append: [], share: [], summary: [] };
// Works that follow each other are compared, and the middle one of many ratios counts. Ten small folds are timed together, so
// that the garbage collector gets its share of small and large alike.
for (let round = -5; round < 25; round++) {
  const foldMs = took(() => {
    for (let i = 0; i < 10; i++) fold(small);
  }) / 10;
  const largeMs = took(() => fold(large));
  const hold = fold(small);
  const appendMs = took(() => {
    for (let i = 1; i <= 100; i++) {
      const at = last.at + i * 250;
      addEvent(hold, event(small.length + i, 'answered', at, { took_ms: 900 }));
      statusAt(hold, at);
    }
  }) / 100;
  const summaryMs = took(() => summarize(hold, last.at + 25000));
  if (round < 0) continue; // the first rounds are there to be compiled
  times.fold.push(foldMs);
  times.large.push(largeMs);
  times.growth.push(largeMs / foldMs);
  times.append.push(appendMs);
  times.share.push(appendMs / foldMs);
  times.summary.push(summaryMs);
}

console.log(`fold of 1,000 events    ${middle(times.fold).toFixed(3)} ms`);
console.log(`fold of 10,000 events   ${middle(times.large).toFixed(3)} ms`);
console.log(`fold growth             ${middle(times.growth).toFixed(2)} (aim: at most 12)`);
console.log(`event at the end        ${(middle(times.append) * 1000).toFixed(1)} µs`);
console.log(`append share            ${middle(times.share).toFixed(4)} (aim: at most 0.1)`);
console.log(`summary of 1,000 events ${middle(times.summary).toFixed(3)} ms`);
