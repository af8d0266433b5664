// A log's file into the host: an instructor's device alone may bring one.

import { el, replace, setAttr, setShown, setText } from '../app/dom.js';
import { row, word } from './sheet.js';

/** Refused lines that are shown. */
const SHOWN = 20;

/**
 * @param {import('../app/board_app.js').BoardApp} app
 * @returns {import('./board.js').Sheet}
 */
export function importPart(app) {
  /** @type {ReturnType<typeof app.importLog> | null} */
  let running = null;
  const picker = el('input', { type: 'file', class: 'file', accept: '.jsonl,.ndjson,.json', 'aria-label': 'file of a log (JSON Lines), into the host', onchange: send });
  const meter = el('progress', { max: '1', value: '0', hidden: true, 'aria-label': 'how much of the file the host has' });
  const stop = word('stop', () => running?.stop());
  const came = el('p', { role: 'status' });
  const refused = el('ul', { class: 'refused' });
  setShown(stop, false);

  async function send() {
    const file = picker.files?.[0];
    if (!file || running) return;
    replace(refused);
    setText(came, '');
    /** @param {import('../app/board_import.js').Taken | null} so */
    const words = (so) => (so ? `${so.read} lines: ${so.added} new, ${so.known} known, ${so.refused} refused` : '');
    running = app.importLog(file, (so, part) => {
      setAttr(meter, 'value', part);
      setText(came, words(so));
    });
    for (const node of [meter, stop]) setShown(node, true);
    try {
      const so = await running.end;
      setText(came, words(so));
      replace(refused, (so.refusals ?? []).slice(0, SHOWN).map((r) => el('li', null, `line ${r.line}: ${r.code}, ${r.reason}${r.id ? ` (${r.id})` : ''}`)));
    } catch (err) {
      setText(came, String(/** @type {any} */ (err)?.reason ?? err));
    }
    running = null;
    picker.value = '';
    for (const node of [meter, stop]) setShown(node, false);
  }

  const node = el('div', { class: 'sheet' }, row('a log’s file', { class: 'tall' }, picker, meter, stop, came, refused,
    el('p', { class: 'sub' }, 'JSON Lines, as given out by a host or a phone, into this host’s log. Nothing of this outing is taken from a file.')));
  return {
    node,
    update: (frame) => setShown(node, frame.me.role === 'instructor'),
    unmount: () => running?.stop(),
  };
}
