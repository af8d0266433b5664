// The block of somebody for the rest of the day, lifted by the instructor alone, with a name and a reason that stay in the log.

import { blockOf } from '../app/guards.js';
import { el, replace, setShown } from '../app/dom.js';
import { factsOf, liftsOf } from '../app/log_facts.js';
import { TEXT_CHARS } from '../app/plan_form.js';
import { nameKey } from '../rules/people.js';
import { sayer } from './board_sheet.js';
import { row } from './sheet.js';

/**
 * @param {import('../app/board_app.js').BoardApp} app
 * @param {string} pair
 * @returns {import('./board.js').Sheet}
 */
export function blockPart(app, pair) {
  const said = sayer();
  const forms = el('div');
  const node = el('div', { class: 'sheet b-blocks' }, forms, row('', { plain: true }, said.node));
  let shown = '';

  /** @param {{diver: string, diver_id: string | null, hold: string}} who */
  const form = ({ diver, diver_id, hold }) => {
    const entry = (/** @type {string} */ label, /** @type {string} */ hint, /** @type {string} */ value) =>
      el('input', { class: 'entry', 'aria-label': label, placeholder: hint, value, autocomplete: 'off' });
    const name = entry('name of the instructor', 'your name', app.frame().me.name);
    const reason = entry('reason', 'reason', '');
    const send = (/** @type {Event} */ e) => {
      e.preventDefault();
      const texts = [name.value.trim(), reason.value.trim()];
      if (texts.some((t) => t === '' || [...t].length > TEXT_CHARS)) {
        said.say('a name and a reason, 80 characters at most');
        return;
      }
      const data = { text: texts[1], lifts: 'block', diver, name: texts[0], ...(diver_id === null ? {} : { diver_id }) };
      said.run(() => app.record(pair, 'note', data, { hold }), `${diver}’s block is lifted; the log says by whom and why.`);
    };
    return row('blocked', { class: 'tall' }, el('p', null, `${diver}: no more holds today`),
      el('form', { class: 'lift', onsubmit: send }, name, reason, el('button', { type: 'submit', class: 'key' }, 'lift the block')));
  };

  return {
    node,
    update(frame) {
      // It is lifted in the pair whose phones have it: in the hold that brought it.
      const holds = app.holds(pair);
      const facts = factsOf(holds, frame.now);
      const lifts = liftsOf(holds);
      /** @type {Map<string, {diver: string, diver_id: string | null, hold: string}>} */
      const blocked = new Map();
      for (const { diver, diver_id } of facts) {
        const block = diver === '' ? null : blockOf(diver, facts, lifts, frame.now, diver_id);
        if (block) blocked.set(nameKey(diver), { diver, diver_id: diver_id ?? null, hold: block.hold });
      }
      const key = JSON.stringify([...blocked.values()]);
      if (key !== shown) {
        shown = key;
        replace(forms, [...blocked.values()].map(form));
      }
      setShown(node, frame.me.role === 'instructor' && (blocked.size > 0 || said.node.textContent !== ''));
    },
  };
}
