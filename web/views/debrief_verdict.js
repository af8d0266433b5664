/**
 * The question a debrief opens with. It comes up under a finger that has just
 * ended the watch, so only a press of its own answers it, and not in its first
 * second.
 */

import { el, setAttr } from '../app/dom.js';
import { attachPress } from '../press/press.js';
import { VERDICTS } from '../app/debrief_facts.js';

/** A press this soon after the question came up was meant for what stood there before (ms). */
const DEAD_MS = 1000;

/**
 * @param {object} on
 * @param {() => number} on.now shared ms
 * @param {(what: string) => void} on.say
 */
export function verdictSlab({ now, say }) {
  const keys = VERDICTS.map(([value, name, means]) => {
    const node = el('button', { type: 'button', class: 'verdict-key' },
      el('span', { class: 'display' }, name), el('span', { class: 'means' }, means));
    const press = attachPress(node, { kind: 'dry', now, dead_ms: DEAD_MS, onFire: () => say(value) });
    press.setMeaning('');
    return { value, node, press };
  });
  return {
    node: el('section', { class: 'verdict', 'aria-label': 'how was the hold' },
      el('p', { class: 'verdict-ask' }, 'How was it?'), el('div', { class: 'slab' }, keys.map((k) => k.node))),
    /**
     * @param {string | null} said
     * @param {boolean} asking
     */
    set(said, asking) {
      for (const { value, node, press } of keys) {
        setAttr(node, 'aria-pressed', value === said ? 'true' : 'false');
        press.setMeaning(asking ? value : '');
        press.setEnabled(asking);
      }
    },
    detach() {
      for (const { press } of keys) press.detach();
    },
  };
}
