// The outing's summary, its log as a file, and its end.

import { clockText } from '../app/clock_text.js';
import { el, replace, setShown } from '../app/dom.js';
import { outingSummary } from '../app/board_summary.js';
import { EARLIER_OUTING_MS } from '../app/book.js';
import { sayer } from './board_sheet.js';
import { pressKey } from './parts.js';
import { row, word } from './sheet.js';

/**
 * @param {import('../app/board_app.js').BoardApp} app
 * @returns {import('./board.js').Sheet}
 */
export function endPart(app) {
  const said = sayer();
  const table = el('div', { class: 'b-summary' });
  /** The holds that stood in the way when the end was asked for: it may be asked anyway of them, and of no others. @type {string | null} */
  let inTheWay = null;
  /** @param {import('../app/board_app.js').BoardFrame} frame */
  const holdsIn = ({ rows }) => rows.filter((r) => r.running).map((r) => r.hold?.id).join();

  const summary = () => said.run(async () => {
    const { rows, now } = app.frame();
    for (const r of rows) await app.fetchHolds(r.pair);
    const { lines, holds, incidents } = outingSummary(rows.flatMap((r) => app.holds(r.pair)), now, now - EARLIER_OUTING_MS);
    replace(table,
      el('p', null, `${holds === 1 ? '1 hold' : `${holds} holds`}, ${incidents} with trouble`),
      el('table', null, el('tbody', null, lines.map((l) =>
        el('tr', null, el('th', { scope: 'row' }, l.diver), el('td', null, `${l.holds}`), el('td', null, l.longest_ms > 0 ? `longest ${clockText(l.longest_ms)}` : ''), el('td', null, l.words.join(', ')))))));
  });

  /** @param {'csv' | 'jsonl'} format */
  const save = (format) => said.run(async () => {
    const blob = await app.exportLog(format);
    const link = el('a', { href: URL.createObjectURL(blob), download: `outing.${format}` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
  });

  const end = pressKey('key b-end-outing', {
    app: /** @type {any} */ (app), kind: 'alarm',
    onFire: () => said.run(async () => {
      try {
        await app.ask('/api/end', inTheWay === null ? {} : { anyway: true });
      } catch (err) {
        inTheWay = /** @type {any} */ (err).code === 'in-hold' ? holdsIn(app.frame()) : null;
        throw err;
      }
    }, 'The outing is ended: its codes and links open nothing more.'),
  });
  const newer = word('take the new version of the page', () => app.takeNewer());
  const leave = word('use this device in a pair', () => said.run(() => app.leave()));

  return {
    node: el('div', { class: 'sheet' },
      row('this outing', { class: 'tall' }, word('summary', summary), word('log as CSV', () => save('csv')), word('log as JSON lines', () => save('jsonl')), table),
      row('end', { class: 'tall' }, end.node, el('span', { class: 'sub' }, 'nobody can join after it; phones still hand over what they have'), said.node),
      row('', { plain: true }, leave, newer)),
    update(frame) {
      const { ended_ms: ended } = frame.outing;
      if (inTheWay !== null && holdsIn(frame) !== inTheWay) {
        inTheWay = null;
        said.say('');
      }
      setShown(end.node, !ended);
      end.face(inTheWay === null ? 'end the outing' : 'end it anyway', '', 'press 1 s');
      end.setMeaning(String(inTheWay));
      setShown(newer, frame.newer && !frame.rows.some((r) => r.running));
    },
    unmount: () => end.detach(),
  };
}
