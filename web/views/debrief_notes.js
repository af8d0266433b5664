/**
 * What the diver felt, the conditions, and a note of each of the two. The
 * newest note of each counts; older ones stay in the log.
 */

import { el, setShown, setText } from '../app/dom.js';
import { CONDITIONS, FELT } from '../app/debrief_facts.js';
import { wordsIn } from '../rules/people.js';
import { choice, row } from './sheet.js';

/** Characters a note may have. */
const NOTE_CHARS = 500;
/** Training days in a row that can be told of. */
const DAYS = Object.freeze([1, 2, 3, 4, 5, 6, 7]);

/**
 * @typedef {object} DiverNote
 * @property {'diver'} about
 * @property {string} text
 * @property {string[]} conditions
 * @property {string[]} felt
 * @property {number} [training_days]
 */

/**
 * @param {(data: DiverNote | {about: 'buddy', text: string}) => Promise<boolean>} keep
 */
export function noteRows(keep) {
  /** @type {string[]} */
  let conditions = [];
  /** @type {string[]} */
  let felt = [];
  /** @type {number | null} */
  let days = null;
  let kept = '';

  /** @param {readonly string[]} words @param {string} label @param {() => string[]} now @param {(next: string[]) => void} set */
  const many = (words, label, now, set) => {
    const pick = choice(label, words.map((w) => /** @type {[string, string]} */ ([w, w])), (v) => {
      set(now().includes(v) ? now().filter((w) => w !== v) : [...now(), v]);
      pick.set(now());
      save();
    });
    return pick;
  };
  const feltPick = many(FELT, 'felt', () => felt, (next) => {
    felt = next;
  });
  const conditionPick = many(CONDITIONS, 'conditions', () => conditions, (next) => {
    conditions = next;
  });
  const daysPick = choice('training days in a row', DAYS.map((n) => /** @type {[number, string]} */ ([n, n === 7 ? '7 or more' : String(n)])), (n) => {
    days = days === n ? null : n;
    daysPick.set(days);
    save();
  });
  const mine = noteText('note', 'what else the diver says', () => save());
  const buddys = noteText('the buddy’s note', 'what the buddy saw', (text) => keep({ about: 'buddy', text }));

  function save() {
    const text = mine.read();
    if (text === null) return;
    keep({ about: 'diver', text, conditions, felt, ...(days === null ? {} : { training_days: days }) });
  }

  return {
    node: el('div', null,
      row('felt', { class: 'tall' }, feltPick.node),
      row('conditions', { class: 'tall' }, conditionPick.node),
      row('training days', { class: 'tall' }, daysPick.node, el('span', { class: 'sub' }, 'in a row')),
      row('diver says', { class: 'tall' }, mine.node), row('buddy saw', { class: 'tall' }, buddys.node)),
    /**
     * @param {import('../rules/debrief.js').Debrief} told
     */
    update(told) {
      const key = told.notes.map((n) => n.id).join(' ');
      if (key === kept) return;
      kept = key;
      ({ conditions, felt } = told);
      days = told.training_days;
      feltPick.set(felt);
      conditionPick.set(wordsIn(conditions));
      daysPick.set(days);
      mine.show(told.notes.find((n) => n.about === 'diver')?.text ?? '');
      buddys.show(told.notes.find((n) => n.about === 'buddy')?.text ?? '');
    },
  };
}

/**
 * @param {string} label
 * @param {string} hint
 * @param {(text: string) => void} done
 */
function noteText(label, hint, done) {
  const problem = el('p', { class: 'problem', role: 'status', hidden: true });
  /** @returns {string | null} null where it is too long */
  const read = () => {
    const note = text.value.trim();
    const chars = [...note].length;
    const wrong = chars > NOTE_CHARS;
    setText(problem, wrong ? `${chars} characters: ${NOTE_CHARS} at most` : '');
    setShown(problem, wrong);
    return wrong ? null : note;
  };
  const text = el('textarea', {
    class: 'entry note', rows: 2, 'aria-label': label, placeholder: hint,
    onchange: () => {
      const note = read();
      if (note !== null) done(note);
    },
  });
  return {
    node: el('div', { class: 'told' }, text, problem),
    read,
    /** @param {string} words */
    show(words) {
      if (document.activeElement !== text) text.value = words;
    },
  };
}
