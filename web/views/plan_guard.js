/**
 * The guard: an ink slab under the tape, whose tooth stands on the place of the
 * tape it speaks of. The careful way on is filled, the less careful outlined.
 */

import { el, replace, setShown, setText } from '../app/dom.js';

/**
 * @typedef {object} GuardShown
 * @property {import('../app/guards.js').Guard} guard
 * @property {import('../app/guard_words.js').GuardWords} words
 * @property {string} source where it comes from
 * @property {string[]} also the other guards that stand, a line each
 */

/**
 * @param {object} on
 * @param {(act: import('../app/guard_words.js').GuardAct, guard: import('../app/guards.js').Guard) => void} on.act
 */
export function guardSlab({ act }) {
  /** @type {GuardShown | null} */
  let shown = null;
  const lines = el('div', { class: 'lines', role: 'status' });
  const source = el('p', { class: 'source' });
  const also = el('ul', { class: 'also', 'aria-label': 'also' });
  const fill = el('button', { type: 'button', class: 'key fill', onclick: () => shown?.words.fill && act(shown.words.fill.act, shown.guard) });
  const outline = el('button', {
    type: 'button',
    class: 'key',
    onclick: () => shown?.words.outline && act(shown.words.outline.act, shown.guard),
  });

  const node = el('section', { class: 'guard', 'aria-label': 'before this hold', hidden: true },
    lines, source, el('div', { class: 'ways' }, outline, fill), also);

  function draw() {
    setShown(node, shown !== null);
    if (!shown) return;
    const { words } = shown;
    setText(lines, words.lines.join('\n'));
    setText(source, shown.source);
    if (also.textContent !== shown.also.join('')) replace(also, shown.also.map((line) => el('li', null, line)));
    setText(fill, words.fill?.text ?? '');
    setShown(fill, words.fill !== null);
    setText(outline, words.outline?.text ?? '');
    setShown(outline, words.outline !== null);
  }

  return {
    node,
    /** @param {GuardShown | null} next */
    update(next) {
      shown = next;
      draw();
    },
    focus() {
      node.scrollIntoView({ block: 'nearest' });
      (fill.hidden ? outline : fill).focus();
    },
  };
}
