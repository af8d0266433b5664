/**
 * One up, one down: where this phone is that of the one who dives now, the plan says so, and has the diver's phone asked to
 * change over.
 */

import { sameName } from '../app/guards.js';
import { el, setShown, setText } from '../app/dom.js';
import { row, word } from './sheet.js';

/** @param {any} app */
export function phonesRow(app) {
  const says = el('span');
  /** The phone that would be the buddy's. @type {any} */
  let other = null;
  let asked = '';
  const ask = word('', () => {
    const { pair, me } = app.frame();
    app.tell({ type: 'offer', to: other.device, pair: pair.pair, role: me.role, swap: true });
    asked = other.device;
  });
  const node = row('phones', { class: 'tall' }, says, ask);
  return {
    node,
    /** @param {string} diver who dives, by the sheet @param {any} frame */
    update(diver, { me, present }) {
      const mine = me?.role === 'buddy' && diver.trim() !== '' && sameName(diver, me.name ?? '');
      other = mine ? ((present ?? []).find((/** @type {any} */ d) => d.role === 'diver') ?? null) : null;
      setShown(node, other !== null);
      if (other === null) {
        asked = '';
        return;
      }
      const theirs = other.name ? `${other.name}’s phone` : 'the diver’s phone';
      setText(says, asked === other.device ? `${theirs} is asked` : `${me.name} dives, and this phone is the buddy’s`);
      setText(ask, `swap with ${theirs}`);
    },
  };
}
