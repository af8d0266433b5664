/**
 * The lines of a log's file, as host and phone both write and read them (PROTOCOL.md, 7a): a head, outings and pairs, each
 * event with a checksum, and an end with one over all. Pure.
 */

import { decodeEvent, deviceOf } from '../rules/event.js';
import { newSha256 } from '../sync/sha256.js';
import { counterOf } from './device.js';

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

/**
 * Where a hold was made.
 * @typedef {object} Place
 * @property {string} pair
 * @property {number} number of the pair in its outing
 * @property {string} outing
 * @property {number} started_ms of the outing, shared ms
 */

const VERSION = 1;
const utf8 = new TextEncoder();

/** @param {Uint8Array} bytes */
const hex = (bytes) => Array.from(bytes, (b) => b.toString(16).padStart(2, '0')).join('');

/**
 * The checksum of an event and of how it is filed.
 * @param {string} pair
 * @param {number} storedMs
 * @param {HoldEvent} event
 * @param {string} spelt the event as it stands in the line
 */
export function sumOf(pair, storedMs, event, spelt) {
  const sum = newSha256();
  const eight = new DataView(new ArrayBuffer(8));
  const whole = (/** @type {number} */ n) => {
    eight.setBigInt64(0, BigInt(n));
    sum.add(new Uint8Array(eight.buffer));
  };
  for (const word of [event.id, pair, event.hold, event.kind, deviceOf(event.id)]) {
    const bytes = utf8.encode(word);
    whole(bytes.length);
    sum.add(bytes);
  }
  for (const n of [counterOf(event.id), event.at, storedMs]) whole(n);
  sum.add(utf8.encode(spelt));
  return hex(sum.digest().subarray(0, 8));
}

/**
 * Writes a file, piece by piece.
 * @param {number} madeMs shared ms
 */
export function newLogWriter(madeMs) {
  const digest = newSha256();
  /** @type {Set<string>} */
  const said = new Set();
  let events = 0;
  let begun = false;
  /** @param {object[]} lines */
  const write = (lines) => {
    const text = lines.map((l) => `${typeof l === 'string' ? l : JSON.stringify(l)}\n`).join('');
    digest.add(utf8.encode(text));
    return text;
  };
  const head = () => {
    if (begun) return [];
    begun = true;
    return [{ buddyclock: 'log', v: VERSION, made_ms: madeMs }];
  };
  /** @param {Place} place */
  const placed = ({ pair, number, outing, started_ms }) => {
    const lines = [];
    if (!said.has(`outing ${outing}`)) lines.push({ outing: { id: outing, started_ms } });
    if (!said.has(`pair ${pair}`)) lines.push({ pair: { id: pair, outing, number, made_ms: started_ms } });
    said.add(`outing ${outing}`).add(`pair ${pair}`);
    return lines;
  };
  return {
    /**
     * @param {HoldEvent[]} list events of one place
     * @param {Place} place
     */
    events(list, place) {
      /** @type {any[]} */
      const lines = [...head(), ...placed(place)];
      for (const event of list) {
        // Since when the host has it the phone does not know; an event is no older than its own time.
        const spelt = JSON.stringify(event);
        events += 1;
        lines.push(`{"event":${spelt},"pair":${JSON.stringify(place.pair)},"stored_ms":${event.at},"sum":"${sumOf(place.pair, event.at, event, spelt)}"}`);
      }
      return write(lines);
    },
    end() {
      const rest = write(head());
      return `${rest}${JSON.stringify({ end: { events, sha256: hex(digest.digest()) } })}\n`;
    },
  };
}

/**
 * What a line says.
 * @typedef {{event: HoldEvent, place: Place | null}
 *   | {code: string, problem: string, id?: string}
 *   | {stop: string}
 *   | null} Line `null`: nothing to keep; `stop`: this file cannot be read, in words
 */

/**
 * Reads a file line by line. Lines that are events alone are taken too, as `replay` takes them.
 */
export function newLogReader() {
  const digest = newSha256();
  /** @type {Map<string, {id: string, started_ms: number}>} */
  const outings = new Map();
  /** @type {Map<string, Place>} */
  const places = new Map();
  let lines = 0;
  let events = 0;
  let wrapped = false;
  let ended = false;

  /** @param {any} p @returns {Line} */
  const pair = (p) => {
    const outing = outings.get(p?.outing);
    if (!isText(p?.id) || !Number.isSafeInteger(p.number) || p.number < 1) return { code: 'bad-pair', problem: 'the pair cannot be read' };
    if (!outing) return { code: 'bad-pair', problem: 'the pair’s outing does not stand before it' };
    places.set(p.id, { pair: p.id, number: p.number, outing: outing.id, started_ms: outing.started_ms });
    return null;
  };
  /** @param {any} value @param {string} text @returns {Line} */
  const filed = (value, text) => {
    events += 1;
    const made = decodeEvent(value.event);
    if (!('event' in made)) return { ...made, id: idOf(value.event) };
    const { event } = made;
    const place = places.get(value.pair);
    if (!place) return { code: 'no-pair', problem: 'the event’s pair does not stand before it', id: event.id };
    if (counterOf(event.id) === 0) return { code: 'bad-id', problem: 'the id is not a device id, - and a counter', id: event.id };
    const spelt = text.slice('{"event":'.length, text.lastIndexOf(',"pair":'));
    if (!Number.isSafeInteger(value.stored_ms) || sumOf(place.pair, value.stored_ms, event, spelt) !== value.sum) {
      return { code: 'damaged', problem: 'the event does not match its checksum', id: event.id };
    }
    return { event, place };
  };

  return {
    /** @param {string} text one line, without its end @returns {Line} */
    line(text) {
      lines += 1;
      if (ended) return null;
      /** @type {any} */
      let value;
      try {
        value = JSON.parse(text);
      } catch {
        digest.add(utf8.encode(`${text}\n`));
        return text.trim() === '' ? null : { code: 'bad-json', problem: 'not a line of JSON' };
      }
      if (lines === 1 && value?.buddyclock === 'log') {
        if (value.v !== VERSION) return { stop: `this file has version ${value.v}, and this page reads ${VERSION}: use a newer page` };
        wrapped = true;
        digest.add(utf8.encode(`${text}\n`));
        return null;
      }
      if (!wrapped) {
        const made = decodeEvent(value);
        return 'event' in made ? { event: made.event, place: null } : { ...made, id: idOf(value) };
      }
      if (value?.end) {
        ended = true;
        const whole = value.end.events === events && value.end.sha256 === hex(digest.digest());
        return whole ? null : { code: 'changed', problem: 'the file is not as it was written: lines are missing or were changed' };
      }
      digest.add(utf8.encode(`${text}\n`));
      if (value?.event) return filed(value, text);
      if (isText(value?.outing?.id)) {
        const { id, started_ms } = value.outing;
        outings.set(id, { id, started_ms: Number.isSafeInteger(started_ms) ? started_ms : 0 });
      } else if (value?.pair) return pair(value.pair);
      return null;
    },
    /** @returns {Line} what is wrong where the file ends here */
    end: () => (wrapped && !ended ? { code: 'cut-off', problem: 'the file has no end: what came after this line is lost' } : null),
  };
}

/** @param {unknown} v */
const isText = (v) => typeof v === 'string' && v !== '';

/** @param {unknown} value */
function idOf(value) {
  const id = typeof value === 'object' && value !== null ? /** @type {any} */ (value).id : undefined;
  return typeof id === 'string' ? id : '';
}
