/**
 * The log of everything this phone knows: one flat line a hold, of every pair
 * it was ever in, and what is said over all of them.
 *
 * The page opens with the digest and the newest lines. The rest is read in idle
 * time, a few at once and never while people are at a hold; so are lines that
 * are due, and the digest after lines have changed. Until all lines are here
 * (`whole`) what is said over them comes from the digest of the disk, which is
 * not used once anything in it has changed.
 */

import { expectationsOf } from '../rules/expect.js';
import { foldEvents } from '../rules/fold.js';
import { holdsOfDiver, LOG_VERSION, logHoldOf } from '../rules/log.js';
import { profilesOf } from '../rules/people.js';
import { isAbandoned } from './book.js';
import { expectedOf, partKey, toldOf } from './digest.js';
import { divers, knownPeople } from './people.js';
import { isNoHold } from './device.js';
import { localZone } from './clock_text.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../rules/log.js').LogHold} LogHold */
/** @typedef {import('../rules/people.js').Person} Person */
/** @typedef {import('../rules/people.js').Profile} Profile */
/** @typedef {import('./digest.js').Setting} Setting */
/** @typedef {import('./digest.js').Told} Told */
/** @typedef {import('./digest.js').Head} Head */
/** @typedef {import('./digest.js').Part} Part */
/** @typedef {import('./people.js').Known} Known */

/** What one diver's lines say, while they are these; `made` is no other facts' name. @typedef {{mine: Line[], made: string, expected: Head['divers'][0]['expected'], told: Partial<Record<Setting, Told>>}} Facts */

/** A line and the pair in whose outing the hold was. @typedef {LogHold & {pair: string}} Line */

const PROFILE = 'profile:';
/** Lines read as the page opens. */
const FIRST = 100;
/** Lines read in one go after that. */
const MORE = 250;
/** Holds made into lines in one go, so that a page with years of holds stays awake meanwhile. */
const AT_ONCE = 50;
/** So many due holds are seen to as the page opens: a page closed in the middle leaves one or two. */
const FEW = 8;
/** A line of a hold that still runs is as new as this (ms). */
const FRESH_MS = 1000;

/**
 * @typedef {object} Logbook
 * @property {() => Line[]} lines of holds that have begun, oldest first: all, or the newest while not `whole`; the same array
 *   as long as nothing changed
 * @property {() => boolean} whole false while lines are still read from the disk, or made
 * @property {() => Profile[]} profiles
 * @property {() => Known[]} people everybody of both, the one met last first
 * @property {(person: Person, setting: Setting) => import('../rules/expect.js').Expectations} expected
 * @property {(person: Person, setting: Setting) => Told | null} trends null while they are read
 * @property {(hold: string) => Promise<Hold | null>} open brings a hold's events from the disk
 * @property {(hold: string) => Hold | null} opened
 * @property {(holds: Iterable<string>) => Promise<void>} renew makes these lines anew, after rows came or went
 * @property {() => number} owing holds whose line is still to be made
 * @property {() => Promise<void>} begin reads what the page opens with
 * @property {() => Promise<void>} tend goes on with what is left to do, as long as nobody is at a hold
 * @property {(diverIds: Iterable<string>, change: import('../store/summaries.js').Stamp | null) => void} forget profiles
 *   that were erased, and with them what was made of all lines
 * @property {(diverId: string) => string} profileKey
 * @property {() => void} reread another page of this phone wrote the disk
 */

/** Lets the page do something else for a moment. @returns {Promise<unknown>} */
const idle = () => new Promise((over) => {
  if (typeof requestIdleCallback === 'function') requestIdleCallback(over, { timeout: 500 });
  else setTimeout(over, 20);
});

/**
 * @param {object} env
 * @param {import('../store/db.js').Store} env.store
 * @param {import('./book.js').Book} env.book
 * @param {() => number} env.now shared ms
 * @param {() => void} env.changed
 * @param {() => boolean} [env.free] nobody is at a hold
 * @param {() => boolean} [env.first] whether this tab may write
 * @param {() => Promise<unknown>} [env.breathe]
 * @returns {Logbook}
 */
