// What a log of many holds costs a page: node web/test/bench_log.js
//
// Everything that is said over a diver's 5,000 holds is read from their stored lines. The floor is what no page can do
// without: reading these lines from their JSON. Ratios are reported and nothing fails on a slow machine.

import { expectationsOf } from '../rules/expect.js';
import { guardsOf } from '../rules/guards.js';
import { holdsOfDiver, zoneOf } from '../rules/log.js';
import { conditionsOf, trendsOf } from '../rules/trends.js';

const DAY_MS = 86_400_000;
const WORDS = ['cold', 'tired', 'stressed', 'hungry', 'warmed-up', 'new place'];

/** Made lines, six holds a day. @param {number} count */
function made(count) {
  let seed = 1;
  const random = (/** @type {number} */ below) => {
    seed = (seed * 48271) % 2147483647;
    return seed % below;
  };
  return Array.from({ length: count }, (_, i) => {
    const day = 20_000 + Math.floor(i / 6);
    const start = day * DAY_MS + (i % 6) * 1_800_000;
    const hold = 120_000 + Math.floor(i / 10) * 20 + random(60_000);
    return {
      v: 1, hold: `k7p2q4m9tc-h${i}`, events: 60, start_at: start, day, day_end_at: (day + 1) * DAY_MS, end_at: start + hold, over: true,
      setting: i % 3 === 0 ? 'pool' : 'dry', diver: 'Ansa', diver_key: 'ansa', diver_id: 'a1', buddy: 'Odo', buddy_key: 'odo', buddy_id: 'b2',
      series: null, series_no: null, planned_s: 180, end_by_s: 198, longest_s: 200, hold_ms: hold, first_contraction_ms: 60_000 + random(40_000),
      first_contraction_site: 'belly', easy_permille: 300 + random(400), answers: 9, answer_median_ms: 700 + random(600), answer_slowest_ms: 2_000,
      ok_ms: 4_000 + random(6_000), spo2_lowest: 70 + random(20), spo2_lowest_ms: 15_000, hr_lowest: 40 + random(20), hr_lowest_ms: 0,
      back_to_95_ms: 20_000 + random(40_000), clean: true, verdict: 'clean', passed_out: false, incident: null, incident_at: null,
      conditions: WORDS.filter(() => random(2) === 0), felt: ['warm'], training_days: 1,
    };
  });
}

/** All that the log and the plan sheet ask of a diver's holds. @param {import('../rules/log.js').LogHold[]} log */
function everything(log) {
  const own = holdsOfDiver(log, { id: 'a1', key: 'ansa' });
  for (const setting of /** @type {const} */ (['dry', 'pool'])) {
    expectationsOf(own, setting);
    trendsOf(own, setting);
    for (const field of /** @type {const} */ (['onset', 'hold', 'easy', 'answer', 'recovery'])) conditionsOf(own, setting, field);
  }
  const now = Number(own[own.length - 1].end_at) + 1;
  guardsOf({ now_ms: now, zone: zoneOf(0), diver: { id: 'a1', key: 'ansa' }, buddy: { id: 'b2', key: 'odo' }, planned_s: 180, longest_s: 200, holds: own });
}

/**
 * The processor's time for the quickest of several runs, ms: what others do on the machine counts less in it.
 * @param {() => void} run
 */
function quickest(run) {
  let best = Infinity;
  for (let i = 0; i < 15; i++) {
    const from = process.cpuUsage();
    for (let n = 0; n < 3; n++) run();
    best = Math.min(best, process.cpuUsage(from).user / 3000);
  }
  return best;
}

const [few, many] = [50, 5_000].map((count) => {
  const log = made(count);
  const texts = log.map((line) => JSON.stringify(line));
  const floor = quickest(() => texts.forEach((text) => JSON.parse(text)));
  const all = quickest(() => everything(/** @type {any} */ (log)));
  return { count, floor, all };
});
for (const { count, floor, all } of [few, many]) {
  console.log(`${count} holds: everything ${all.toFixed(2)} ms, reading their lines ${floor.toFixed(2)} ms, ratio ${(all / floor).toFixed(2)}`);
}
