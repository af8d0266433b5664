/**
 * The question a debrief opens with.
 */

import { el, setAttr } from '../app/dom.js';
import { VERDICTS } from '../app/debrief_facts.js';

/** @param {(what: string) => void} onSay */
export function verdictSlab(onSay) {
  const keys = VERDICTS.map(([value, name, means]) => ({
    value,
    node: el('button', { type: 'button', class: 'verdict-key', onclick: () => onSay(value) },
      el('span', { class: 'display' }, name), el('span', { class: 'means' }, means)),
  }));
  return {
    node: el('section', { class: 'verdict', 'aria-label': 'how was the hold' },
      el('p', { class: 'verdict-ask' }, 'How was it?'), el('div', { class: 'slab' }, keys.map((k) => k.node))),
    /** @param {string | null} said */
    set(said) {
      for (const key of keys) setAttr(key.node, 'aria-pressed', key.value === said ? 'true' : 'false');
    },
  };
}
