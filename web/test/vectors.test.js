// Runs the vectors shared with the Go rules; testdata/vectors/README.md says in words what a runner does.
import assert from 'node:assert/strict';
import { existsSync, readFileSync, readdirSync } from 'node:fs';
import { test } from 'node:test';
import { newClockEstimate } from '../rules/clock.js';
import { decodeEvent, KINDS } from '../rules/event.js';
import { addEvent, foldEvents, newHold } from '../rules/fold.js';
import { readPlan } from '../rules/plan.js';
import { statusAt, timelineAt } from '../rules/status.js';
import { summarize } from '../rules/summary.js';
import { callRule } from './log_calls.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */
/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {Record<string, any>} Case a case of any file; its fields are checked by `only` */

const FOLDER = new URL('../../testdata/vectors/', import.meta.url);
const STATUS_FIELDS = ['hold', 'phase', 'stage', 'silence_ms', 'boundaries', 'standing', 'next'];

/** @param {string} name */
const readJson = (name) => JSON.parse(readFileSync(new URL(name, FOLDER), 'utf8'));

/**
 * Fails where an object has a field that the runner does not know, or lacks one that it needs.
 * @param {Case} value @param {string[]} needed @param {string[]} [allowed]
 */
function only(value, needed, allowed = []) {
  for (const name of needed) assert.ok(Object.hasOwn(value, name), `the field ${name} is missing`);
  for (const name of Object.keys(value)) {
    assert.ok(needed.includes(name) || allowed.includes(name), `nobody knows the field ${name}`);
  }
}

/**
 * @param {string} name
 * @returns {Case[]}
 */
function casesOf(name) {
  const file = readJson(name);
  only(file, ['format', 'about', 'count', 'cases']);
  assert.equal(file.format, 1);
  assert.ok(file.count > 0, 'a file without cases proves nothing');
  assert.equal(file.cases.length, file.count, 'count and cases differ: a case was lost or not counted');
  return file.cases;
}

/** A value as JSON sees it. @param {unknown} value */
const asJson = (value) => JSON.parse(JSON.stringify(value));

/**
 * Compares the fields that a case names; one that does not exist is a failure.
 * @param {Case} want @param {unknown} got
 */
function sameFields(want, got) {
  const fields = asJson(got);
  for (const [name, value] of Object.entries(want)) {
    assert.ok(Object.hasOwn(fields, name), `there is no field ${name}`);
    assert.deepEqual(fields[name], value, name);
  }
}

/**
 * @param {unknown[]} values
 * @returns {HoldEvent[]}
 */
function decodeAll(values) {
  return values.map((value) => {
    const decoded = decodeEvent(asJson(value));
    assert.ok('event' in decoded, JSON.stringify(decoded));
    return decoded.event;
  });
}

/**
 * Adds events one by one, looking at the hold after each as a page does.
 * @param {HoldEvent[]} events
 */
function build(events) {
  const hold = newHold(events[0].hold);
  /** @type {number[]} */
  const conflicts = [];
  events.forEach((event, i) => {
    if (addEvent(hold, event).conflict) conflicts.push(i);
    statusAt(hold, event.at);
  });
  return { hold, conflicts };
}

/** @param {Hold} hold @param {number | null} at */
const instant = (hold, at) => at ?? hold.events[hold.events.length - 1].at;

/** @param {Hold} hold @param {number} at */
function printedRungs(hold, at) {
  return timelineAt(hold, at).map(({ rung, asks, at_ms, since }) => ({ rung, asks, at_ms, since }));
}

/** @param {Hold} hold @param {number} at */
function printedStatus(hold, at) {
  return Object.fromEntries(Object.entries(statusAt(hold, at)).filter(([name]) => STATUS_FIELDS.includes(name)));
}

/** @param {Case} c */
function runFold(c) {
  only(c, ['comment', 'rules', 'events', 'at_ms', 'status'], ['timeline', 'conflicts']);
  assert.ok(Object.keys(c.status).length > 0 || c.timeline, 'a case that compares nothing');
  const events = decodeAll(c.events);
  const first = build(events);
  assert.deepEqual(first.conflicts, c.conflicts ?? [], 'conflicts');
  const holds = [first.hold, foldEvents(events[0].hold, events)];
  if (!c.conflicts) holds.push(build([...events].reverse()).hold);
  for (const hold of holds) {
    const at = instant(hold, c.at_ms);
    sameFields(c.status, printedStatus(hold, at));
    if (c.timeline) assert.deepEqual(printedRungs(hold, at), c.timeline, 'timeline');
  }
}

/** @param {Case} c */
function runPlan(c) {
  only(c, ['comment', 'rules', 'data', 'plan']);
  const plan = readPlan(asJson(c.data));
  if (c.plan === null) {
    assert.equal(plan, null, 'the plan should be void');
    return;
  }
  assert.ok(plan, 'the plan should be valid');
  sameFields(c.plan, { ...plan, dry: plan.setting === 'dry' });
}

