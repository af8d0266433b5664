/**
 * The log of everything this phone knows: one flat line a hold, of every pair
 * it was ever in, and what is said over all of them.
 *
 * The page opens with the digest and the newest lines. The rest is read in idle
 * time, a few at once and never while people are at a hold; so are lines made
 * that are due, and the digest after lines have changed (log_tending.js, which
 * no hold needs and which is loaded later). What is said over all lines comes
 * from the digest of the disk, which is not used once anything in it has
 * changed: from then on it is counted, when all lines are here (`whole`).
 */

import { expectationsOf } from '../rules/expect.js';
import { foldEvents } from '../rules/fold.js';
import { holdsOfDiver, LOG_VERSION, logHoldOf } from '../rules/log.js';
import { profilesOf } from '../rules/people.js';
import { isAbandoned } from './book.js';
import { knownPeople } from './people.js';
import { isNoHold } from './device.js';
import { localZone } from './clock_text.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../rules/log.js').LogHold} LogHold */
/** @typedef {import('../rules/people.js').Person} Person */
/** @typedef {import('../rules/people.js').Profile} Profile */
/** @typedef {import('../store/summaries.js').Stamp} Stamp */
/** @typedef {import('./digest.js').Setting} Setting */
/** @typedef {import('./digest.js').Told} Told */
/** @typedef {import('./digest.js').Head} Head */
/** @typedef {import('./people.js').Known} Known */
/** @typedef {ReturnType<typeof newLines>} Lines */

/** A line and the pair in whose outing the hold was. @typedef {LogHold & {pair: string}} Line */

/** What one diver's lines say, while they are these; `made` is no other facts' name. @typedef {{mine: Line[], made: string, expected: Head['divers'][0]['expected'], told: Partial<Record<Setting, Told>>}} Facts */

const PROFILE = 'profile:';
/** Lines read as the page opens. */
const FIRST = 100;
/** So many due holds are looked at as the page opens: a page closed in the middle leaves one or two. */
const FEW = 8;
/** A line of a hold that still runs is as new as this (ms). */
const FRESH_MS = 1000;
/** What could not be loaded is asked for again after this (ms, own). */
const AGAIN_MS = 30_000;

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
 * @property {(erased: {divers: string[], holds: Iterable<string>}, change: Stamp | null) => void} forget profiles and lines
 *   that were erased, and with them what was made of all lines
 * @property {(diverId: string) => string} profileKey
 * @property {() => void} reread another page of this phone wrote the disk
 */

/**
 * @typedef {object} Env
 * @property {import('../store/db.js').Store} store
 * @property {import('./book.js').Book} book
 * @property {() => number} now shared ms
 * @property {() => void} changed
 * @property {() => boolean} [free] nobody is at a hold
 * @property {() => boolean} [first] whether this tab may write
 * @property {() => Promise<unknown>} [breathe] lets the page do something else for a moment
 * @property {() => Promise<{newTender: (s: Lines, env: Env) => import('./log_tending.js').Tender}>} later
 */

/** What a person's digest is kept under. @param {Person} person */
export const partKey = ({ id, key }) => `diver:${JSON.stringify([id, key])}`;

/**
 * The lines in memory, with what was said over them.
 * @param {Env} env
 */
