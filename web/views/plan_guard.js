/**
 * The guard: an ink slab under the tape, whose tooth stands on the place of the
 * tape it speaks of. The careful way on is filled, the less careful outlined.
 */

import { el, replace, setShown, setText } from '../app/dom.js';
import { TEXT_CHARS } from '../app/plan_form.js';

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
 * @param {(word: {diver: string, name: string, reason: string, hold: string}) => void} on.lift
 */
export function guardSlab({ act, lift }) {
  /** @type {GuardShown | null} */
  let shown = null;
  let lifting = false;
  const lines = el('div', { class: 'lines', role: 'status' });
  const source = el('p', { class: 'source' });
  const also = el('ul', { class: 'also', 'aria-label': 'also' });
  const fill = el('button', { type: 'button', class: 'key fill', onclick: () => shown?.words.fill && act(shown.words.fill.act, shown.guard) });
  const outline = el('button', {
    type: 'button',
    class: 'key',
    onclick: () => {
      if (!shown?.words.outline) return;
      lifting = shown.words.outline.act === 'lift';
      if (!lifting) act(shown.words.outline.act, shown.guard);
      draw();
    },
  });

  const name = el('input', { class: 'entry', 'aria-label': 'name of the instructor', placeholder: 'your name', autocomplete: 'off' });
  const reason = el('input', { class: 'entry', 'aria-label': 'reason', placeholder: 'reason', autocomplete: 'off' });
  const problem = el('p', { class: 'problem', role: 'status', hidden: true });
  const form = el('form', {
    class: 'lift',
    onsubmit: (/** @type {Event} */ e) => {
      e.preventDefault();
      const texts = [name.value.trim(), reason.value.trim()];
      const wrong = texts.some((t) => t === '' || [...t].length > TEXT_CHARS);
      setText(problem, wrong ? 'a name and a reason, 80 characters at most' : '');
      setShown(problem, wrong);
      if (wrong || !shown?.guard.who) return;
      lifting = false;
      lift({ diver: shown.guard.who, name: texts[0], reason: texts[1], hold: shown.guard.hold ?? '' });
    },
  }, name, reason, problem, el('button', { type: 'submit', class: 'key' }, 'lift the block'));

  const node = el('section', { class: 'guard', 'aria-label': 'before this hold', hidden: true },
    lines, source, el('div', { class: 'ways' }, outline, fill), form, also);

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
    setShown(outline, words.outline !== null && !lifting);
    setShown(form, lifting && words.outline?.act === 'lift');
  }

  return {
    node,
    /** @param {GuardShown | null} next */
    update(next) {
      if (next?.guard.what !== shown?.guard.what) lifting = false;
      shown = next;
      draw();
    },
    focus() {
      node.scrollIntoView({ block: 'nearest' });
      (fill.hidden ? outline : fill).focus();
    },
  };
}
