// Runs the vectors shared with the Go rules; testdata/vectors/README.md says in words what a runner does.
import assert from 'node:assert/strict';
import { readFileSync, readdirSync } from 'node:fs';
import { describe, test } from 'node:test';
import { newClockEstimate } from '../rules/clock.js';
import { KINDS, decodeEvent, isObject } from '../rules/event.js';
import { addEvent, newHold } from '../rules/fold.js';
import { readPlan } from '../rules/plan.js';
import { statusAt, timelineAt } from '../rules/status.js';
import { summarize } from '../rules/summary.js';

/** @typedef {Record<string, any>} Case */

const FOLDER = new URL('../../testdata/vectors/', import.meta.url);

/** @param {string} name @returns {any} */
const read = (name) => JSON.parse(readFileSync(new URL(name, FOLDER), 'utf8'));

/**
 * A field that the runner does not know is a failure: it would be a check that nobody makes.
 * @param {Case} object @param {string[]} known
 */
function knowsAll(object, known) {
  assert.deepEqual(Object.keys(object).filter((key) => !known.includes(key)), []);
}

/**
 * Compares the fields that a case names; one that does not exist is a failure.
 * @param {Case} want @param {object} got
 */
function sameFields(want, got) {
  const fields = /** @type {Case} */ (got);
  for (const [name, value] of Object.entries(want)) {
    assert.ok(Object.hasOwn(fields, name), `there is no field ${name}`);
    assert.deepEqual(fields[name], value, name);
  }
}

/** @param {unknown[]} events */
function build(events) {
  const decoded = events.map((raw) => {
    const read = decodeEvent(raw);
    assert.ok('event' in read, 'an event of the case is refused');
    return read.event;
  });
  const hold = newHold(decoded[0].hold);
  const conflicts = decoded.flatMap((event, i) => (addEvent(hold, event).conflict ? [i] : []));
  return { hold, conflicts, last: hold.events[hold.events.length - 1].at };
}

/** @param {Case} c */
function runFold(c) {
  knowsAll(c, ['comment', 'rules', 'events', 'at_ms', 'status', 'timeline', 'conflicts']);
  assert.ok(c.status || c.timeline, 'a case that compares nothing');
  const { conflicts } = build(c.events);
  assert.deepEqual(conflicts, c.conflicts ?? []);
  for (const events of conflicts.length > 0 ? [c.events] : [c.events, c.events.toReversed()]) {
    const { hold, last } = build(events);
    const at = c.at_ms ?? last;
    sameFields(c.status ?? {}, statusAt(hold, at));
    const rungs = timelineAt(hold, at).map(({ rung, asks, at_ms, since }) => ({ rung, asks, at_ms, since }));
    if (c.timeline) assert.deepEqual(rungs, c.timeline);
  }
}

/** @param {Case} c */
function runSummary(c) {
  knowsAll(c, ['comment', 'rules', 'events', 'at_ms', 'summary']);
  assert.ok(Object.keys(c.summary).length > 0, 'a case that compares nothing');
  const { hold, conflicts, last } = build(c.events);
  assert.deepEqual(conflicts, []);
  sameFields(c.summary, summarize(hold, c.at_ms ?? last));
}

/** @param {Case} c */
function runPlan(c) {
  knowsAll(c, ['comment', 'rules', 'data', 'plan']);
  const plan = readPlan(c.data);
  if (c.plan === null) assert.equal(plan, null);
  else {
    assert.ok(plan, 'the plan is void');
    sameFields(c.plan, { ...plan, dry: plan.setting === 'dry' });
  }
}

/** @param {Case} c */
function runDecode(c) {
  knowsAll(c, ['comment', 'rules', 'text', 'pad', 'ok', 'event']);
  const text = c.pad === undefined ? c.text : c.text.replace('~', 'x'.repeat(c.pad));
  const value = parsed(text);
  const read = value === undefined ? { problem: 'not JSON' } : decodeEvent(value);
  assert.equal('event' in read, c.ok);
  if (c.event) assert.deepEqual('event' in read && read.event, c.event, 'every field it came with is passed on');
}

/** @param {string} text @returns {unknown} undefined where it is not JSON */
function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}

/** @param {Case} c */
function runClock(c) {
  knowsAll(c, ['comment', 'rules', 'step_ms', 'drift_ppm', 'exchanges', 'at_ms', 'reading']);
  const clock = newClockEstimate({ stepMs: c.step_ms, driftPpm: c.drift_ppm });
  for (const { clock_id: id, ...exchange } of c.exchanges) clock.add(exchange, id ?? '');
  assert.deepEqual(clock.at(c.at_ms), c.reading);
}

/** @type {Record<string, (c: Case) => void>} */
const RUNNERS = {
  'decode.json': runDecode, 'plan.json': runPlan, 'cadence.json': runFold, 'ladder.json': runFold, 'announced.json': runFold,
  'bringup.json': runFold, 'proof.json': runFold, 'recovery.json': runFold, 'amend.json': runFold, 'summary.json': runSummary,
  'clock.json': runClock,
};

for (const [name, run] of Object.entries(RUNNERS)) {
  describe(`vectors ${name}`, () => {
    const file = read(name);
    test('has the cases it says it has', () => {
      knowsAll(file, ['format', 'about', 'count', 'cases']);
      assert.equal(file.format, 1);
      assert.ok(file.count > 0);
      assert.equal(file.cases.length, file.count);
    });
    file.cases.forEach((/** @type {Case} */ c, /** @type {number} */ i) => test(`${i}: ${c.comment}`, () => run(c)));
  });
}

test('vectors: every file is run, every rule and every kind of event has a case', () => {
  const files = readdirSync(FOLDER).filter((name) => name.endsWith('.json') && name !== 'rules.json');
  assert.deepEqual(files.sort(), Object.keys(RUNNERS).sort());
  const cases = files.flatMap((name) => read(name).cases);
  const { rules, kinds } = read('rules.json');
  const covered = new Set(cases.flatMap((c) => c.rules));
  assert.deepEqual(rules.map((/** @type {Case} */ r) => r.id).filter((/** @type {string} */ id) => !covered.has(id)), []);
  assert.deepEqual(kinds.filter((/** @type {string} */ kind) => !KINDS.includes(kind)), []);
  const seen = new Set(cases.flatMap((c) => (c.events ?? []).filter(isObject).map((/** @type {Case} */ e) => e.kind)));
  assert.deepEqual(kinds.filter((/** @type {string} */ kind) => !seen.has(kind)), []);
});
