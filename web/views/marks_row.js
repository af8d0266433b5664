// The mark row of a hold: contraction, sign, trouble (after surfacing: the breath, sign, trouble); and the choices that lie over the tape for a while after or before a
// mark, so that nothing of the row itself is ever taken away for long.

import { el, setAttr, setClass, setShown } from '../app/dom.js';
import { GRAVE_SIGNS } from '../rules/apply.js';
import { SIGNS, SITES } from '../rules/summary.js';
import { secondsLeft } from './alarm_words.js';
import { pressKey } from './parts.js';

/** @typedef {import('./parts.js').HoldApp} HoldApp */
/** @typedef {import('./parts.js').Pressed} Pressed */
/** @typedef {import('./alarm_words.js').OwnPress} OwnPress */
/** @typedef {import('./parts.js').PressKey} PressKey */

/**
 * A mark's own cell offers to take it back for this long; then it marks again, and the strip above still takes back
 * (own: contractions come every few seconds late in a hold, and a sign may follow a sign).
 */
const OWN_CELL_MS = 5000;
/** A choice nobody makes closes after this, ms. */
const CHOICE_MS = 10_000;
const DEAD_MS = 1000;

const GRAVE = new Set(GRAVE_SIGNS);
/** After surfacing: what can still be seen, the last two being trouble. */
const SIGNS_UP = ['blue', 'shaking', 'limp'];

/**
 * @param {object} options
 * @param {HoldApp} options.app
 * @param {(kind: string, data: object, at: number) => Promise<{id: string}|null>} options.record
 * @param {(id: string) => void} options.takeBack
 * @param {() => void} options.refresh draw again now
 * @param {HTMLElement} [options.first] after surfacing this stands where the contraction stood
 */
