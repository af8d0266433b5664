/**
 * The log going out of the phone and coming in: files of whole events (JSON
 * Lines) and tables (CSV). It works without a host; what comes in is checked
 * like anything that comes over a wire.
 */

import { compareEvents, decodeEvent, sameContent } from '../rules/event.js';
import { nameKey, samePerson } from '../rules/people.js';
import { diverIn } from '../rules/log.js';
import { foldEvents } from '../rules/fold.js';
import { CSV_HEAD, csvRow } from './csv.js';
import { isNoHold } from './device.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */
/** @typedef {import('../rules/people.js').Person} Person */
/** @typedef {import('../store/db.js').Store} Store */
/** @typedef {import('./logbook.js').Line} Line */

/** Lines checked and stored in one go. */
const BATCH = 1000;
/** A refused line is told of, but a file that is none does not fill the screen. */
const TOLD = 200;

/** Pair under which the phone keeps a hold that came out of a file: it is nobody's on any host. @param {string} hold */
export const keptPair = (hold) => `file:${hold}`;

/**
 * Outings, the newest first: what one pair did on one day.
 * @param {Line[]} lines oldest first
 * @returns {{key: string, start_at: number, lines: Line[]}[]}
 */
export function outingsOf(lines) {
  /** @type {Map<string, {key: string, start_at: number, lines: Line[]}>} */
  const found = new Map();
  for (let i = lines.length - 1; i >= 0; i--) {
    const line = lines[i];
    const people = [line.diver_key, line.buddy_key].sort().join('\n');
    const key = line.pair === '' || line.pair.startsWith('file:') ? `${line.day} ${people}` : `${line.pair} ${line.day}`;
    const outing = found.get(key);
    if (outing) outing.lines.unshift(line);
    else found.set(key, { key, start_at: line.start_at, lines: [line] });
  }
  return [...found.values()];
}

/**
 * Whether an event that belongs to no hold tells of one of these people.
 * @param {HoldEvent} event
 * @param {Person[]} people
 */
export function tellsOf(event, people) {
  const data = event.data ?? {};
  if (event.kind !== 'profile' && event.kind !== 'series') return false;
  const name = event.kind === 'profile' ? data.name : data.diver;
  const who = { id: typeof data.diver_id === 'string' ? data.diver_id : null, key: nameKey(typeof name === 'string' ? name : '') };
  return people.some((p) => samePerson(p, who));
}

/**
 * The events of holds and of their divers' profiles and series, as JSON Lines, in pieces.
 * @param {Store} store
 * @param {Line[]} lines
 * @param {(done: number) => void} told how many holds are written
 * @returns {Promise<string[]>}
 */
export async function jsonLines(store, lines, told) {
  /** @type {string[]} */
  const parts = [];
  const text = (/** @type {HoldEvent[]} */ events) => events.sort(compareEvents).map((e) => `${JSON.stringify(e)}\n`).join('');
  const people = lines.map(diverIn);
  for (const id of (await store.holds()).filter(isNoHold)) {
    const events = (await store.ofHold(id)).map((r) => r.event).filter((e) => tellsOf(e, people));
    if (events.length > 0) parts.push(text(events));
  }
  for (const [i, line] of lines.entries()) {
    parts.push(text((await store.ofHold(line.hold)).map((r) => r.event)));
    told(i + 1);
  }
  return parts;
}

/**
 * The same holds as a table, in pieces.
 * @param {Store} store
 * @param {Line[]} lines
 * @param {{pair: string, session: string, number: number | null} | null} here the pair the phone is in
 * @param {number} nowMs shared ms
 * @param {(done: number) => void} told how many holds are written
 * @returns {Promise<string[]>}
 */
export async function tableRows(store, lines, here, nowMs, told) {
  const parts = [CSV_HEAD];
  for (const [i, line] of lines.entries()) {
    const hold = foldEvents(line.hold, (await store.ofHold(line.hold)).map((r) => r.event));
    parts.push(csvRow(hold, line, here, nowMs));
    told(i + 1);
  }
  return parts;
}

/**
 * What became of a file.
 * @typedef {object} Imported
 * @property {number} read lines
 * @property {number} added
 * @property {number} known were here already
 * @property {{line: number, id: string, code: string, reason: string}[]} refused the first of them
 * @property {number} refusals
 * @property {Set<string>} holds that have new events
 * @property {boolean} stopped
 */

