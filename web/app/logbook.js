/**
 * The log of everything this phone knows: one flat line a hold, of every pair
 * it was ever in. The lines of finished holds are kept on the disk, so that
 * what is said over years never folds a hold again.
 */

import { foldEvents } from '../rules/fold.js';
import { LOG_VERSION, logHoldOf } from '../rules/log.js';
import { profilesOf } from '../rules/people.js';
import { isAbandoned } from './book.js';
import { knownPeople } from './people.js';
import { isNoHold } from './device.js';
import { localZone } from './clock_text.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../rules/log.js').LogHold} LogHold */
/** @typedef {import('../rules/people.js').Profile} Profile */
/** @typedef {import('../store/db.js').Row} Row */

/** A line and the pair in whose outing the hold was. @typedef {LogHold & {pair: string}} Line */

const LINE = 'log:';
const PROFILE = 'profile:';
/** Which lines were made for all rows of the disk. */
const MADE = 'log-version';
/** Holds made into lines in one go, so that a page with years of holds stays awake meanwhile. */
const AT_ONCE = 50;
/** A line of a hold that still runs is as new as this (ms). */
const FRESH_MS = 1000;

/**
 * @typedef {object} Logbook
 * @property {() => Line[]} lines of all holds that have begun, oldest first; the same array as long as nothing changed
 * @property {() => Profile[]} profiles
 * @property {() => import('./people.js').Known[]} people everybody of both, the one met last first
 * @property {() => boolean} whole false while lines are still read from the disk, or made
 * @property {(hold: string) => Promise<Hold | null>} open brings a hold's events from the disk
 * @property {(hold: string) => Hold | null} opened
 * @property {(holds: Iterable<string>) => Promise<void>} renew makes these lines anew, after rows came or went
 * @property {() => Promise<void>} load
 * @property {(hold: string) => string[]} keysOf what is kept of a hold beside its rows
 * @property {(diverId: string) => string} profileKey
 * @property {(diverIds: Iterable<string>) => void} forget profiles that were erased
 */

/**
 * @param {object} env
 * @param {import('../store/db.js').Store} env.store
 * @param {import('./book.js').Book} env.book
 * @param {() => number} env.now shared ms
 * @param {() => void} env.changed
 * @param {() => Promise<unknown>} [env.breathe] lets the page do something else for a moment
 * @returns {Logbook}
 */
export function newLogbook({ store, book, now, changed, breathe = () => new Promise((over) => setTimeout(over)) }) {
  /** @type {Map<string, Line>} by hold, as kept on the disk */
  const kept = new Map();
  /** @type {Map<string, Profile>} */
  const profiles = new Map();
  /** @type {Map<string, Hold>} holds of the disk that somebody looked at */
  const looked = new Map();
  /** @type {Line[]} */
  let all = [];
  let stale = true;
  let madeAt = -Infinity;
  let version = -1;
  let whole = false;
  /** @type {{lines: Line[], profiles: Profile[], people: import('./people.js').Known[]} | null} */
  let known = null;

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

  /** @param {Line[]} lines */
  const keep = (lines) => store.setAll(lines.map((line) => [LINE + line.hold, line]));

  /** Lines of the holds in the book, where they are not those of the disk already. */
  const fromBook = () => {
    /** @type {Line[]} */
    const fresh = [];
    let running = false;
    for (const { hold, pair } of book.entries()) {
      if (isNoHold(hold.id)) continue;
      const known = kept.get(hold.id);
      if (known && known.events === hold.events.length && known.over && known.pair === pair) continue;
      const line = lineOf(hold, pair);
      if (line === null) continue;
      kept.set(hold.id, line);
      if (line.over) fresh.push(line);
      else running = true;
    }
    if (fresh.length > 0) keep(fresh);
    return running;
  };

  const profilesFromBook = () => {
    /** @type {import('../rules/event.js').HoldEvent[]} */
    const events = [];
    for (const { hold } of book.entries()) if (isNoHold(hold.id)) events.push(...hold.events);
    takeProfiles(profilesOf(events));
  };

  /** @param {Profile[]} found */
  const takeProfiles = (found) => {
    const newer = found.filter((p) => p.at > (profiles.get(p.diver_id)?.at ?? -Infinity));
    for (const p of newer) profiles.set(p.diver_id, p);
    if (newer.length > 0) store.setAll(newer.map((p) => [PROFILE + p.diver_id, p]));
  };

  /** @param {boolean} [running] */
  const refresh = (running = false) => {
    if (!stale && version === book.version() && !(running && now() - madeAt > FRESH_MS)) return;
    if (version !== book.version()) profilesFromBook();
    version = book.version();
    const runs = fromBook();
    madeAt = runs ? now() : Infinity;
    stale = false;
    all = [...kept.values()].sort((a, b) => a.start_at - b.start_at);
  };

  /** Lines of holds by their rows on the disk. @param {string[]} holds */
  const make = async (holds) => {
    for (let i = 0; i < holds.length; i += AT_ONCE) {
      /** @type {Line[]} */
      const lines = [];
      for (const id of holds.slice(i, i + AT_ONCE)) {
        const rows = await store.ofHold(id);
        if (isNoHold(id)) {
          takeProfiles(profilesOf(rows.map((r) => r.event)));
          continue;
        }
        const line = rows.length > 0 ? lineOf(foldEvents(id, rows.map((r) => r.event)), rows[0].pair) : null;
        if (line) lines.push(line);
        else kept.delete(id);
      }
      for (const line of lines) kept.set(line.hold, line);
      await keep(lines);
      stale = true;
      changed();
      await breathe();
    }
  };

  return {
    lines() {
      refresh(true);
      return all;
    },
    profiles() {
      refresh();
      return [...profiles.values()];
    },
    people() {
      refresh(true);
      const told = [...profiles.values()];
      if (known === null || known.lines !== all || told.some((p) => !known?.profiles.includes(p)) || told.length !== known.profiles.length) {
        known = { lines: all, profiles: told, people: knownPeople(all, told) };
      }
      return known.people;
    },
    whole: () => whole,

    async load() {
      for (const value of await store.list(LINE)) {
        const line = /** @type {Line} */ (value);
        if (line?.v === LOG_VERSION && !kept.has(line.hold)) kept.set(line.hold, line);
      }
      for (const value of await store.list(PROFILE)) takeProfiles([/** @type {Profile} */ (value)]);
      stale = true;
      changed();
      if ((await store.get(MADE)) !== LOG_VERSION) {
        const here = new Set(book.entries().map(({ hold }) => hold.id));
        await make((await store.holds()).filter((id) => !kept.has(id) && !here.has(id)));
        await store.set(MADE, LOG_VERSION);
      }
      whole = true;
      stale = true;
      changed();
    },

    opened: (id) => book.hold(id) ?? looked.get(id) ?? null,
    async open(id) {
      const known = book.hold(id) ?? looked.get(id);
      if (known) return known;
      const rows = await store.ofHold(id);
      if (rows.length === 0) return null;
      const hold = foldEvents(id, rows.map((r) => r.event));
      looked.set(id, hold);
      return hold;
    },

    async renew(holds) {
      const ids = [...holds];
      for (const id of ids) looked.delete(id);
      await make(ids);
      stale = true;
      changed();
    },

    keysOf: (hold) => [LINE + hold],
    profileKey: (id) => PROFILE + id,
    forget(ids) {
      for (const id of ids) profiles.delete(id);
    },
  };
}