/** @param {string} text */
function decodeText(text) {
  try {
    return decodeEvent(JSON.parse(text));
  } catch (error) {
    if (error instanceof SyntaxError) return { code: 'not-json', problem: error.message };
    throw error;
  }
}

/** @param {Case} c */
function runDecode(c) {
  only(c, ['comment', 'rules', 'text', 'ok'], ['pad', 'event']);
  if (c.pad !== undefined) assert.equal(c.text.split('~').length, 2);
  const decoded = decodeText(c.pad === undefined ? c.text : c.text.replace('~', 'x'.repeat(c.pad)));
  if (!c.ok) {
    assert.ok('code' in decoded, 'should be refused');
    assert.ok(decoded.code !== '' && decoded.problem !== '');
    return;
  }
  assert.ok('event' in decoded, JSON.stringify(decoded));
  if (c.event) assert.deepEqual(asJson(decoded.event), c.event);
}

/** @param {Case} c */
function runClock(c) {
  only(c, ['comment', 'rules', 'step_ms', 'drift_ppm', 'exchanges', 'at_ms', 'reading']);
  only(c.reading, ['offset_ms', 'doubt_ms', 'synced']);
  const clock = newClockEstimate({ stepMs: c.step_ms, driftPpm: c.drift_ppm });
  for (const { clock_id: id, ...exchange } of c.exchanges) {
    only(exchange, ['t1', 't2', 't3', 't4']);
    clock.add(exchange, id);
  }
  const { offset_ms, doubt_ms, synced } = clock.at(c.at_ms);
  assert.deepEqual({ offset_ms, doubt_ms, synced }, c.reading);
}

/** @param {Case} c */
function runSummary(c) {
  only(c, ['comment', 'rules', 'events', 'at_ms', 'summary']);
  assert.ok(Object.keys(c.summary).length > 0, 'a case that compares nothing');
  const { hold, conflicts } = build(decodeAll(c.events));
  assert.deepEqual(conflicts, []);
  sameFields(c.summary, summarize(hold, instant(hold, c.at_ms)));
}

/** @param {Case} c */
function runLog(c) {
  only(c, ['comment', 'rules', 'call', 'in', 'out']);
  const got = callRule(c.call, c.in);
  if (Array.isArray(c.out) || c.out === null) assert.deepEqual(asJson(got ?? null), c.out);
  else sameFields(c.out, got);
}

/** Which kind of case a file holds. @type {Record<string, (c: Case) => void>} */
const RUNNERS = {
  'decode.json': runDecode,
  'plan.json': runPlan,
  'cadence.json': runFold,
  'ladder.json': runFold,
  'announced.json': runFold,
  'bringup.json': runFold,
  'proof.json': runFold,
  'recovery.json': runFold,
  'amend.json': runFold,
  'summary.json': runSummary,
  'clock.json': runClock,
  'log.json': runLog,
};

for (const [name, run] of Object.entries(RUNNERS)) {
  test(`vectors: ${name}`, () => {
    const failed = [];
    for (const [i, c] of casesOf(name).entries()) {
      try {
        assert.ok(c.comment);
        run(c);
      } catch (error) {
        failed.push(`case ${i}: ${c.comment}\n${error instanceof Error ? error.message : error}`);
      }
    }
    assert.equal(failed.length, 0, `${failed.length} of ${name} fail\n${failed.join('\n')}`);
  });
}

test('vectors: every file is run, every rule and kind has a case', () => {
  for (const name of readdirSync(FOLDER)) {
    if (!name.endsWith('.json') || name === 'rules.json') continue;
    assert.ok(Object.hasOwn(RUNNERS, name), `nobody runs ${name}`);
    assert.ok(existsSync(new URL(`schema/${name}`, FOLDER)), `${name} has no schema`);
  }
  const listed = readJson('rules.json');
  only(listed, ['format', 'about', 'count', 'kinds', 'rules']);
  assert.equal(listed.rules.length, listed.count);
  const ids = new Set(listed.rules.map((/** @type {Case} */ rule) => rule.id));
  assert.equal(ids.size, listed.count, 'a rule stands twice');
  const covered = new Set();
  const kinds = new Set();
  for (const name of Object.keys(RUNNERS)) {
    for (const c of casesOf(name)) {
      assert.ok(c.rules.length > 0);
      for (const id of c.rules) {
        assert.ok(ids.has(id), `a case of ${name} names the rule ${id}, which is not listed`);
        covered.add(id);
      }
      for (const event of c.events ?? c.in?.events ?? []) kinds.add(event.kind);
    }
  }
  assert.deepEqual([...ids].filter((id) => !covered.has(id)), [], 'rules without a case');
  assert.deepEqual(listed.kinds.filter((/** @type {string} */ kind) => !kinds.has(kind)), [], 'kinds without a case');
  for (const kind of listed.kinds) assert.ok(KINDS.includes(kind), `${kind} is no kind`);
});
