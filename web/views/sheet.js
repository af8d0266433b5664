/**
 * Parts the sheets share: ruled rows hung on the axis, fields with their
 * sentence beside them, choices in words, and display text fitted to its box.
 */

import { el, setAttr, setClass, setShown, setText } from '../app/dom.js';

/** @typedef {import('../app/dom.js').Child} Child */

let nextId = 0;

/** A fresh id for `for`, `aria-describedby` and the like. */
export function freshId() {
  nextId += 1;
  return `s${nextId}`;
}

/**
 * One ruled row: what something is, right-aligned at the axis; its value to
 * the right of it. `of` names the input the label belongs to.
 * @param {string} label
 * @param {{plain?: boolean, of?: string, class?: string} | null} options
 * @param {...Child} value
 */
export function row(label, options, ...value) {
  const of = options?.of;
  const classes = ['row', options?.plain ? 'plain' : '', options?.class ?? ''].filter(Boolean).join(' ');
  const name = of ? el('label', { class: 'label', for: of }, label) : el('span', { class: 'label' }, label);
  return el('div', { class: classes }, name, el('div', { class: 'value' }, ...value));
}

/**
 * @typedef {object} Field
 * @property {HTMLElement} node the row
 * @property {HTMLInputElement | HTMLTextAreaElement} input
 * @property {HTMLElement} value what the row holds right of the axis
 * @property {(text: string) => void} set leaves a field alone while somebody types in it
 * @property {(problem: string | null | undefined) => void} problem one sentence beside the field, or none
 */

/**
 * A row with one input. Nothing is ever cut off or thrown away: what makes no
 * sense stays, with a sentence beneath it.
 * @param {object} options
 * @param {string} options.label
 * @param {string} options.value
 * @param {(text: string) => void} options.onInput
 * @param {() => void} [options.onDone] the field was left
 * @param {() => void} [options.onEnter] what Enter does beyond leaving the field
 * @param {string} [options.class] of the row
 * @param {string} [options.type]
 * @param {string} [options.mode] inputmode
 * @param {string} [options.hint] placeholder
 * @param {string} [options.name] for autofill and tests
 * @param {boolean} [options.plain]
 * @param {boolean} [options.grows] a longer text gets more lines instead of running out of sight
 * @param {Child[]} [options.beside]
 * @returns {Field}
 */
export function field(options) {
  const id = freshId();
  const problemId = `${id}p`;
  const input = el(options.grows ? 'textarea' : 'input', {
    id,
    name: options.name,
    class: 'entry',
    type: options.grows ? null : options.type ?? 'text',
    rows: options.grows ? 1 : null,
    inputmode: options.mode,
    placeholder: options.hint,
    value: options.value,
    autocomplete: 'off',
    autocapitalize: options.mode === 'decimal' ? 'off' : null,
    spellcheck: 'false',
    enterkeyhint: 'done',
    oninput: () => {
      grow();
      options.onInput(input.value);
    },
    onchange: () => options.onDone?.(),
    onkeydown: (/** @type {KeyboardEvent} */ e) => {
      if (e.key !== 'Enter') return;
      e.preventDefault();
      input.blur();
      options.onEnter?.();
    },
  });
  let fitted = { width: 0, text: '' };
  const grow = () => {
    if (!options.grows || input.clientWidth === 0) return;
    input.style.height = 'auto';
    input.style.height = `${input.scrollHeight}px`;
  };
  const problem = el('p', { class: 'problem', id: problemId, role: 'status', hidden: true });
  const node = row(
    options.label,
    { of: id, plain: options.plain, class: options.class },
    input,
    ...(options.beside ?? []),
    problem,
  );
  return {
    node,
    input,
    value: /** @type {HTMLElement} */ (node.lastElementChild),
    set(text) {
      if (document.activeElement !== input && input.value !== text) input.value = text;
      if (input.clientWidth === fitted.width && text === fitted.text) return;
      fitted = { width: input.clientWidth, text };
      grow();
    },
    problem(words) {
      setText(problem, words ?? '');
      setShown(problem, Boolean(words));
      setAttr(input, 'aria-invalid', words ? 'true' : null);
      setAttr(input, 'aria-describedby', words ? problemId : null);
      setClass(node, 'wrong', Boolean(words));
    },
  };
}

/**
 * Words of which one is chosen, or several where `many`. The chosen one is
 * ink, the others can be pressed.
 * @template {string | number} T
 * @param {string} label for screen readers
 * @param {readonly (readonly [T, string])[]} options value and word
 * @param {(value: T) => void} onPick
 * @returns {{node: HTMLElement, set: (chosen: T | T[] | null) => void}}
 */
export function choice(label, options, onPick) {
  const words = options.map(([value, word]) => ({
    value,
    node: el('button', { type: 'button', class: 'word', 'aria-pressed': 'false', onclick: () => onPick(value) }, word),
  }));
  return {
    node: el('div', { class: 'pick', role: 'group', 'aria-label': label }, words.map((w) => w.node)),
    set(chosen) {
      for (const w of words) {
        const on = Array.isArray(chosen) ? chosen.includes(w.value) : chosen === w.value;
        setAttr(w.node, 'aria-pressed', on ? 'true' : 'false');
      }
    },
  };
}

/**
 * A word that can be pressed.
 * @param {string} text
 * @param {() => void} onclick
 * @param {string} [label] for screen readers, where the word alone says too little
 */
export function word(text, onclick, label) {
  return el('button', { type: 'button', class: 'word', onclick, 'aria-label': label }, text);
}

/**
 * A key. `fill` is for the one thing to do; the rest are outlines.
 * @param {string} text
 * @param {() => void} onclick
 * @param {{fill?: boolean, class?: string}} [options]
 */
export function key(text, onclick, options = {}) {
  const classes = ['key', options.fill ? 'fill' : '', options.class ?? ''].filter(Boolean).join(' ');
  return el('button', { type: 'button', class: classes, onclick }, text);
}

/**
 * What a device lacks: a hatch head leaning the other way, and a sentence.
 * @param {...string} lines
 */
export function strip(...lines) {
  return el('div', { class: 'strip', role: 'note' }, el('span', { class: 'fault', 'aria-hidden': 'true' }),
    el('div', null, lines.map((line) => el('p', null, line))));
}

/**
 * The now line's text in display size, shrunk to its box. System fonts differ
 * by a fifth in width, so the widest text of its kind is measured, never the
 * running one: digits must not breathe.
 * @param {string} widest
 * @param {number} boxPx
 * @param {number} maxPx font size wanted
 * @param {number} [weight]
 * @returns {number} font size in px
 */
export function fitPx(widest, boxPx, maxPx, weight = 700) {
  const key = `${weight} ${widest}`;
  let em = measured.get(key);
  if (em === undefined) {
    const probe = el('span', { class: 'display probe', style: { 'font-weight': weight, 'font-size': '100px' } }, widest);
    document.body.append(probe);
    em = probe.getBoundingClientRect().width / 100;
    probe.remove();
    if (em > 0) measured.set(key, em);
  }
  return em > 0 ? Math.min(maxPx, Math.floor(boxPx / em)) : maxPx;
}

/** @type {Map<string, number>} widths in em by weight and text */
const measured = new Map();
