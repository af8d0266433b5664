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
 * A plan, a start and n busy events of one hold, a quarter second apart and in order.
 * @param {number} n
 */
function benchEvents(n) {
  const events = [
    event(1, 'plan', START - 60000, { planned_s: 300, cadence: 'standard', setting: 'dry' }), event(2, 'start', START),
  ];
  for (let i = 0; i < n; i++) {
    const at = START + (i + 1) * 250;
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
 * The shortest of several runs, ms: what is left when the machine did nothing else.
 * @param {number} runs
 * @param {() => void} work
 */
function fastest(runs, work) {
  let best = Infinity;
  for (let i = 0; i < runs; i++) {
    const began = performance.now();
    work();
    best = Math.min(best, performance.now() - began);
  }
  return best;
}

const small = benchEvents(1000);
const large = benchEvents(10000);
const tenSmall = () => {
  for (let i = 0; i < 10; i++) fold(small);
};
fastest(5, tenSmall); // so that what is measured is compiled
// Ten small folds are timed together, so that the garbage collector gets its share of small and large alike.
const foldSmall = fastest(10, tenSmall) / 10;
const foldLarge = fastest(10, () => fold(large));
const hold = fold(small);
let n = small.length;
let at = small[small.length - 1].at;
const append = fastest(200, () => {
  n++;
  at += 250;
  addEvent(hold, event(n, 'answered', at, { took_ms: 900 }));
  statusAt(hold, at);
});
const summary = fastest(10, () => summarize(hold, at));

console.log(`fold of 1,000 events    ${foldSmall.toFixed(3)} ms`);
console.log(`fold of 10,000 events   ${foldLarge.toFixed(3)} ms`);
console.log(`fold growth             ${(foldLarge / foldSmall).toFixed(2)} (aim: at most 12)`);
console.log(`event at the end        ${(append * 1000).toFixed(1)} µs`);
console.log(`append share            ${(append / foldSmall).toFixed(4)} (aim: at most 0.1)`);
console.log(`summary of 1,000 events ${summary.toFixed(3)} ms`);