function newLines({ store, book, now }) {
  const s = {
    /** @type {Map<string, Line>} by hold */
    kept: new Map(),
    /** @type {Map<string, Profile>} */
    profiles: new Map(),
    /** @type {Set<string>} holds whose line is to be made */
    due: new Set(),
    /** @type {Set<string>} holds whose line is here, and is to be put on the disk */
    fresh: new Set(),
    /** @type {Line[]} */
    all: [],
    unsorted: true,
    begun: false,
    /** All lines of the disk are here. */
    read: false,
    /** @type {Line | null} the oldest line read so far */
    oldest: null,
    /** @type {Head | null} only while it says what the lines say */
    head: null,
    /** The digest of the disk is to be made anew. */
    behind: false,
    /** Count of changes of the disk's lines, as this page knows it. */
    stamp: 0,
    /** @type {Map<string, Facts>} */
    facts: new Map(),
    /** For which lines a diver's facts were last looked at. @type {Map<string, Line[]>} */
    checked: new Map(),
    refresh,
    outdate,
    reread,
    takeLines,
    takeProfiles,
    lineOf,
    follow,
    factsOf,
    people,
  };
  let version = -1;
  /** When lines were last made of the book. */
  let madeAt = -Infinity;
  /** Time alone will change one of them. */
  let passing = false;
  let profilesTold = 0;
  let count = 0;
  /** @type {{lines: Line[], profiles: number, people: Known[]} | null} */
  let known = null;

  /** What was said over all lines holds no more. */
  function outdate() {
    s.head = null;
    s.behind = true;
  }

  /** @param {Stamp | null} change of the disk's lines, by this page unless `was` is another than before */
  function follow(change) {
    if (change === null) return;
    const others = change.was !== s.stamp;
    s.stamp = change.is;
    if (others) reread();
    else if (change.is !== change.was) outdate();
  }

  function reread() {
    s.kept.clear();
    s.unsorted = true;
    s.oldest = null;
    s.read = false;
    version = -1;
    outdate();
  }

  /**
   * @param {Hold} hold
   * @param {string} pair
   * @returns {Line | null}
   */
  function lineOf(hold, pair) {
    const line = logHoldOf(hold, now(), localZone);
    if (line === null) return null;
    return { ...line, over: line.over || isAbandoned(hold, now()), pair };
  }

  /** @param {Profile[]} found @param {boolean} [ofDisk] */
  function takeProfiles(found, ofDisk = false) {
    const newer = found.filter((p) => p.at > (s.profiles.get(p.diver_id)?.at ?? -Infinity));
    if (newer.length === 0) return;
    for (const p of newer) s.profiles.set(p.diver_id, p);
    profilesTold += 1;
    if (ofDisk) return;
    outdate();
    store.setAll(newer.map((p) => [PROFILE + p.diver_id, p]));
  }

  /**
   * Lines of the holds in the book, where they are not those of the disk already.
   * @param {boolean} back shared time went back: what seemed to be over may run
   * @returns {boolean} whether time alone will change one of them
   */
  function fromBook(back) {
    let running = false;
    for (const { hold, pair } of book.entries()) {
      if (isNoHold(hold.id)) continue;
      const there = s.kept.get(hold.id);
      const sameEvents = there?.events === hold.events.length && there.pair === pair;
      if (sameEvents && there.over && !back) continue;
      const line = lineOf(hold, pair);
      if (line === null) {
        // By a clock that is still behind, it has yet to begin.
        if ((hold.events.at(-1)?.at ?? 0) > now()) running = true;
        continue;
      }
      if (sameEvents && there.over && line.over) continue;
      s.kept.set(hold.id, line);
      s.unsorted = true;
      // As the page opens the disk's marks say which of them are others than its lines.
      if (s.begun) outdate();
      if (!line.over) running = true;
      else if (s.begun) s.fresh.add(hold.id);
    }
    return running;
  }

  function profilesFromBook() {
    /** @type {import('../rules/event.js').HoldEvent[]} */
    const events = [];
    for (const { hold } of book.entries()) if (isNoHold(hold.id)) events.push(...hold.events);
    takeProfiles(profilesOf(events));
  }

  /** @param {boolean} [running] */
  function refresh(running = false) {
    const back = now() < madeAt;
    if (version !== book.version() || back || (running && passing && now() - madeAt > FRESH_MS)) {
      if (version !== book.version()) profilesFromBook();
      version = book.version();
      passing = fromBook(back);
      madeAt = now();
    }
    if (!s.unsorted) return;
    s.unsorted = false;
    s.all = [...s.kept.values()].sort((a, b) => a.start_at - b.start_at);
  }

  /** @param {Line[]} lines of the disk @returns {boolean} false where they were made by other rules */
  function takeLines(lines) {
    if (lines.some((line) => line?.v !== LOG_VERSION)) return false;
    for (const line of lines) if (!s.kept.has(line.hold) && !s.due.has(line.hold)) s.kept.set(line.hold, line);
    s.oldest = lines.at(-1) ?? s.oldest;
    s.unsorted = true;
    return true;
  }

  /** @param {Person} person @returns {Facts} */
  function factsOf(person) {
    refresh();
    const key = partKey(person);
    const there = s.facts.get(key);
    if (there && s.checked.get(key) === s.all) return there;
    s.checked.set(key, s.all);
    const mine = /** @type {Line[]} */ (holdsOfDiver(s.all, person));
    if (there && there.mine.length === mine.length && mine.every((line, i) => line === there.mine[i])) return there;
    const expected = { dry: expectationsOf(mine, 'dry'), pool: expectationsOf(mine, 'pool') };
    const made = { mine, made: `${now()}-${(count += 1)}`, expected, told: {} };
    s.facts.set(key, made);
    return made;
  }

  function people() {
    refresh(true);
    if (s.head !== null) return s.head.people;
    if (known === null || known.lines !== s.all || known.profiles !== profilesTold) {
      known = { lines: s.all, profiles: profilesTold, people: knownPeople(s.all, [...s.profiles.values()]) };
    }
    return known.people;
  }

  return s;
}

