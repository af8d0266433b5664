/**
 * The pair's log: every hold as a small tape, newest first, all on one scale.
 * A row opens its debrief.
 */

import { el, replace, setText } from '../app/dom.js';
import { diverOf, isOver, recordOf } from '../app/log_facts.js';
import { logWords } from '../app/debrief_facts.js';
import { clockText, dayWords } from '../app/clock_text.js';
import { createTape } from '../tape/tape.js';
import { holdTape } from '../tape/facts.js';
import { digits } from './parts.js';
import { row, word } from './sheet.js';

/** Height of a row's tape, CSS px. */
const TAPE_PX = 54;

/**
 * @param {HTMLElement} root
 * @param {any} app
 */
export function mount(root, app) {
  /** @type {any} */
  let frame = app.frame();
  /** @type {string | null} diver whose holds are shown; null: all */
  let only = null;
  let shown = '';
  const title = el('h1', { class: 'display' });
  const divers = el('div', { class: 'pick' });
  const list = el('ol', { class: 'log-list' });
  const page = el('main', { class: 'page scroll log', 'aria-label': 'log' },
    el('div', { class: 'sheet' }, row('log', null, title, divers)),
    list,
    el('div', { class: 'go-bar' }, el('button', { type: 'button', class: 'go fill', onclick: () => app.go('plan') }, el('span', { class: 'display' }, 'plan'))));
  root.append(page);
  const watcher = new ResizeObserver(() => {
    shown = '';
    draw();
  });
  watcher.observe(page);

  function draw() {
    const records = app.holds()
      .map((/** @type {any} */ hold) => recordOf(hold, frame.now))
      .filter((/** @type {any} */ r) => r.status.start_at !== null)
      .sort((/** @type {any} */ a, /** @type {any} */ b) => b.status.start_at - a.status.start_at);
    const names = [...new Set(records.map(diverOf).filter(Boolean))];
    if (only !== null && !names.includes(only)) only = null;
    const mine = records.filter((/** @type {any} */ r) => only === null || diverOf(r) === only);
    const width = page.clientWidth || window.innerWidth;
    const key = JSON.stringify([width, only, names, dayWords(frame.now, frame.now), mine.map((/** @type {any} */ r) => [r.hold.id, r.hold.events.length, r.status.phase])]);
    if (key === shown) return;
    shown = key;
    setText(title, only ?? (names.length === 1 ? names[0] : names.length === 0 ? 'no holds yet' : 'both'));
    replace(divers, names.length > 1
      ? [...names, null].filter((n) => n !== only).map((n) => word(n ?? 'both', () => {
        only = n;
        draw();
      }))
      : null);
    const tapes = mine.map((/** @type {any} */ r) => holdTape(r.hold, r.status, frame.now, { still: true }));
    const longest = Math.max(1, ...tapes.map((/** @type {any} */ t) => t.total_ms ?? 0));
    replace(list, mine.map((/** @type {any} */ r, /** @type {number} */ i) => item(r, tapes[i], width, longest, only === null && names.length > 1)));
  }

  /**
   * @param {import('../app/log_facts.js').HoldRecord} record
   * @param {import('../tape/tape.js').TapeModel} model
   * @param {number} width
   * @param {number} longest
   * @param {boolean} several more than one diver in sight
   */
  function item(record, model, width, longest, several) {
    const { status, summary } = record;
    const time = digits('log-time');
    time.set(summary.hold_ms === null ? '–:––' : clockText(summary.hold_ms));
    const tape = createTape({ kind: 'row', width, height: TAPE_PX });
    tape.update({ ...model, scale_total_ms: longest });
    const day = dayWords(Number(status.start_at), frame.now);
    const words = logWords(record, isOver(record, frame.now));
    return el('li', null, el('button', {
      type: 'button',
      class: 'log-row',
      'aria-label': `${day}, ${diverOf(record)}, ${clockText(summary.hold_ms ?? 0)}, ${words}: open the debrief`,
      onclick: () => app.go('debrief', { hold: record.hold.id }),
    },
    el('span', { class: 'log-head' },
      el('span', { class: 'log-day' }, el('b', null, day), el('span', null, status.plan?.setting ?? ''), several ? el('span', { class: 'sub' }, diverOf(record)) : null),
      time.node, el('span', { class: 'log-words' }, words)),
    tape.node));
  }

  draw();
  return {
    /** @param {any} next */
    update(next) {
      frame = next;
      draw();
    },
    unmount() {
      watcher.disconnect();
      page.remove();
    },
  };
}
