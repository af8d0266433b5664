/**
 * The log: every hold this phone knows as a small tape, newest first, all in
 * sight on one scale. A row opens its debrief. What is over the edge of the
 * screen is read from the disk only when it comes into sight.
 */

import { el, replace, setShown, setText } from '../app/dom.js';
import { recordOf } from '../app/log_facts.js';
import { lineWords, logWords } from '../app/debrief_facts.js';
import { clockText, dayWords } from '../app/clock_text.js';
import { divers as diversOf, personNamed } from '../app/people.js';
import { holdsOfDiver } from '../rules/log.js';
import { createTape } from '../tape/tape.js';
import { holdTape } from '../tape/facts.js';
import { digits } from './parts.js';
import { row, word } from './sheet.js';

/** @typedef {import('../app/logbook.js').Line} Line */

/** Height of a row's tape, CSS px. */
const TAPE_PX = 54;
/** Rows shown at first, and more with each press. */
const ROWS = 30;

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{diver?: string}} [params] whose holds; missing: everybody's
 */
export function mount(root, app, params = {}) {
  /** @type {any} */
  let frame = app.frame();
  let only = params.diver ?? '';
  let most = ROWS;
  /** @type {unknown} */
  let shownLines = null;
  let shown = '';
  const title = el('h1', { class: 'display' });
  const divers = el('div', { class: 'pick' });
  const list = el('ol', { class: 'log-list' });
  const more = el('button', { type: 'button', class: 'key', hidden: true, onclick: () => {
    most += ROWS;
    draw(true);
  } }, 'earlier holds');
  const page = el('main', { class: 'page scroll log', 'aria-label': 'log' },
    el('div', { class: 'sheet' }, row('log', null, title, divers),
      row('', { plain: true }, word('trends', () => app.go('trends', { diver: only })), word('people', () => app.go('people')), word('out and in', () => app.go('files', { diver: only })))),
    list, el('div', { class: 'log-more' }, more),
    el('div', { class: 'go-bar' }, el('button', { type: 'button', class: 'go fill', onclick: () => app.go('plan') }, el('span', { class: 'display' }, 'plan'))));
  root.append(page);
  const seen = new IntersectionObserver((entries) => {
    for (const e of entries) {
      if (!e.isIntersecting) continue;
      seen.unobserve(e.target);
      rows.get(e.target)?.();
    }
  }, { rootMargin: '200px' });
  /** @type {Map<Element, () => void>} what brings a row's tape */
  const rows = new Map();
  const watcher = new ResizeObserver(() => draw(true));
  watcher.observe(page);

  function draw(again = false) {
    const lines = app.log.lines();
    if (!again && lines === shownLines) return;
    shownLines = lines;
    const people = diversOf(app.log.people());
    if (only !== '' && !people.some((p) => p.name === only)) only = '';
    const mine = only === '' ? lines : holdsOfDiver(lines, personNamed(only, people));
    const width = page.clientWidth || innerWidth;
    const newest = mine.slice(-most).reverse();
    const key = JSON.stringify([width, only, people.length, dayWords(frame.now, frame.now), newest.map((/** @type {Line} */ l) => [l.hold, l.events, l.over])]);
    setShown(more, mine.length > most);
    if (key === shown) return;
    shown = key;
    setText(title, only || (people.length === 1 ? people[0].name : lines.length === 0 ? app.log.whole() ? 'no holds yet' : 'reading' : 'everybody'));
    replace(divers, people.length > 1
      ? [...people.slice(0, 8).map((p) => p.name), ''].filter((n) => n !== only).map((n) => word(n || 'everybody', () => {
        only = n;
        most = ROWS;
        draw(true);
      }))
      : null);
    const longest = newest.reduce((/** @type {number} */ a, /** @type {Line} */ l) => Math.max(a, (l.hold_ms ?? 0) + 60_000), 1);
    seen.disconnect();
    rows.clear();
    replace(list, newest.map((/** @type {Line} */ l) => item(l, width, longest, only === '' && people.length > 1)));
  }

  /**
   * @param {Line} line
   * @param {number} width
   * @param {number} longest
   * @param {boolean} several more than one diver in sight
   */
  function item(line, width, longest, several) {
    const time = digits('log-time');
    time.set(line.hold_ms === null ? '–:––' : clockText(line.hold_ms));
    const tape = createTape({ kind: 'row', width, height: TAPE_PX });
    const day = dayWords(line.start_at, frame.now);
    const words = el('span', { class: 'log-words' }, lineWords(line));
    const said = (/** @type {string} */ how) => `${day}, ${line.diver}, ${clockText(line.hold_ms ?? 0)}, ${how}: open the debrief`;
    const key = el('button', {
      type: 'button', class: 'log-row', 'aria-label': said(lineWords(line)), onclick: () => app.go('debrief', { hold: line.hold }),
    },
    el('span', { class: 'log-head' },
      el('span', { class: 'log-day' }, el('b', null, day), el('span', null, line.setting ?? ''), several ? el('span', { class: 'sub' }, line.diver) : null),
      time.node, words),
    el('span', { class: 'log-tape' }, tape.node));
    rows.set(key, async () => {
      const hold = await app.log.open(line.hold);
      if (!hold) return;
      const record = recordOf(hold, frame.now);
      tape.update({ ...holdTape(hold, record.status, frame.now, { still: true }), scale_total_ms: longest });
      setText(words, logWords(record, line.over));
      key.setAttribute('aria-label', said(logWords(record, line.over)));
    });
    seen.observe(key);
    return el('li', null, key);
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
      seen.disconnect();
      page.remove();
    },
  };
}