/**
 * @param {Env} env
 * @returns {Logbook}
 */
export function newLogbook(env) {
  const { store, book, now, changed } = env;
  const s = newLines(env);
  /** @type {Map<string, Hold>} holds of the disk that somebody looked at */
  const looked = new Map();
  /** @type {import('./log_tending.js').Tender | null} */
  let tender = null;
  let askedAt = -Infinity;

  /** Null where it cannot be loaded: what is due stays so. @returns {Promise<import('./log_tending.js').Tender | null>} */
  const load = async () => {
    if (tender === null) {
      askedAt = now();
      try {
        const { newTender } = await env.later();
        tender ??= newTender(s, env);
      } catch {
        // Not on this phone yet, and no host.
      }
    }
    return tender;
  };

  /** The lines that a page closed in the middle has left due. @param {string[]} due @param {Line[]} before as the disk has them */
  const mend = async (due, before) => {
    for (const id of due) {
      const rows = await store.ofHold(id);
      const events = rows.map((r) => r.event);
      if (isNoHold(id)) s.takeProfiles(profilesOf(events));
      const line = isNoHold(id) || rows.length === 0 ? null : s.lineOf(foldEvents(id, events), rows[0].pair);
      if (line) s.kept.set(id, line);
      s.unsorted = true;
      s.due.delete(id);
      s.fresh.add(id);
      const there = before.find((l) => l.hold === id) ?? null;
      if (JSON.stringify(line?.over ? line : null) !== JSON.stringify(there)) s.outdate();
    }
  };

  return {
    lines() {
      s.refresh(true);
      return s.all;
    },
    whole: () => s.read && s.due.size === 0,
    owing: () => s.due.size,
    profiles() {
      s.refresh();
      return [...s.profiles.values()];
    },
    people: s.people,

    expected(person, setting) {
      s.refresh();
      const told = s.head?.divers.find((d) => d.key === partKey(person))?.expected;
      return (told ?? (s.read ? s.factsOf(person).expected : null))?.[setting] ?? expectationsOf([], setting);
    },
    trends(person, setting) {
      if (tender) return tender.trends(person, setting);
      load().then((there) => there && changed());
      return null;
    },

    async begin() {
      const [start, told] = await Promise.all([store.logStart(FIRST, FEW), store.list(PROFILE)]);
      s.stamp = start.stamp;
      s.takeProfiles(/** @type {Profile[]} */ (told), true);
      for (const id of start.due) s.due.add(id);
      const head = /** @type {any} */ (start.head);
      s.head = head?.v === LOG_VERSION && start.due.length <= FEW ? head : null;
      s.behind = s.head === null;
      if (s.takeLines(start.lines)) s.read = start.lines.length < FIRST;
      else s.head = null;
      s.refresh();
      if (start.due.length <= FEW) await mend(start.due, start.before);
      s.begun = true;
      changed();
    },
    async tend() {
      if (!s.begun || (tender === null && Math.abs(now() - askedAt) < AGAIN_MS)) return;
      await (await load())?.tend();
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
        s.due.add(id);
      }
      await (await load())?.renew(ids);
      changed();
    },

    profileKey: (id) => PROFILE + id,
    forget({ divers, holds }, change) {
      for (const id of divers) s.profiles.delete(id);
      for (const id of holds) s.kept.delete(id);
      for (const made of [s.facts, s.checked, looked]) made.clear();
      s.unsorted = true;
      s.outdate();
      s.follow(change);
    },
    reread: s.reread,
  };
}