export function createMarks({ app, record, takeBack, refresh, first }) {
  /** @type {{at: number, id: string, site: string|null, signalled: boolean}|null} the contraction whose place can still be said */
  let placed = null;
  let busy = false;
  /** @type {number|null} since when the signs are on offer */
  let choosing = null;
  /** @type {OwnPress|null} */
  let ownContraction = null;
  /** @type {OwnPress|null} */
  let ownSign = null;

  const cell = (/** @type {(p: Pressed) => void} */ onFire) => pressKey('mark', { app, kind: 'dry', dead_ms: DEAD_MS, onFire });
  const contraction = cell((p) => {
    if (ownContraction && inOwnCell(ownContraction)) takeBack(ownContraction.id);
    else markContraction(p);
  });
  const sign = cell((p) => {
    if (ownSign && inOwnCell(ownSign)) takeBack(ownSign.id);
    else choosing = choosing === null ? p.at : null;
    refresh();
  });
  const trouble = pressKey('mark', { app, kind: 'dry', onFire: (p) => record('incident', { what: 'unknown' }, p.down_at) });
  trouble.face('trouble', 'trouble');
  const node = el('div', { class: 'marks' }, first ?? contraction.node, sign.node, trouble.node);

  const siteKeys = [...SITES, 'showed it', 'take back'].map((word) => choice(word, () => {
    if (word === 'take back') {
      if (placed) takeBack(placed.id);
      placed = null;
    } else if (word === 'showed it') refine({ signalled: true });
    else refine({ site: word });
  }));
  const signKeys = [...(first ? SIGNS_UP : SIGNS), 'take back'].map((word) => choice(word, async (p) => {
    choosing = null;
    refresh();
    if (word === 'take back') {
      if (ownSign) takeBack(ownSign.id);
      return;
    }
    await record('sign', { what: word }, p.down_at);
    // In the water the sign itself brings the diver up; up already, it is trouble.
    if (first && GRAVE.has(word)) await record('incident', { what: 'unknown' }, p.down_at);
  }));
  for (const { word, key } of signKeys) if (GRAVE.has(word)) setClass(key.node, 'grave', true);
  const keys = [contraction, sign, trouble, ...[...siteKeys, ...signKeys].map((k) => k.key)];
  const sites = el('div', { class: 'choices sites', hidden: true }, siteKeys.map((k) => k.key.node));
  const signs = el('div', { class: 'choices signs', hidden: true }, signKeys.map((k) => k.key.node));

  /**
   * @param {string} word
   * @param {(p: Pressed) => void} onFire
   */
  function choice(word, onFire) {
    const key = pressKey('choice', { app, kind: 'dry', onFire });
    key.face(word, '', GRAVE.has(word) ? (first ? 'trouble' : 'up') : '');
    return { word, key };
  }

  /** @param {OwnPress} own */
  function inOwnCell(own) {
    return app.now() - own.at < OWN_CELL_MS;
  }

  /** @param {Pressed} p */
  async function markContraction(p) {
    const event = await record('contraction', {}, p.down_at);
    if (event) placed = { at: p.down_at, id: event.id, site: null, signalled: false };
    refresh();
  }

  /**
   * Says more of a contraction already marked: recorded anew at the same instant, and the first one taken back.
   * @param {{site?: string, signalled?: boolean}} more
   */
  async function refine(more) {
    if (!placed || busy) return;
    busy = true;
    const was = placed;
    const next = { ...was, ...more };
    /** @type {Record<string, any>} */
    const data = {};
    if (next.site) data.site = next.site;
    if (next.signalled) data.signalled = true;
    const event = await record('contraction', data, was.at);
    busy = false;
    if (!event) return;
    if (placed === was) placed = { ...next, id: event.id };
    takeBack(was.id);
  }

  return {
    node,
    choices: el('div', { class: 'choice-strip' }, sites, signs),
    /**
     * @param {import('./hold_facts.js').HoldFacts} facts
     */
    update({ now, takeBack: own, status, dry }) {
      const due = status.standing !== null;
      const newest = (/** @type {string} */ kind) => own.filter((p) => p.kind === kind).pop() ?? null;
      ownContraction = newest('contraction');
      ownSign = newest('sign');
      if (placed && !busy && (now - placed.at >= CHOICE_MS || !own.some((p) => p.id === placed?.id))) placed = null;
      if (choosing !== null && (now - choosing >= CHOICE_MS || now < choosing)) choosing = null;

      const back = ownContraction && inOwnCell(ownContraction) ? ownContraction : null;
      contraction.face(back ? `take back ${secondsLeft(back)}` : 'contraction', back ? 'back' : 'contraction');
      contraction.setMeaning(back ? 'back' : 'mark');
      const signBack = ownSign && inOwnCell(ownSign) ? ownSign : null;
      sign.face(signBack ? `take back ${secondsLeft(signBack)}` : choosing === null ? 'sign' : 'close', signBack ? 'back' : choosing === null ? 'sign' : 'no');
      sign.setMeaning(signBack ? `back ${signBack.id}` : 'sign');
      for (const key of keys) key.setKind(dry ? 'dry' : 'pool');
      trouble.setMeaning('trouble');

      const showSigns = choosing !== null;
      const showSites = placed !== null && !showSigns && !due;
      setShown(signs, showSigns);
      setShown(sites, showSites);
      for (const { word, key } of siteKeys) {
        key.setMeaning(word);
        if (word === 'take back' && placed) {
          const left = own.find((p) => p.id === placed?.id);
          key.face(`take back ${left ? secondsLeft(left) : ''}`.trim());
        }
        const on = word === placed?.site || (word === 'showed it' && placed?.signalled === true);
        setAttr(key.node, 'aria-pressed', on ? 'true' : null);
      }
      for (const { word, key } of signKeys) {
        key.setMeaning(word);
        if (word === 'take back') {
          setShown(key.node, ownSign !== null);
          key.face(ownSign ? `take back ${secondsLeft(ownSign)}` : word);
        }
      }
    },
    detach() {
      for (const key of keys) key.detach();
    },
  };
}
