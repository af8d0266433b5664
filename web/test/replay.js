// Folds events on the command line with the rules of the page, as `buddyclock replay` does with those of the server.
//
//   node web/test/replay.js [-timeline] [-at SECONDS] < events.jsonl
//   node web/test/replay.js --batch < sets.jsonl
//
// With --batch each line is {"events": […], "at": [shared ms, …]}, all of one hold, and gives one line
// {"status": […], "timeline": […], "summary": […]} with one entry for each instant.

import { parseArgs } from 'node:util';
import { compareBytes, decodeEvent, sameContent } from '../rules/event.js';
import { addEvent, newHold } from '../rules/fold.js';
import { statusAt, timelineAt } from '../rules/status.js';
import { summarize } from '../rules/summary.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

/**
 * What `replay` prints of a status.
 * @param {Hold} hold
 * @param {number} at
 */
function printed(hold, at) {
  const { phase, stage, silence_ms, boundaries, standing, next } = statusAt(hold, at);
  return { hold: hold.id, phase, stage, silence_ms, boundaries, standing, next };
}

/**
 * @param {Hold} hold
 * @param {number} at
 */
function printedRungs(hold, at) {
  return timelineAt(hold, at).map(({ rung, asks, at_ms, since }) => ({ hold: hold.id, rung, asks, at_ms, since }));
}

/** @param {unknown} value */
function print(value) {
  process.stdout.write(`${JSON.stringify(value)}\n`);
}

/**
 * The lines of standard input with their numbers, empty ones left out; null for one that is not UTF-8.
 * @returns {Promise<[number, string | null][]>}
 */
async function readLines() {
  const chunks = [];
  for await (const chunk of process.stdin) chunks.push(chunk);
  const bytes = Buffer.concat(chunks);
  const utf8 = new TextDecoder('utf-8', { fatal: true });
  /** @type {[number, string | null][]} */
  const lines = [];
  for (let from = 0, number = 1; from < bytes.length; number++) {
    const newline = bytes.indexOf(10, from);
    const to = newline < 0 ? bytes.length : newline;
    try {
      const line = utf8.decode(bytes.subarray(from, to)).trim();
      if (line !== '') lines.push([number, line]);
    } catch {
      lines.push([number, null]);
    }
    from = to + 1;
  }
  return lines;
}

/**
 * @param {string | null} line
 * @returns {{event: HoldEvent} | {problem: string}}
 */
function readLine(line) {
  if (line === null) return { problem: 'the event is not valid UTF-8' };
  try {
    return decodeEvent(JSON.parse(line));
  } catch (error) {
    if (error instanceof SyntaxError) return { problem: `the event is not JSON: ${error.message}` };
    throw error;
  }
}

/**
 * @param {string} text decimal seconds
 * @returns {number} whole ms
 */
function sinceStartMs(text) {
  const seconds = text.trim() === '' ? NaN : Number(text);
  const ms = Math.sign(seconds) * Math.floor(Math.abs(seconds) * 1000 + 0.5);
  if (!Number.isSafeInteger(ms)) throw new RangeError(`-at ${text} is not a number of seconds`);
  return ms;
}

/** @returns {Promise<{holds: Hold[], bad: boolean}>} */
async function readHolds() {
  /** @type {Map<string, Hold>} */
  const holds = new Map();
  /** @type {Map<string, HoldEvent>} */
  const seen = new Map();
  let bad = false;
  for (const [number, line] of await readLines()) {
    const read = readLine(line);
    const first = 'event' in read ? seen.get(read.event.id) : undefined;
    if (!('event' in read)) {
      bad = true;
      console.error(`line ${number}: ${read.problem}`);
    } else if (first) {
      if (sameContent(first, read.event)) continue;
      bad = true;
      console.error(`line ${number}: event "${first.id}" is there already with other content; the first one is kept`);
    } else {
      const { event } = read;
      seen.set(event.id, event);
      const hold = holds.get(event.hold) ?? newHold(event.hold);
      holds.set(event.hold, hold);
      addEvent(hold, event);
    }
  }
  return { holds: [...holds.values()].sort((a, b) => compareBytes(a.id, b.id)), bad };
}

/**
 * @param {boolean} timeline
 * @param {string | undefined} seconds since the start
 */
async function replay(timeline, seconds) {
  const atMs = seconds === undefined ? null : sinceStartMs(seconds);
  const { holds, bad } = await readHolds();
  for (const hold of holds) {
    const last = hold.events[hold.events.length - 1].at;
    const start = statusAt(hold, last).start_at;
    if (atMs !== null && start === null) console.error(`hold ${hold.id} has not started: shown at its last event`);
    const at = atMs !== null && start !== null ? start + atMs : last;
    if (timeline) printedRungs(hold, at).forEach(print);
    else print({ ...printed(hold, at), summary: summarize(hold, at) });
  }
  return bad ? 1 : 0;
}

async function batch() {
  for (const [, line] of await readLines()) {
    /** @type {{events: unknown[], at: number[]}} */
    const { events, at } = JSON.parse(line ?? '');
    const decoded = events.map(decodeEvent).flatMap((d) => ('event' in d ? [d.event] : []));
    const hold = newHold(decoded[0]?.hold ?? '');
    for (const event of decoded) addEvent(hold, event);
    print({
      status: at.map((t) => printed(hold, t)),
      timeline: at.map((t) => printedRungs(hold, t)),
      summary: at.map((t) => summarize(hold, t)),
    });
  }
  return 0;
}

/** Single-dash long flags, as the Go command has them, become double-dash ones. */
const args = process.argv.slice(2).map((arg) => arg.replace(/^-(?=[a-z]{2})/, '--'));
/** A value that begins with a dash must be joined to its flag. */
const joined = args.flatMap((arg, i) => (arg === '--at' ? [`--at=${args[i + 1]}`] : args[i - 1] === '--at' ? [] : [arg]));
const { values } = parseArgs({
  args: joined,
  options: { timeline: { type: 'boolean' }, batch: { type: 'boolean' }, at: { type: 'string' } },
});
process.exitCode = values.batch ? await batch() : await replay(values.timeline === true, values.at);
