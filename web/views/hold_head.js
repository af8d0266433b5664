// Parts of the head of a hold page: whether it is live, what is amiss, and the tooth that points to the tape.

import { clockText } from '../app/clock_text.js';
import { el, replace, setClass, setShown, setText, svg } from '../app/dom.js';

/** @typedef {import('./parts.js').HoldFrame} HoldFrame */

/** A line for `showLink`. */
export function linkLine() {
  return el('span', { class: 'line link' }, el('span', { class: 'dot' }), el('span', { class: 'fault small' }), el('span'));
}

/** The stem and the tooth that point from the slab to the now line. */
export function toothOf() {
  return el(
    'div', { class: 'stem', 'aria-hidden': 'true' },
    svg('svg', { class: 'tooth', viewBox: '0 0 25 28' }, svg('path', { d: 'M12.5 1.5L23.5 27H1.5Z' })),
  );
}

/**
 * @param {HTMLElement} node
 * @param {HoldFrame['link']} link
 */
export function showLink(node, link) {
  const [dot, hatch, words] = /** @type {HTMLElement[]} */ ([...node.children]);
  const live = link.state === 'live';
  setShown(dot, link.state !== 'not-live');
  setClass(dot, 'hollow', !live);
  setShown(hatch, link.state === 'not-live');
  setText(words, live ? 'live' : link.state === 'alone' ? 'alone' : `not live ${clockText(link.for_ms)}`);
}

/**
 * Faults of this phone that matter in a hold, gravest first.
 * @param {HoldFrame} frame
 * @param {string} failure
 */
export function faultLines(frame, failure) {
  /** @type {string[]} */
  const lines = [];
  if (failure) lines.push(failure);
  if (frame.sound.state !== 'proven') lines.push(frame.sound.words || (frame.sound.state === 'off' ? 'sound is off: touch' : 'sound not proven'));
  if (frame.awake_lock && !frame.awake_lock.held && frame.awake_lock.words) lines.push(frame.awake_lock.words);
  return lines.slice(0, 2);
}

/**
 * @param {HTMLElement} node
 * @param {string[]} lines
 */
export function showFaults(node, lines) {
  const text = lines.join('\n');
  if (node.dataset.text === text) return;
  node.dataset.text = text;
  replace(node, lines.map((line) => el('span', { class: 'fault-line' }, el('span', { class: 'fault small' }), el('span', null, line))));
}
