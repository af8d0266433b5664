/**
 * Conditions and a note on a hold. The newest note counts; older ones stay in
 * the log.
 */

import { el, setShown, setText } from '../app/dom.js';
import { CONDITIONS } from '../app/debrief_facts.js';
import { choice, row } from './sheet.js';

/** Characters a note may have. */
const NOTE_CHARS = 500;

/**
 * @param {(data: {text: string, conditions: string[]}) => Promise<boolean>} keep
 */
export function noteRows(keep) {
  /** @type {string[]} */
  let conditions = [];
  let kept = '';
  const pick = choice('conditions', CONDITIONS.map((c) => /** @type {[string, string]} */ ([c, c])), (v) => {
    conditions = conditions.includes(v) ? conditions.filter((c) => c !== v) : [...conditions, v];
    pick.set(conditions);
    save();
  });
  const problem = el('p', { class: 'problem', role: 'status', hidden: true });
  const text = el('textarea', { class: 'entry note', rows: 2, 'aria-label': 'note', placeholder: 'anything else', onchange: save });

  function save() {
    const note = text.value.trim();
    const chars = [...note].length;
    const wrong = chars > NOTE_CHARS;
    setText(problem, wrong ? `${chars} characters: ${NOTE_CHARS} at most` : '');
    setShown(problem, wrong);
    if (!wrong) keep({ text: note, conditions });
  }

  return {
    node: el('div', null, row('notes', { class: 'tall' }, pick.node, text, problem)),
    /** @param {import('../rules/fold.js').Hold} hold */
    update(hold) {
      const newest = hold.events.filter((e) => e.kind === 'note' && e.data?.lifts === undefined).at(-1);
      const id = newest?.id ?? '';
      if (id === kept) return;
      kept = id;
      const data = newest?.data ?? {};
      conditions = Array.isArray(data.conditions) ? data.conditions.filter((c) => typeof c === 'string') : [];
      pick.set(conditions);
      if (document.activeElement !== text) text.value = typeof data.text === 'string' ? data.text : '';
    },
  };
}
