import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { test } from 'node:test';
import { fileURLToPath } from 'node:url';
import { folded, holdWith } from './rules_helper.js';
import { statusAt } from '../rules/status.js';
import { summarize } from '../rules/summary.js';

const SCRIPT = fileURLToPath(new URL('replay.js', import.meta.url));

/** @param {string | Uint8Array} input @param {string[]} args */
function replay(input, ...args) {
  const { status, stdout, stderr } = spawnSync(process.execPath, [SCRIPT, ...args], { input, encoding: 'utf8' });
  return { status, stderr, lines: stdout.split('\n').filter(Boolean).map((line) => JSON.parse(line)) };
}

/** @param {unknown[]} events */
const jsonLines = (events) => events.map((e) => JSON.stringify(e)).join('\n');

function smallHold() {
  const h = holdWith({ planned_s: 240, cadence: 'standard' });
  h.add('answered', 20000);
  h.add('asked', 53000);
  return h;
}

test('replay: one object a hold, sorted by hold, with the fields in their order', () => {
  const { events } = smallHold();
  const other = events.map((e) => ({ ...e, id: `x${e.id}`, hold: 'another' }));
  const { status, stderr, lines } = replay(jsonLines([...events, ...other].reverse()));
  assert.deepEqual([status, stderr], [0, '']);
  assert.deepEqual(lines.map((l) => l.hold), ['another', 'test-h01']);
  assert.deepEqual(Object.keys(lines[1]), ['hold', 'phase', 'stage', 'silence_ms', 'boundaries', 'standing', 'next', 'summary']);
  assert.deepEqual([lines[1].silence_ms, lines[1].standing], [33000, { rung: 'prompt', asks: 'look' }]);
  assert.deepEqual(lines[1].next.map((/** @type {any} */ r) => r.at_ms), [61000, 65000]);
});

test('replay: -at counts from the start, in decimal seconds, before it too', () => {
  const input = jsonLines(smallHold().events);
  assert.equal(replay(input, '-at', '20.0625').lines[0].silence_ms, 63);
  assert.equal(replay(input, '-at', '-0.001').lines[0].phase, 'planned');
  assert.equal(replay(input, '-at=0').lines[0].phase, 'hold');
  assert.notEqual(replay(input, '-at', 'soon').status, 0);
});

test('replay: -timeline prints every rung reached', () => {
  const { lines } = replay(jsonLines(smallHold().events), '-timeline', '-at', '65');
  assert.deepEqual(lines[0], { hold: 'test-h01', rung: 'prompt', asks: 'look', at_ms: 50000, since: 'start' });
  assert.deepEqual(lines.map((l) => [l.rung, l.at_ms]), [['prompt', 50000], ['again', 61000], ['alarm', 65000]]);
});

test('replay: a bad line is named with its number and reason, the others are used', () => {
  const { events } = smallHold();
  const bytes = new TextEncoder().encode(`${jsonLines(events)}\n\nnot json\n{"id":"a-1"}\n`);
  const changed = new TextEncoder().encode(JSON.stringify({ ...events[2], at: events[2].at + 1 }));
  const input = new Uint8Array([...bytes, 0xff, 10, ...changed, 10, ...new TextEncoder().encode(JSON.stringify(events[2]))]);
  const { status, stderr, lines } = replay(input);
  assert.equal(status, 1);
  assert.deepEqual(stderr.split('\n').filter(Boolean).map((l) => l.split(':')[0]), ['line 6', 'line 7', 'line 8', 'line 9']);
  assert.match(stderr, /line 9: event "buddy-000003" is there already with other content/);
  assert.equal(lines[0].silence_ms, 33000);
});

test('replay: --batch answers each set at its instants', () => {
  const { events } = smallHold();
  const hold = folded(events);
  const at = [events[1].at - 5, events[1].at + 60000, events[1].at + 61000];
  const { lines } = replay(`${JSON.stringify({ events, at })}\n${JSON.stringify({ events: [], at: [0] })}\n`, '--batch');
  assert.equal(lines.length, 2);
  assert.deepEqual(lines[0].status.map((/** @type {any} */ s) => s.silence_ms), at.map((t) => statusAt(hold, t).silence_ms));
  assert.deepEqual(lines[0].summary, at.map((t) => summarize(hold, t)));
  assert.deepEqual(lines[0].timeline.map((/** @type {any[]} */ rungs) => rungs.length), [0, 1, 2]);
  assert.equal(lines[1].status[0].phase, 'planned');
});
