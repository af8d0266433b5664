// Parts of the pages of a hold: running digits, keys, and the measures all of them share.

import { el, setAttr, setClass, setStyle, setText } from '../app/dom.js';
import { attachPress } from '../press/press.js';
import { icon } from '../tape/marks.js';
import { fitPx } from './sheet.js';

/** @typedef {import('../rules/status.js').Status} Status */
/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../press/press.js').Pressed} Pressed */
/** @typedef {import('../press/press.js').PressKind} PressKind */

/**
 * What the pages of a hold read of a frame (`app.frame()`).
 * @typedef {object} HoldFrame
 * @property {number} now shared ms
 * @property {Hold|null} hold
 * @property {Status|null} status
 * @property {{device: string, role: string, name: string}} me
 * @property {{state: string, for_ms: number}} link
 * @property {{state: string, words: string, needs_touch?: boolean, proven_at?: number|null}} sound
 * @property {{fault: boolean, words: string}} [clock]
 * @property {{ms: number, at: number}|null} [away]
 * @property {any} [kept]
 * @property {boolean} [several] several holds of the pair run
 * @property {boolean} [second_tab]
 * @property {{id: string, kind: string, at: number, left_ms: number}[]} [take_back]
 * @property {{held: boolean, words: string}} [awake_lock]
 * @property {{code: string, reason: string}[]} [refused]
 * @property {any[]} [present] the other devices of the pair
 * @property {{takes: boolean}} [voice] `takes`: this device sounds all rungs
 * @property {{number: number|null}|null} [pair]
 * @property {any} [prefs]
 */

/**
 * What the pages of a hold ask of the app.
 * @typedef {object} HoldApp
 * @property {() => number} now
 * @property {() => HoldFrame} frame
 * @property {(kind: string, data?: object, opts?: {at?: number, hold?: string}) => Promise<{id: string}>} record
 * @property {() => {series: import('../rules/series.js').Series, at: import('../rules/series.js').SeriesNow} | null} series
 * @property {(id: string) => Promise<unknown>} takeBack
 * @property {(view: string, params?: object) => void} go
 * @property {() => void} quiet
 * @property {() => Record<string, any>|null} place
 * @property {(diver: string) => object|null} lastHoldOf
 * @property {{get: (name: string) => any, set: (name: string, value: any) => void}} prefs
 * @property {{arm: () => unknown}} sound
 */

/**
 * Running digits with the colon raised; only what differs is touched.
 * @param {string} [cls]
 */
export function digits(cls = '') {
  const minutes = el('span');
  const colon = el('span', { class: 'colon' }, ':');
  const seconds = el('span');
  const node = el('span', { class: `digits ${cls}`.trim() }, minutes, colon, seconds);
  return {
    node,
    /** @param {string} text `4:12`, or `1.1` with a point left as it is */
    set(text) {
      const [before, after] = text.split(':');
      setText(minutes, before);
      setClass(node, 'plain', after === undefined);
      setText(colon, after === undefined ? '' : ':');
      setText(seconds, after ?? '');
    },
  };
}

/**
 * @typedef {object} Layout
 * @property {number} width
 * @property {number} height
 * @property {number} axis
 * @property {boolean} sideways
 * @property {boolean} small narrow: type and keys one size down
 * @property {boolean} low no room for a fifth line in the head
 * @property {number} tape height of the tape
 * @property {number} slab height of the press surface
 * @property {number} clock font size of the hold clock
 * @property {number} count font size of the digits in the slab
 * @property {number} room height free for words in the slab
 */

/**
 * Measures of a hold page, set as custom properties on its root, so that style and tape agree.
 * @param {HTMLElement} root
 * @param {string} [widest] the widest time its clock has to show
 * @returns {Layout}
 */
export function layOut(root, widest = '0:00') {
  const width = root.clientWidth;
  const height = root.clientHeight;
  const sideways = width > height && height <= 500;
  const small = width < 360;
  const tape = sideways ? 92 : small || height < 600 ? 104 : height < 700 ? 136 : 184;
  const marks = sideways ? 0 : small ? 52 : height < 700 ? 56 : 68;
  const slab = Math.floor(height / 2);
  const header = height - slab - tape - (sideways ? 20 : marks);
  const wide = width / 390;
  const clock = sideways
    ? Math.min(header * 1.12, fitPx(widest, width * 0.29, 200))
    : Math.min(124 * wide, header * 0.9, fitPx(widest, (width * 2) / 3 - 18, 400));
  const room = sideways ? slab - 20 : slab - (small ? 66 : 92);
  const count = Math.min(118 * wide, room * 0.62, fitPx('0:00', (width * 2) / 3 - (sideways ? 270 : 24), 400, 400));
  const vars = { tape, marks, slab, header, clock: Math.floor(clock), count: Math.floor(count), room };
  for (const [name, px] of Object.entries(vars)) setStyle(root, `--${name}-px`, `${px}px`);
  setClass(root, 'sideways', sideways);
  setClass(root, 'small', small);
  setClass(root, 'short', !sideways && !small && height < 700);
  return { width, height, axis: width / 3, sideways, small, low: small || height < 700, tape, slab, clock: vars.clock, count: vars.count, room };
}

/**
 * @typedef {object} PressKey
 * @property {HTMLButtonElement} node
 * @property {(words: string, iconName?: string, soft?: string) => void} face `soft` is a quieter line below the words
 * @property {(meaning: string) => void} setMeaning
 * @property {(on: boolean) => void} setEnabled
 * @property {(kind: PressKind) => void} setKind
 * @property {() => void} detach
 */

/**
 * A key that takes a deliberate press: a shape over a word, and a fill that grows while the press does.
 * @param {string} cls
 * @param {object} options
 * @param {HoldApp} options.app
 * @param {PressKind} options.kind
 * @param {(pressed: Pressed) => void} options.onFire
 * @param {number} [options.dead_ms]
 * @returns {PressKey}
 */
export function pressKey(cls, { app, kind, onFire, dead_ms }) {
  const filling = el('span', { class: 'filling' });
  const shape = el('span', { class: 'shape' });
  const words = el('span', { class: 'words' });
  const quieter = el('span', { class: 'soft' });
  const node = el('button', { type: 'button', class: cls }, el('span', { class: 'face' }, shape, words, quieter, filling));
  const press = attachPress(node, {
    kind,
    now: app.now,
    dead_ms,
    onFire(pressed) {
      app.sound.arm();
      onFire(pressed);
    },
    onFill: (part) => setStyle(filling, 'transform', part > 0 ? `scaleY(${part.toFixed(3)})` : null),
  });
  let shown = '';
  return {
    node,
    face(text, name = '', soft = '') {
      setText(words, text);
      setText(quieter, soft);
      setAttr(node, 'aria-label', `${text} ${soft}`.replace(/\s+/g, ' ').replace('’', "'").trim());
      if (name === shown) return;
      shown = name;
      while (shape.firstChild) shape.removeChild(shape.firstChild);
      if (name) shape.append(icon(name));
    },
    setMeaning: press.setMeaning,
    setEnabled(on) {
      press.setEnabled(on);
      setClass(node, 'off', !on);
    },
    setKind: press.setKind,
    detach: press.detach,
  };
}
