// Draws the press surface: digits at the axis while it waits, words when something is due, edge to edge at the second call.

import { el, replace, setAttr, setShown, setStyle, setText } from '../app/dom.js';
import { attachPress } from '../press/press.js';
import { icon } from '../tape/marks.js';
import { digits } from './parts.js';
import { fitPx } from './sheet.js';

/** @typedef {import('./slab_words.js').SlabFace} SlabFace */
/** @typedef {import('./slab_words.js').SlabPress} SlabPress */
/** @typedef {import('./parts.js').Layout} Layout */
/** @typedef {import('./parts.js').Pressed} Pressed */

/** Words from edge to edge keep this much clear of both sides together, px. */
const EDGE = 30;
/** Room of the two cut-out corners sideways, px each. */
const CORNER = 124;

/**
 * Width of a display text in em.
 * @param {string} text
 */
const em = (text) => 1000 / fitPx(text, 1000, 1e9);

/**
 * Size at which the words of a face fit their place.
 * @param {SlabFace} face
 * @param {Layout} layout
 */
export function wordSize(face, layout) {
  const { width, axis, sideways, small, room } = layout;
  const longest = Math.max(...face.words.map(em));
  const high = (room * 0.96 - (face.head ? 34 : 0)) / (face.words.length * 0.92);
  const edges = width - EDGE - (sideways ? 2 * CORNER : 0);
  if (face.form === 'across') {
    const first = em(face.words[0]) + 1.18;
    return Math.floor(Math.min((124 * width) / 390, high, edges / Math.max(first, longest)));
  }
  if (small) return Math.floor(Math.min(118, high, edges / longest));
  const box = width - axis - 24 - (sideways ? CORNER : 0);
  return Math.floor(Math.min((102 * width) / 390, high, box / longest));
}

/**
 * @param {object} options
 * @param {import('./parts.js').HoldApp} options.app
 * @param {(press: SlabPress, pressed: Pressed) => void} options.onPress
 */
export function createSlab({ app, onPress }) {
  const filling = el('span', { class: 'filling' });
  const label = el('span', { class: 'count-label' });
  const count = digits('count');
  const head = el('span', { class: 'slab-head' });
  const words = el('span', { class: 'slab-words display' });
  const hint = el('span', { class: 'slab-hint' });
  const hintWords = el('span', { class: 'hint-words' });
  const soft = el('span', { class: 'hint-soft' });
  hint.append(hintWords, soft);
  const live = el('span', { class: 'spoken', 'aria-live': 'assertive' });
  const node = el('div', { class: 'slab press-surface', role: 'button', tabindex: '0' }, filling, label, count.node, head, words, hint, live);
  /** @type {SlabFace|null} */
  let shown = null;
  let drawn = '';

  const press = attachPress(node, {
    kind: 'pool',
    now: app.now,
    onFire(pressed) {
      app.sound.arm();
      if (!shown?.press) return;
      // Seen at once: the record follows, the screen does not wait for the disk.
      setAttr(node, 'data-pressed', true);
      onPress(shown.press, pressed);
    },
    onFill: (part) => setStyle(filling, 'transform', part > 0 ? `scaleY(${part.toFixed(3)})` : null),
  });

  /**
   * @param {SlabFace} face
   * @param {Layout} layout
   */
  const drawWords = (face, layout) => {
    const across = face.form === 'across' || (layout.small && face.words.length < 3);
    const key = JSON.stringify([face.words, face.form, face.icon, layout.width, layout.height, face.head]);
    if (key === drawn) return;
    drawn = key;
    const shape = !face.icon ? null
      : face.icon === 'diamonds' ? el('span', { class: 'signal diamonds' }, icon('diamond'), icon('diamond'))
        : el('span', { class: `signal one ${face.icon}` }, icon(face.icon));
    const lines = face.words.map((line) => el('span', { class: 'line' }, line));
    if (across && shape && lines[0]) lines[0].append(shape);
    replace(words, lines, across ? null : shape);
    setStyle(words, 'font-size', face.words.length ? `${wordSize(face, layout)}px` : null);
    setAttr(words, 'data-lines', face.words.length);
    setAttr(words, 'data-across', across);
  };

  return {
    node,
    /**
     * @param {SlabFace} face
     * @param {Layout} layout
     */
    update(face, layout) {
      const changed = shown?.meaning !== face.meaning;
      if (changed) setAttr(node, 'data-pressed', null);
      shown = face;
      setAttr(node, 'data-tone', face.tone);
      setAttr(node, 'data-form', face.form);
      setShown(label, face.form === 'count');
      setShown(count.node, face.form === 'count');
      setShown(words, face.form !== 'count');
      setShown(head, face.head !== '');
      setText(head, face.head);
      if (face.form === 'count') {
        setLines(label, face.label);
        count.set(face.count);
      } else drawWords(face, layout);
      setLines(hintWords, face.hint);
      setText(soft, face.soft);
      const said = face.form === 'count' ? face.label.join(' ') : `${face.head} ${face.words.join(' ')}`.trim();
      setAttr(node, 'aria-label', said);
      setText(live, face.tone === 'wait' ? '' : said);
      press.setKind(face.press?.kind ?? 'pool');
      press.setMeaning(face.meaning);
      press.setEnabled(face.press !== null);
    },
    /** The press did not become a record after all. */
    release: () => setAttr(node, 'data-pressed', null),
    detach: press.detach,
  };
}

/**
 * @param {HTMLElement} node
 * @param {string[]} lines
 */
function setLines(node, lines) {
  const text = lines.join('\n');
  if (node.dataset.text === text) return;
  node.dataset.text = text;
  replace(node, lines.map((line) => el('span', { class: 'line' }, line)));
}
