/**
 * The log going out of the phone and coming in: files of whole events (JSON
 * Lines) and tables (CSV), the same as the host's. It works without a host; what
 * comes in is checked like anything that comes over a wire.
 */

import { compareEvents, sameContent } from '../rules/event.js';
import { nameKey, samePerson } from '../rules/people.js';
import { diverIn } from '../rules/log.js';
import { foldEvents } from '../rules/fold.js';
import { CSV_HEAD, csvRow } from './csv.js';
import { isNoHold } from './device.js';
import { newLogReader, newLogWriter } from './log_file.js';
import { isFromFile, keepPlace, keptPair, placesOf } from './places.js';
import { PlainError } from './access.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */
/** @typedef {import('../rules/people.js').Person} Person */
/** @typedef {import('../store/db.js').Store} Store */
/** @typedef {import('./logbook.js').Line} Line */

/** Lines checked and stored in one go. */
const BATCH = 1000;
/** A refused line is told of, but a file that is none does not fill the screen. */
const TOLD = 200;

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
    const key = line.pair === '' || isFromFile(line.pair) ? `${line.day} ${people}` : `${line.pair} ${line.day}`;
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
 * @param {number} nowMs shared ms
 * @param {(done: number) => void} told how many holds are written
 * @returns {Promise<string[]>}
 */
export async function jsonLines(store, lines, nowMs, told) {
  const out = newLogWriter(nowMs);
  const placeOf = await placesOf(store);
  /** @type {string[]} */
  const parts = [];
  const people = lines.map(diverIn);
  for (const id of (await store.holds()).filter(isNoHold)) {
    const rows = (await store.ofHold(id)).filter((r) => tellsOf(r.event, people));
    if (rows.length > 0) parts.push(out.events(rows.map((r) => r.event).sort(compareEvents), placeOf(rows[0].pair, id, rows[0].at)));
  }
  for (const [i, line] of lines.entries()) {
    const events = (await store.ofHold(line.hold)).map((r) => r.event).sort(compareEvents);
    parts.push(out.events(events, placeOf(line.pair, line.hold, line.start_at)));
    told(i + 1);
  }
  parts.push(out.end());
  return parts;
}

/**
 * The same holds as a table, in pieces.
 * @param {Store} store
 * @param {Line[]} lines
 * @param {number} nowMs shared ms
 * @param {(done: number) => void} told how many holds are written
 * @returns {Promise<string[]>}
 */
export async function tableRows(store, lines, nowMs, told) {
  const parts = [CSV_HEAD];
  const placeOf = await placesOf(store);
  for (const [i, line] of lines.entries()) {
    const hold = foldEvents(line.hold, (await store.ofHold(line.hold)).map((r) => r.event));
    parts.push(csvRow(hold, line, placeOf(line.pair, line.hold, line.start_at), nowMs));
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
 * @param {object} on
 * @param {(so: Imported) => void} on.told
 * @param {() => boolean} on.stopped
 * @param {string | null} [on.running] the hold that people are at: nothing is added to it
 * @returns {Promise<Imported>} rejects with `{code, reason}` where this page cannot read such a file
 */
export async function importLines(store, text, { told, stopped, running = null }) {
  /** @type {Imported} */
  const so = { read: 0, added: 0, known: 0, refused: [], refusals: 0, holds: new Set(), stopped: false };
  /** @type {Set<string>} */
  const begun = new Set();
  /** @type {Set<string>} */
  const placed = new Set();
  let at = 0;
  /** @param {number} line @param {string} id @param {string} code @param {string} reason */
  const refuse = (line, id, code, reason) => {
    so.refusals += 1;
    if (so.refused.length < TOLD) so.refused.push({ line, id, code, reason });
  };

  /** @typedef {import('./log_file.js').Place} Place */
  /** @type {{line: number, event: HoldEvent, place: Place | null}[]} */
  let batch = [];
  const flush = async () => {
    /** @type {Map<string, {event: HoldEvent, place: Place | null}>} */
    const first = new Map();
    for (const one of batch) if (!first.has(one.event.id)) first.set(one.event.id, one);
    const barred = [...first.values()].filter(({ event }) => event.hold === running).map(({ event }) => event.id);
    const rows = [...first.values()].filter(({ event }) => event.hold !== running).map(({ event, place }) => ({
      id: event.id, pair: keptPair(place?.pair ?? event.hold), at: event.at, event, state: /** @type {const} */ ('stored'),
    }));
    const here = [...(barred.length > 0 ? await store.byId(barred) : []), ...(await store.bring(rows))];
    const there = new Map(here.map((row) => [row.id, row.event]));
    for (const { line, event, place } of batch) {
      const kept = there.get(event.id);
      const mine = first.get(event.id)?.event;
      if (kept === undefined && event.hold === running) refuse(line, event.id, 'running', 'this hold is not over: only its own phones add to it');
      else if (kept === undefined && mine === event) {
        so.holds.add(event.hold);
        so.added += 1;
      } else if (sameContent(kept ?? mine, event)) so.known += 1;
      else refuse(line, event.id, 'conflict', 'the same id came with other content; the first is kept');
      if (place !== null && !placed.has(place.pair)) {
        placed.add(place.pair);
        await keepPlace(store, keptPair(place.pair), place);
      }
    }
    batch = [];
    told(so);
  };
  const reader = newLogReader();
  /** @param {import('./log_file.js').Line} line */
  const keep = (line) => {
    if (line === null) return;
    if ('stop' in line) throw new PlainError('version', line.stop);
    if ('event' in line) {
      begun.add(line.event.hold);
      batch.push({ line: at, ...line });
    } else refuse(at, line.id ?? '', line.code, line.problem);
  };
  /** @param {string} words */
  const take = (words) => {
    at += 1;
    const line = reader.line(words);
    if (so.stopped && !(line !== null && 'event' in line && begun.has(line.event.hold))) return;
    so.read += 1;
    keep(line);
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
  if (!so.stopped) keep(reader.end());
  await flush();
  return so;
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