export function newLogbook({ store, book, now, changed, free = () => true, first = () => true, breathe = idle }) {
  /** @type {Map<string, Line>} by hold */
  const kept = new Map();
  /** @type {Map<string, Profile>} */
  const profiles = new Map();
  /** @type {Map<string, Hold>} holds of the disk that somebody looked at */
  const looked = new Map();
  /** @type {Set<string>} holds whose line is to be made */
  const due = new Set();
  /** @type {Set<string>} holds of the book whose line is here, and is to be put on the disk */
  const fresh = new Set();
  /** @type {Line[]} */
  let all = [];
  let unsorted = true;
  let version = -1;
  let madeAt = Infinity;
  let begun = false;
  /** All lines of the disk are here. */
  let read = false;
  /** @type {Line | null} the oldest line read so far */
  let oldest = null;
  /** @type {Head | null} only while it says what the lines say */
  let head = null;
  /** The digest of the disk is to be made anew. */
  let behind = false;
  let stamp = 0;
  /** @type {Map<string, Facts>} */
  const facts = new Map();
  /** For which lines a diver's facts were last looked at. @type {Map<string, Line[]>} */
  const checked = new Map();
  /** Parts of the digest on the disk. @type {Map<string, string>} */
  const written = new Map();
  /** @type {Map<string, Part | 'asked' | null>} of the disk, only beside `head` */
  const parts = new Map();
  /** @type {{lines: Line[], profiles: number, people: Known[]} | null} */
  let known = null;
  let profilesTold = 0;
  let count = 0;

  /** What was said over all lines holds no more. */
  const outdate = () => {
    head = null;
    parts.clear();
    behind = true;
  };

  /** @param {import('../store/summaries.js').Stamp | null} change of the disk's lines, by this page unless `was` is another than before */
  const follow = (change) => {
    if (change === null) return;
    const others = change.was !== stamp;
    stamp = change.is;
    if (others) reread();
    else if (change.is !== change.was) outdate();
  };

  const reread = () => {
    kept.clear();
    unsorted = true;
    oldest = null;
    read = false;
    version = -1;
    written.clear();
    outdate();
  };

  /**
   * @param {Hold} hold
   * @param {string} pair
   * @returns {Line | null}
   */
  const lineOf = (hold, pair) => {
    const line = logHoldOf(hold, now(), localZone);
    if (line === null) return null;
    return { ...line, over: line.over || isAbandoned(hold, now()), pair };
  };

  /** @param {Profile[]} found @param {boolean} [ofDisk] */
  const takeProfiles = (found, ofDisk = false) => {
    const newer = found.filter((p) => p.at > (profiles.get(p.diver_id)?.at ?? -Infinity));
    if (newer.length === 0) return;
    for (const p of newer) profiles.set(p.diver_id, p);
    profilesTold += 1;
    if (ofDisk) return;
    outdate();
    store.setAll(newer.map((p) => [PROFILE + p.diver_id, p]));
  };

  /** Lines of the holds in the book, where they are not those of the disk already. */
  const fromBook = () => {
    let running = false;
    for (const { hold, pair } of book.entries()) {
      if (isNoHold(hold.id)) continue;
      const there = kept.get(hold.id);
      if (there && there.events === hold.events.length && there.over && there.pair === pair) continue;
      const line = lineOf(hold, pair);
      if (line === null) continue;
      kept.set(hold.id, line);
      unsorted = true;
      // As the page opens the disk's marks say which of them are others than its lines.
      if (begun) outdate();
      if (!line.over) running = true;
      else if (begun) fresh.add(hold.id);
    }
    return running;
  };

  const profilesFromBook = () => {
    /** @type {import('../rules/event.js').HoldEvent[]} */
    const events = [];
    for (const { hold } of book.entries()) if (isNoHold(hold.id)) events.push(...hold.events);
    takeProfiles(profilesOf(events));
  };

  /** @param {boolean} [running] */
  const refresh = (running = false) => {
    if (version !== book.version() || (running && now() - madeAt > FRESH_MS)) {
      if (version !== book.version()) profilesFromBook();
      version = book.version();
      madeAt = fromBook() ? now() : Infinity;
    }
    if (!unsorted) return;
    unsorted = false;
    all = [...kept.values()].sort((a, b) => a.start_at - b.start_at);
  };

  /** Makes these holds' lines by their rows on the disk, and puts them there. @param {string[]} holds */
  const make = async (holds) => {
    /** @type {import('../store/summaries.js').Made[]} */
    const made = [];
    for (const id of holds) {
      const rows = await store.ofHold(id);
      const events = rows.map((r) => r.event);
      due.delete(id);
      fresh.delete(id);
      if (isNoHold(id)) takeProfiles(profilesOf(events));
      const line = isNoHold(id) || rows.length === 0 ? null : lineOf(foldEvents(id, events), rows[0].pair);
      const there = kept.get(id) ?? null;
      if (JSON.stringify(line) !== JSON.stringify(there)) {
        if (line) kept.set(id, line);
        else kept.delete(id);
        unsorted = true;
        if (begun) outdate();
      }
      // What still runs, or begins in a moment, is due until it is over.
      const over = line ? line.over : rows.every((r) => r.at <= now());
      made.push({ hold: id, ids: rows.map((r) => r.id), line: over ? line : null, over });
    }
    if (first()) follow(await store.settle(made));
    else if (made.length > 0) outdate();
  };

  /** @param {Line[]} lines of the disk @returns {boolean} false where they were made by other rules */
  const takeLines = (lines) => {
    if (lines.some((line) => line?.v !== LOG_VERSION)) return false;
    for (const line of lines) if (!kept.has(line.hold) && !due.has(line.hold)) kept.set(line.hold, line);
    oldest = lines.at(-1) ?? oldest;
    unsorted = true;
    return true;
  };

  /** Lines of other rules are made anew, every one. */
  const remakeAll = async () => {
    if (first()) await store.allDue();
    for (const id of await store.holds()) due.add(id);
    kept.clear();
    unsorted = true;
    version = -1;
    read = true;
    outdate();
  };

  const readMore = async () => {
    const lines = await store.linesBefore(oldest, MORE);
    if (!takeLines(lines)) await remakeAll();
    else if (lines.length < MORE) read = true;
  };

  /** @param {Person} person @returns {Facts} */
  const factsOf = (person) => {
    refresh();
    const key = partKey(person);
    const there = facts.get(key);
    if (there && checked.get(key) === all) return there;
    checked.set(key, all);
    const mine = /** @type {Line[]} */ (holdsOfDiver(all, person));
    if (there && there.mine.length === mine.length && mine.every((line, i) => line === there.mine[i])) return there;
    const made = { mine, made: `${now()}-${(count += 1)}`, expected: expectedOf(mine), told: {} };
    facts.set(key, made);
    return made;
  };

  /** @param {Person} person @param {Setting} setting @returns {Told} */
  const told = (person, setting) => {
    const f = factsOf(person);
    return (f.told[setting] ??= toldOf(f.mine, setting));
  };

  const people = () => {
    refresh(true);
    if (head !== null && !read) return head.people;
    if (known === null || known.lines !== all || known.profiles !== profilesTold) {
      const list = [...profiles.values()];
      known = { lines: all, profiles: profilesTold, people: knownPeople(all, list) };
    }
    return known.people;
  };

  /** Makes the digest of all lines, one diver at a time. Given up where a line changes meanwhile. */
  const digest = async () => {
    behind = false;
    const at = stamp;
    const list = people();
    /** @type {Head['divers']} */
    const heads = [];
    /** @type {[string, Part][]} */
    const made = [];
    for (const person of divers(list)) {
      const f = factsOf(person);
      const key = partKey(person);
      heads.push({ key, made: f.made, expected: f.expected });
      if (written.get(key) !== f.made) made.push([key, { v: LOG_VERSION, made: f.made, dry: told(person, 'dry'), pool: told(person, 'pool') }]);
      await breathe();
      if (behind || !free()) {
        behind = true;
        return;
      }
    }
    const keys = heads.map((d) => d.key);
    for (const key of facts.keys()) if (!keys.includes(key)) facts.delete(key);
    if (await store.setDigest(at, { v: LOG_VERSION, people: list, divers: heads }, keys, made)) for (const [key, { made: name }] of made) written.set(key, name);
    else reread();
  };

  /** What is left to do, the next piece of it. @returns {(() => Promise<void>) | null} */
  const next = () => {
    refresh();
    if (due.size + fresh.size > 0) return () => make([...due, ...fresh].slice(0, AT_ONCE));
    if (!read) return readMore;
    if (behind && first()) return digest;
    return null;
  };

  /** @type {Promise<void> | null} */
  let tending = null;
  const tend = async () => {
    for (let piece = next(); piece !== null && free(); piece = next()) {
      await piece();
      changed();
      await breathe();
    }
  };

  return {
    lines() {
      refresh(true);
      return all;
    },
    whole: () => read && due.size === 0,
    owing: () => due.size,
    profiles() {
      refresh();
      return [...profiles.values()];
    },
    people,

    expected(person, setting) {
      refresh();
      if (read) return factsOf(person).expected[setting];
      return head?.divers.find((d) => d.key === partKey(person))?.expected[setting] ?? expectationsOf([], setting);
    },

    trends(person, setting) {
      refresh();
      const key = partKey(person);
      const entry = head?.divers.find((d) => d.key === key);
      const there = checked.get(key) === all ? facts.get(key)?.told[setting] : undefined;
      if (there) return there;
      if (!entry) return read ? told(person, setting) : null;
      const part = parts.get(key);
      if (part === undefined) {
        parts.set(key, 'asked');
        const asked = head;
        store.digestPart(key).then((value) => {
          if (head !== asked) return;
          const found = /** @type {Part | undefined} */ (value);
          parts.set(key, found?.v === LOG_VERSION && found.made === entry.made ? found : null);
          changed();
        });
      }
      if (part === undefined || part === 'asked') return null;
      return part?.[setting] ?? (read ? told(person, setting) : null);
    },

    async begin() {
      const [start, told] = await Promise.all([store.logStart(FIRST), store.list(PROFILE)]);
      stamp = start.stamp;
      const { head: digest } = /** @type {{head: any}} */ (start);
      takeProfiles(/** @type {Profile[]} */ (told), true);
      for (const id of start.due) due.add(id);
      if (takeLines(start.lines)) {
        head = digest?.v === LOG_VERSION && start.due.length <= FEW ? digest : null;
        behind = head === null;
        read = start.lines.length < FIRST;
        refresh();
        if (start.due.length <= FEW) await make(start.due);
      } else await remakeAll();
      begun = true;
      changed();
    },
    tend() {
      if (!begun) return Promise.resolve();
      tending ??= tend().finally(() => {
        tending = null;
      });
      return tending;
    },

    opened: (id) => book.hold(id) ?? looked.get(id) ?? null,
    async open(id) {
      const there = book.hold(id) ?? looked.get(id);
      if (there) return there;
      const rows = await store.ofHold(id);
      if (rows.length === 0) return null;
      const hold = foldEvents(id, rows.map((r) => r.event));
      looked.set(id, hold);
      return hold;
    },

    async renew(holds) {
      const ids = [...holds];
      for (const id of ids) {
        looked.delete(id);
        due.add(id);
      }
      for (let i = 0; i < ids.length && free(); i += AT_ONCE) {
        await make(ids.slice(i, i + AT_ONCE));
        changed();
        if (i + AT_ONCE < ids.length) await breathe();
      }
      changed();
    },

    profileKey: (id) => PROFILE + id,
    forget(ids, change) {
      for (const id of ids) profiles.delete(id);
      profilesTold += 1;
      for (const made of [facts, checked, written, looked]) made.clear();
      outdate();
      follow(change);
    },
    reread,
  };
}
