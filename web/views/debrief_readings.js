/**
 * Readings typed afterwards, along the tape: a touch on the charts sets the
 * time, or it is typed, from the start or from surfacing.
 */

import { el, replace, setShown, setText } from '../app/dom.js';
import { askWords, doubtKey, previousReading, readNumber, readingLine } from '../app/reading_facts.js';
import { judgeReading } from '../rules/readings.js';
import { moveProblem } from '../app/log_marks.js';
import { clockText, parseClock } from '../app/clock_text.js';
import { choice, row, word } from './sheet.js';

/**
 * @param {object} on
 * @param {(data: {spo2?: number, hr?: number}, atMs: number) => Promise<boolean>} on.keep
 * @param {(ms: number | null) => void} on.cursor the instant typed, shown on the charts
 * @param {() => void} on.along to type many, along the tape
 */
export function readingRow({ keep, cursor, along }) {
  /** @type {'start' | 'surfaced'} */
  let from = 'start';
  /** @type {{end_ms: number, surfaced_ms: number | null, known: import('../app/reading_facts.js').Reading[]}} */
  let facts = { end_ms: 0, surfaced_ms: null, known: [] };
  /** What was asked about and not yet confirmed by a second press. */
  let sure = '';
  const list = el('ul', { class: 'sub readings-list' });
  const entry = (/** @type {string} */ label, /** @type {string} */ hint, /** @type {string} */ mode) =>
    el('input', { class: 'entry', 'aria-label': label, placeholder: hint, inputmode: mode, autocomplete: 'off', enterkeyhint: 'done' });
  const at = entry('time of the reading', '0:00', 'decimal');
  const spo2 = entry('SpO₂ in percent', 'SpO₂', 'numeric');
  const hr = entry('pulse a minute', 'pulse', 'numeric');
  const fromPick = choice('time from', /** @type {const} */ ([['start', 'from start'], ['surfaced', 'from surfacing']]), (v) => {
    from = v;
    fromPick.set(from);
    show();
  });
  fromPick.set(from);
  const problem = el('p', { class: 'problem', role: 'status', hidden: true });
  const add = el('button', { type: 'submit', class: 'key' }, 'add');
  const form = el('form', { class: 'reading', onsubmit: send }, at, spo2, hr, add, fromPick.node, problem);
  at.addEventListener('input', show);

  /** @returns {number | null} ms since the start */
  function instant() {
    const s = parseClock(at.value);
    if (s === null) return null;
    return s * 1000 + (from === 'surfaced' ? facts.surfaced_ms ?? 0 : 0);
  }
  function show() {
    const ms = instant();
    cursor(ms !== null && ms <= facts.end_ms ? ms : null);
  }
  /** @param {string | null} words */
  function say(words) {
    setText(problem, words ?? '');
    setShown(problem, Boolean(words));
  }
  /** @param {Event} e */
  async function send(e) {
    e.preventDefault();
    const ms = instant();
    const values = { spo2: readNumber(spo2.value, 'spo2'), hr: readNumber(hr.value, 'hr') };
    const none = values.spo2.value === null && values.hr.value === null;
    const wrong = moveProblem(ms === null ? null : ms / 1000, facts.end_ms) ?? values.spo2.problem ?? values.hr.problem
      ?? (none ? 'SpO₂ or pulse' : null);
    say(wrong);
    if (wrong || ms === null) return;
    const reading = { spo2: values.spo2.value, hr: values.hr.value, at: ms };
    const { ask } = judgeReading(reading, previousReading(facts.known, ms));
    if (ask.length > 0 && sure !== doubtKey(reading)) {
      sure = doubtKey(reading);
      say(`${askWords(reading, ask)} If it is so, press add again.`);
      return;
    }
    sure = '';
    /** @type {{spo2?: number, hr?: number}} */
    const data = {};
    if (values.spo2.value !== null) data.spo2 = values.spo2.value;
    if (values.hr.value !== null) data.hr = values.hr.value;
    if (await keep(data, ms)) {
      spo2.value = '';
      hr.value = '';
      at.value = '';
      cursor(null);
      at.focus();
    }
  }

  return {
    node: row('readings', { class: 'tall' }, list, form, word('along the tape', along, 'type many readings along the tape'),
      el('p', { class: 'sub' }, 'Touch the charts to set the time. A finger shows late: tens of seconds after the body.')),
    /** @param {number} ms since the start */
    at(ms) {
      from = 'start';
      fromPick.set(from);
      at.value = clockText(ms);
    },
    /** @param {{end_ms: number, surfaced_ms: number | null, cursor_ms: number | null, known: import('../app/reading_facts.js').Reading[]}} next */
    update(next) {
      facts = next;
      const lines = next.known.map((r) => readingLine(r, next.surfaced_ms));
      if (list.textContent !== lines.join('')) replace(list, lines.map((line) => el('li', null, line)));
      setShown(fromPick.node, next.surfaced_ms !== null);
    },
  };
}
