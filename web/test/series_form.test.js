// Ensures that a series is pulled into shape on its tape as it is made: each notch moves the one figure it stands for.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { newSeries, nudged, placesOf, pulled, recounted, remade, stepsOf } from '../app/series_form.js';
import { seriesNow, seriesStep, seriesWords } from '../app/series_now.js';
import { shortRests } from '../rules/guards.js';
import { growingHolds, stepsIn } from '../rules/series.js';

/** @type {import('../app/series_form.js').SeriesForm} */
const GROWING = { made: 'growing', count: 4, hold_s: 60, rest_s: 180, step_s: 15, free: [] };
/** @type {import('../app/series_form.js').SeriesForm} */
const SHRINKING = { made: 'shrinking', count: 4, hold_s: 90, rest_s: 240, step_s: 30, free: [] };

test('growing holds are those of the rules, and shrinking rests lose as much each time', () => {
  assert.deepEqual(stepsOf(GROWING), growingHolds({ first_s: 60, step_s: 15, count: 4, rest_s: 180 }));
  assert.deepEqual(stepsOf(SHRINKING), [240, 210, 180, 0].map((rest_s) => ({ planned_s: 90, rest_s })));
});

test('what is proposed at first keeps twice the hold as rest, in every way it can be made', () => {
  for (const longest of [null, 45, 150, 268, 900]) {
    const form = newSeries(longest);
    for (const made of /** @type {const} */ (['growing', 'shrinking', 'free'])) {
      const steps = stepsOf(remade(form, made));
      assert.ok(stepsIn(steps), `${longest} ${made}`);
      assert.equal(shortRests(steps), 0, `${longest} ${made}`);
    }
  }
});

test('a notch ends up where it was pulled to, within its five seconds', () => {
  for (const form of [GROWING, SHRINKING, remade(GROWING, 'free')]) {
    for (let no = 0; no < 4; no++) {
      for (const end of /** @type {const} */ (['hold', 'rest'])) {
        if (no === 3 && end === 'rest') continue;
        const place = placesOf(stepsOf(form))[no];
        const wanted = (end === 'hold' ? place.hold_end_s : place.rest_end_s) + 20;
        const next = placesOf(stepsOf(pulled(form, { no, end }, wanted)))[no];
        const found = end === 'hold' ? next.hold_end_s : next.rest_end_s;
        // One figure moves several holds at once: the notch itself may miss by the sum of what each snapped to.
        assert.ok(Math.abs(found - wanted) <= 2.5 * ((no + 1) * (no + 2)) / 2, `${form.made} ${no} ${end}: ${found}, wanted ${wanted}`);
      }
    }
  }
});

test('pulling changes one figure only, and stays inside the limits', () => {
  assert.deepEqual(pulled(GROWING, { no: 0, end: 'hold' }, 75), { ...GROWING, hold_s: 75 });
  assert.deepEqual(pulled(GROWING, { no: 2, end: 'hold' }, 60 * 3 + 180 * 2 + 3 * 20), { ...GROWING, step_s: 20 });
  assert.deepEqual(pulled(SHRINKING, { no: 0, end: 'rest' }, 90 + 300), { ...SHRINKING, rest_s: 300 });
  assert.equal(pulled(GROWING, { no: 0, end: 'hold' }, -50).hold_s, 15);
  assert.equal(pulled(GROWING, { no: 0, end: 'hold' }, 5000).hold_s, 900);
  assert.equal(pulled(GROWING, { no: 3, end: 'hold' }, 0).step_s, 0);
  for (const steps of [stepsOf({ ...GROWING, step_s: 120, count: 20 }), stepsOf({ ...SHRINKING, step_s: 120, count: 20 })]) assert.ok(stepsIn(steps));
});

test('keys move the figure behind a notch by five or thirty seconds', () => {
  assert.equal(nudged(GROWING, { no: 2, end: 'hold' }, 5).step_s, 20);
  assert.equal(nudged(GROWING, { no: 1, end: 'rest' }, -30).rest_s, 150);
  assert.equal(nudged(SHRINKING, { no: 1, end: 'rest' }, 5).step_s, 25, 'a longer rest here is a smaller loss');
  const free = nudged(remade(GROWING, 'free'), { no: 1, end: 'hold' }, 5);
  assert.deepEqual(stepsOf(free).map((s) => s.planned_s), [60, 80, 90, 105]);
});

test('one hold more or less keeps the last one without a rest', () => {
  for (const form of [GROWING, SHRINKING, remade(GROWING, 'free')]) {
    const more = stepsOf(recounted(form, 1));
    assert.equal(more.length, 5);
    assert.equal(more[4].rest_s, 0);
    assert.ok(more.slice(0, 4).every((s) => s.rest_s > 0));
    assert.equal(recounted({ ...form, count: 2 }, -1).count, 2);
    assert.equal(recounted({ ...form, count: 20 }, 1).count, 20);
  }
});

const T = 1_790_000_000_000;
const made = { id: 'a-000001', hold: 'a-h00', kind: 'series', at: T, by: 'buddy', data: { series: 's1', diver: 'Ansa', buddy: 'Odo', setting: 'dry', made: 'growing', steps: [{ planned_s: 60, rest_s: 120 }, { planned_s: 75, rest_s: 0 }] } };
/** @type {any} */
const held = { series: 's1', series_no: 0, start_at: T + 10_000, end_at: T + 70_000, over: true, incident: null, passed_out: false, verdict: 'clean' };

test('the series says on every phone which hold is next and how long the rest still is', () => {
  const at = (/** @type {any[]} */ lines, /** @type {number} */ now, /** @type {any[]} */ events = [made]) => seriesNow(/** @type {any} */ (events), lines, now);
  const first = at([], T + 1000);
  assert.ok(first);
  assert.equal(seriesWords(first), 'hold 1 of 2');
  assert.deepEqual(seriesStep(first, ' ansa'), { series: 's1', series_no: 0, planned_s: 60 });
  assert.equal(seriesStep(first, 'Odo'), null, 'it is Ansa’s series');
  const resting = at([held], T + 100_000);
  assert.ok(resting);
  assert.match(seriesWords(resting), /^rest 1:30, until .*, then hold 2 of 2$/);
  assert.equal(seriesStep(resting, 'Ansa')?.planned_s, 75);
  assert.equal(at([held, { ...held, series_no: 1, start_at: T + 200_000, end_at: T + 280_000 }], T + 400_000), null, 'done');
  assert.equal(at([{ ...held, incident: 'lmc' }], T + 100_000), null, 'an incident ends it');
  const ended = { id: 'b-000001', hold: 'b-h00', kind: 'series', at: T + 80_000, by: 'diver', data: { series: 's1', ended: true } };
  assert.equal(at([held], T + 100_000, [made, ended]), null, 'the diver may end it');
  assert.equal(at([held], T + 100_000 + 7 * 3_600_000), null, 'nobody goes on with a forgotten one');
});
