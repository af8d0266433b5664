/**
 * Amending: every mark of the hold, to be moved or withdrawn. Corrections are
 * events of their own; the original stays, struck through beside what counts.
 */

import { el, replace, setShown, setText } from '../app/dom.js';
import { saidBefore } from '../app/debrief_facts.js';
import { marksOf, moveProblem } from '../app/log_marks.js';
import { clockText, parseClock, timeOfDay } from '../app/clock_text.js';
import { row, word } from './sheet.js';

/** One press moves a mark by this much (ms). */
const STEP_MS = 1000;

/**
 * @param {object} on
 * @param {(data: {target: string, at?: number, drop?: boolean}) => Promise<boolean>} on.keep
 */
export function amendSheet({ keep }) {
  /** @type {string | null} id of the mark that is open */
  let open = null;
  let shown = '';
  const list = el('div', { class: 'sheet' });
  const node = el('section', { class: 'amend', 'aria-label': 'amend', hidden: true }, list);

  /** @type {{marks: import('../app/log_marks.js').Mark[], start: number, end_ms: number, before: {at: number, words: string}[]}} */
  let facts = { marks: [], start: 0, end_ms: 0, before: [] };

  /** @param {import('../app/log_marks.js').Mark} mark */
  function editor(mark) {
    const problem = el('p', { class: 'problem', role: 'status', hidden: true });
    const time = el('input', {
      class: 'entry', value: clockText(mark.now_ms), 'aria-label': 'new time', inputmode: 'decimal', autocomplete: 'off',
      onchange: () => {
        const s = parseClock(time.value);
        const wrong = moveProblem(s, facts.end_ms);
        setText(problem, wrong ?? '');
        setShown(problem, Boolean(wrong));
        if (!wrong && s !== null) move(s * 1000);
      },
    });
    const move = (/** @type {number} */ ms) => keep({ target: mark.id, at: facts.start + Math.max(0, Math.min(facts.end_ms, ms)) });
    const step = (/** @type {number} */ by) => move(mark.now_ms + by);
    return el('div', { class: 'mover' },
      el('button', { type: 'button', class: 'key step', 'aria-label': 'one second earlier', onclick: () => step(-STEP_MS) }, '−'),
      time,
      el('button', { type: 'button', class: 'key step', 'aria-label': 'one second later', onclick: () => step(STEP_MS) }, '+'),
      word('withdraw', () => keep({ target: mark.id, drop: true })),
      problem);
  }

  function draw() {
    replace(list, row('amend', null, el('p', { class: 'sub' }, 'what was pressed stays in the log')), facts.marks.map((mark) => {
      const isOpen = open === mark.id;
      const original = mark.moved || mark.gone ? el('s', { class: 'sub' }, clockText(mark.at_ms)) : null;
      const words = mark.gone ? el('s', null, mark.words) : el('span', null, mark.words);
      const how = mark.final ? 'taken back' : mark.gone ? 'withdrawn' : '';
      const change = mark.final
        ? null
        : mark.gone
          ? word('put back', () => keep({ target: mark.id, at: mark.at }), `put back ${mark.words}`)
          : word(isOpen ? 'close' : 'change', () => {
            open = isOpen ? null : mark.id;
            draw();
          }, `change ${mark.words} at ${clockText(mark.now_ms)}`);
      return row(mark.gone ? '' : clockText(mark.now_ms), { class: 'mark-row' }, original, words, how ? el('span', { class: 'sub' }, how) : null, change,
        isOpen && !mark.gone ? editor(mark) : null);
    }), facts.before.map((b) => row(timeOfDay(b.at), { class: 'mark-row' }, el('s', null, b.words), el('span', { class: 'sub' }, 'said before'))));
  }

  return {
    node,
    /**
     * @param {import('../rules/fold.js').Hold} hold
     * @param {number} start shared ms
     * @param {number} endMs end of the tape, ms since the start
     * @param {number} nowMs
     */
    update(hold, start, endMs, nowMs) {
      // The signal check stands before the start: no time of the hold comes from it.
      const marks = marksOf(hold, start, nowMs).filter((m) => m.at_ms >= 0);
      const before = saidBefore(hold);
      const next = JSON.stringify([marks, start, endMs, before]);
      if (next === shown) return;
      shown = next;
      facts = { marks, start, end_ms: endMs, before };
      draw();
    },
  };
}