/**
 * Takes a file in. The same file twice changes nothing. Where somebody stops it, the rest of the file is still read for
 * the holds already begun, so that what is here is whole holds; going on later brings the others.
 * @param {Store} store
 * @param {AsyncIterable<string>} text pieces of the file
 * @param {{told: (so: Imported) => void, stopped: () => boolean}} on
 * @returns {Promise<Imported>}
 */
export async function importLines(store, text, { told, stopped }) {
  /** @type {Imported} */
  const so = { read: 0, added: 0, known: 0, refused: [], refusals: 0, holds: new Set(), stopped: false };
  /** @type {Set<string>} */
  const begun = new Set();
  let at = 0;
  /** @param {number} line @param {string} id @param {string} code @param {string} reason */
  const refuse = (line, id, code, reason) => {
    so.refusals += 1;
    if (so.refused.length < TOLD) so.refused.push({ line, id, code, reason });
  };

  /** @type {{line: number, event: HoldEvent}[]} */
  let batch = [];
  const flush = async () => {
    /** @type {Map<string, HoldEvent>} */
    const first = new Map();
    for (const { event } of batch) if (!first.has(event.id)) first.set(event.id, event);
    const rows = [...first.values()].map((event) => ({
      id: event.id, pair: keptPair(event.hold), at: event.at, event, state: /** @type {const} */ ('stored'),
    }));
    const there = new Map((await store.bring(rows)).map((row) => [row.id, row.event]));
    for (const { line, event } of batch) {
      const kept = there.get(event.id) ?? first.get(event.id);
      if (kept === event) {
        so.holds.add(event.hold);
        so.added += 1;
      } else if (sameContent(kept, event)) so.known += 1;
      else refuse(line, event.id, 'conflict', 'the same id came with other content; the first is kept');
    }
    batch = [];
    told(so);
  };
  /** @param {string} words */
  const take = (words) => {
    at += 1;
    if (so.stopped) {
      const event = eventIn(words);
      if (event === null || !begun.has(event.hold)) return;
      so.read += 1;
      batch.push({ line: at, event });
      return;
    }
    so.read += 1;
    if (words.trim() === '') return;
    /** @type {unknown} */
    let value;
    try {
      value = JSON.parse(words);
    } catch {
      refuse(at, '', 'bad-json', 'not a line of JSON');
      return;
    }
    const made = decodeEvent(value);
    if ('event' in made) {
      begun.add(made.event.hold);
      batch.push({ line: at, event: made.event });
    } else refuse(at, idOf(value), made.code, made.problem);
  };

  let rest = '';
  for await (const piece of text) {
    const words = (rest + piece).split('\n');
    rest = /** @type {string} */ (words.pop());
    for (const line of words) {
      take(line);
      if (batch.length >= BATCH) await flush();
      so.stopped ||= stopped();
    }
  }
  if (rest !== '') take(rest);
  await flush();
  return so;
}

/** @param {string} words @returns {HoldEvent | null} */
function eventIn(words) {
  try {
    const made = decodeEvent(JSON.parse(words));
    return 'event' in made ? made.event : null;
  } catch {
    return null;
  }
}

/** @param {unknown} value */
function idOf(value) {
  const id = typeof value === 'object' && value !== null ? /** @type {any} */ (value).id : undefined;
  return typeof id === 'string' ? id : '';
}

/**
 * Everything a phone has of one diver: the holds they dived, their profiles and series.
 * @param {Store} store
 * @param {Line[]} lines
 * @param {Person} person
 * @returns {Promise<{ids: string[], holds: string[]}>} events, and the holds among them
 */
export async function ownOf(store, lines, person) {
  const holds = lines.filter((h) => samePerson(diverIn(h), person)).map((h) => h.hold);
  /** @type {string[]} */
  const ids = [];
  for (const hold of holds) ids.push(...(await store.ofHold(hold)).map((r) => r.id));
  for (const id of (await store.holds()).filter(isNoHold)) {
    ids.push(...(await store.ofHold(id)).filter((r) => tellsOf(r.event, [person])).map((r) => r.id));
  }
  return { ids, holds };
}
