// Draws the full screen of an alarm: frame and octagon flash together twice a second, the words stand still.

import { el, replace, setAttr, setShown, setStyle, setText } from '../app/dom.js';
import { icon } from '../tape/marks.js';
import { pressKey } from './parts.js';
import { fitPx } from './sheet.js';

/** @typedef {import('./alarm_words.js').AlarmFace} AlarmFace */
/** @typedef {import('./alarm_words.js').AlarmKey} AlarmKey */
/** @typedef {import('./parts.js').Pressed} Pressed */

/** A press that begins this soon after the screen has changed does not count: a doubled press lands on nothing. */
const DEAD_MS = 1000;

/**
 * @param {object} options
 * @param {import('./parts.js').HoldApp} options.app
 * @param {(key: AlarmKey, pressed: Pressed) => void} options.onPress
 * @param {(pressed: Pressed) => void} options.onTrouble
 */
export function createAlarm({ app, onPress, onTrouble }) {
  const head = el('span', { class: 'alarm-head display' });
  const since = el('span', { class: 'alarm-since' });
  const big = el('div', { class: 'alarm-big display' });
  const steps = el('div', { class: 'alarm-steps' });
  const number = el('div', { class: 'alarm-number' });
  /** @type {AlarmFace|null} */
  let shown = null;
  const left = pressKey('alarm-key outline', { app, kind: 'alarm', dead_ms: DEAD_MS, onFire: (p) => shown?.left && onPress(shown.left, p) });
  const right = pressKey('alarm-key fill', { app, kind: 'up', onFire: (p) => shown?.right && onPress(shown.right, p) });
  const trouble = pressKey('alarm-key outline trouble', { app, kind: 'up', dead_ms: DEAD_MS, onFire: onTrouble });
  trouble.face('trouble', 'trouble');
  const frame = el('div', { class: 'alarm-frame' });
  const node = el(
    'div', { class: 'alarm', role: 'alertdialog', hidden: true },
    frame,
    el('div', { class: 'alarm-top' }, icon('octagon', 'flash'), el('div', { class: 'alarm-words' }, head, since)),
    big,
    el('div', { class: 'alarm-mid' }, el('div', null, steps, number), trouble.node),
    el('div', { class: 'alarm-keys' }, left.node, right.node),
  );
  let drawn = '';

  return {
    node,
    /**
     * @param {AlarmFace|null} face
     * @param {{width: number, height: number, small: boolean, sideways: boolean}} layout
     * @param {Record<string, any>|null} place
     */
    update(face, layout, place) {
      shown = face;
      setShown(node, face !== null);
      if (!face) return;
      const key = JSON.stringify([face.big, face.steps, face.head, layout.width, layout.height]);
      if (key !== drawn) {
        drawn = key;
        replace(big, face.big.map((word) => el('span', { class: 'line' }, word)));
        replace(steps, face.steps.map((step) => el('span', { class: 'line' }, step)));
        setText(head, face.head);
        const inner = layout.width - (layout.small ? 40 : 68);
        const room = layout.sideways ? layout.height - 60 : layout.height * (layout.small ? 0.43 : 0.36);
        const box = layout.sideways ? layout.width * 0.5 - 40 : inner;
        const size = Math.min(layout.sideways ? 200 : (118 * layout.width) / 390, room / (face.big.length * 0.86), ...face.big.map((w) => fitPx(w, box, 400)));
        setStyle(node, '--big-px', `${Math.floor(size)}px`);
        const headBox = (layout.sideways ? layout.width * 0.5 : layout.width) - (layout.small ? 116 : 172);
        setStyle(node, '--head-px', `${fitPx(face.head, headBox, layout.small ? 32 : 40)}px`);
        setAttr(node, 'aria-label', `${face.head}: ${face.big.join(' ')}`);
      }
      setText(since, face.since);
      setText(number, place?.number ? `emergency ${place.number}` : '');
      setShown(left.node, face.left !== null);
      if (face.left) {
        left.face(face.left.words.join('\n'), '', face.left.soft);
        left.setKind(face.left.kind);
      }
      left.setMeaning(`${face.meaning} left`);
      setShown(right.node, face.right !== null);
      if (face.right) {
        right.face(face.right.words.join('\n'), face.right.record === 'surfaced' ? 'up' : '');
        right.setKind(face.right.kind);
      }
      right.setMeaning(`${face.right?.record}`);
      setShown(trouble.node, face.trouble);
      trouble.setMeaning('trouble');
    },
    detach() {
      left.detach();
      right.detach();
      trouble.detach();
    },
  };
}
