// AWAKE?, asked where the diver came up under an alarm: two keys on the lower half, and five seconds.

import { el, setShown, setStyle, setText } from '../app/dom.js';
import { pressKey } from './parts.js';
import { fitPx } from './sheet.js';
import { untilText } from './slab_words.js';

/** The press that brought the diver up, doubled, must not land on an answer. */
const DEAD_MS = 1000;

/**
 * @param {object} options
 * @param {import('./parts.js').HoldApp} options.app
 * @param {(kind: string, data: object, at: number) => Promise<unknown>} options.record
 */
export function createAwake({ app, record }) {
  const left = el('span', { class: 'awake-left' });
  const no = pressKey('awake-key outline', { app, kind: 'dry', dead_ms: DEAD_MS, onFire: (p) => record('incident', { what: 'unknown' }, p.down_at) });
  no.face('not\nawake', 'no');
  // Its place is where UP was a moment ago: it takes as long a press as that.
  const yes = pressKey('awake-key fill', { app, kind: 'up', dead_ms: DEAD_MS, onFire: (p) => record('awake', {}, p.down_at) });
  yes.face('awake');
  const words = el('span', { class: 'display awake-words' }, 'AWAKE?');
  const node = el(
    'div', { class: 'awake', role: 'alertdialog', 'aria-label': 'AWAKE?', hidden: true },
    el('div', { class: 'awake-top' }, words, left), el('div', { class: 'awake-keys' }, no.node, yes.node),
  );
  return {
    node,
    /**
     * @param {import('./hold_facts.js').HoldFacts|null} facts null where it is not asked
     * @param {import('./parts.js').Layout} layout
     */
    update(facts, layout) {
      setShown(node, facts !== null);
      no.setMeaning(facts ? 'asked' : 'none');
      yes.setMeaning(facts ? 'asked' : 'none');
      if (!facts) return;
      no.setKind(facts.dry ? 'dry' : 'pool');
      const end = facts.status.next_abs.find((r) => r.rung === 'alarm')?.at ?? facts.now;
      setText(left, `${untilText(end, facts.now)} to the alarm`);
      const high = layout.sideways ? 70 : layout.slab * 0.36;
      setStyle(node, '--awake-px', `${fitPx('AWAKE?', layout.width - 30, high)}px`);
    },
    detach() {
      no.detach();
      yes.detach();
    },
  };
}
