/**
 * What keeps a log up to date while nobody is at a hold: lines read, made and
 * put on the disk, a few at once, and the digest of all of them.
 */

import { foldEvents } from '../rules/fold.js';
import { LOG_VERSION } from '../rules/log.js';
import { profilesOf } from '../rules/people.js';
import { newSummaries } from '../store/settle.js';
import { isNoHold } from './device.js';
import { tellingOf, toldOf } from './digest.js';
import { partKey } from './logbook.js';
import { divers } from './people.js';

/** @typedef {import('../rules/people.js').Person} Person */
/** @typedef {import('./digest.js').Part} Part */
/** @typedef {import('./digest.js').Head} Head */
/** @typedef {import('./digest.js').Setting} Setting */
/** @typedef {import('./digest.js').Told} Told */

/** Lines read in one go. */
const MORE = 250;
/** Holds made into lines in one go, so that a page with years of holds stays awake meanwhile. */
const AT_ONCE = 50;

/** @typedef {ReturnType<typeof newTender>} Tender */

/** Lets the page do something else for a moment. @returns {Promise<unknown>} */
const idle = () => new Promise((over) => {
  if (typeof requestIdleCallback === 'function') requestIdleCallback(over, { timeout: 500 });
  else setTimeout(over, 20);
});

/**
 * @param {import('./logbook.js').Lines} s
 * @param {import('./logbook.js').Env} env
 * @param {import('../store/settle.js').Summaries} [disk]
 */
export function newTender(s, { store, changed, now, free = () => true, first = () => true, breathe = idle }, disk = newSummaries(store)) {
  /** Parts of the digest that are on the disk: whose, and of which facts. @type {Map<string, string>} */
  const written = new Map();
  /** Parts read from the disk, of one head. @type {{of: Head | null, parts: Map<string, Part | 'asked' | null>}} */
  let shown = { of: null, parts: new Map() };

  /** Makes these holds' lines by their rows on the disk, and puts them there. @param {string[]} holds */
  const make = async (holds) => {
    /** @type {import('../store/settle.js').Made[]} */
    const made = [];
    for (const id of holds) {
      const rows = await store.ofHold(id);
      const events = rows.map((r) => r.event);
      s.due.delete(id);
      s.fresh.delete(id);
      if (isNoHold(id)) s.takeProfiles(profilesOf(events));
      const line = isNoHold(id) || rows.length === 0 ? null : s.lineOf(foldEvents(id, events), rows[0].pair);
      if (JSON.stringify(line) !== JSON.stringify(s.kept.get(id) ?? null)) {
        if (line) s.kept.set(id, line);
        else s.kept.delete(id);
        s.unsorted = true;
        s.outdate();
      }
      // What still runs, or begins in a moment, is due until it is over.
      const over = line ? line.over : rows.every((r) => r.at <= now());
      made.push({ hold: id, ids: rows.map((r) => r.id), line: over ? line : null, over });
    }
    if (first()) s.follow(await disk.settle(made));
    else if (made.length > 0) s.outdate();
  };

  /** Lines of other rules are made anew, every one. */
  const remakeAll = async () => {
    if (first()) await disk.allDue();
    s.reread();
    for (const id of await store.holds()) s.due.add(id);
    s.read = true;
  };

  const readMore = async () => {
    const from = s.oldest;
    const lines = await disk.linesBefore(from, MORE);
    // Meanwhile it was begun anew.
    if (s.oldest !== from) return;
    if (!s.takeLines(lines)) await remakeAll();
    else if (lines.length < MORE) s.read = true;
  };

  /** @param {Person} person @param {Setting} setting @returns {Told} */
  const told = (person, setting) => {
    const f = s.factsOf(person);
    return (f.told[setting] ??= toldOf(f.mine, setting));
  };

  /** The same a piece at a time. @param {import('./logbook.js').Facts} f @param {Setting} setting @returns {Promise<Told>} */
  const telling = async (f, setting) => {
    const pieces = tellingOf(f.mine, setting);
    let step = f.told[setting] ? null : pieces.next();
    while (step && !step.done) {
      await breathe();
      step = pieces.next();
    }
    return (f.told[setting] ??= /** @type {Told} */ (step?.value));
  };

  /** Makes the digest of all lines, one diver at a time. Given up where a line changes meanwhile. */
  const digest = async () => {
    s.behind = false;
    const { stamp } = s;
    const people = s.people();
    /** @type {Head['divers']} */
    const heads = [];
    /** @type {[string, Part][]} */
    const parts = [];
    for (const person of divers(people)) {
      const facts = s.factsOf(person);
      const { made, expected } = facts;
      const key = partKey(person);
      heads.push({ key, made, expected });
      if (written.get(key) !== made) parts.push([key, { v: LOG_VERSION, made, dry: await telling(facts, 'dry'), pool: await telling(facts, 'pool') }]);
      await breathe();
      if (s.behind || !free()) {
        s.behind = true;
        return;
      }
    }
    const keys = heads.map((d) => d.key);
    for (const key of s.facts.keys()) if (!keys.includes(key)) s.facts.delete(key);
    if (await disk.setDigest(stamp, { v: LOG_VERSION, people, divers: heads }, keys, parts)) {
      for (const [key, { made }] of parts) written.set(key, made);
    } else {
      written.clear();
      s.reread();
    }
  };

  /** What is left to do, the next piece of it. @returns {(() => Promise<void>) | null} */
  const next = () => {
    s.refresh();
    if (s.due.size + s.fresh.size > 0) return () => make([...s.due, ...s.fresh].slice(0, AT_ONCE));
    if (!s.read) return readMore;
    if (s.behind && first()) return digest;
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
    tend() {
      tending ??= tend().finally(() => {
        tending = null;
      });
      return tending;
    },

    /** @param {string[]} ids of holds that are due */
    async renew(ids) {
      for (let i = 0; i < ids.length && free(); i += AT_ONCE) {
        await make(ids.slice(i, i + AT_ONCE));
        changed();
        if (i + AT_ONCE < ids.length) await breathe();
      }
    },

    /** @param {Person} person @param {Setting} setting @returns {Told | null} null while they are read */
    trends(person, setting) {
      s.refresh();
      const key = partKey(person);
      const { head } = s;
      const counted = s.checked.get(key) === s.all ? s.facts.get(key)?.told[setting] : undefined;
      if (counted) return counted;
      const entry = head?.divers.find((d) => d.key === key);
      if (head === null || !entry) return s.read ? told(person, setting) : null;
      if (shown.of !== head) shown = { of: head, parts: new Map() };
      const { parts } = shown;
      const part = parts.get(key);
      if (part === undefined) {
        parts.set(key, 'asked');
        disk.digestPart(key).then((value) => {
          const found = /** @type {Part | undefined} */ (value);
          parts.set(key, found?.v === LOG_VERSION && found.made === entry.made ? found : null);
          changed();
        });
      }
      if (part === undefined || part === 'asked') return null;
      return part?.[setting] ?? (s.read ? told(person, setting) : null);
    },
  };
}
