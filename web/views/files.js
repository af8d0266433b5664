/**
 * Out and in: the log as files, a file into the log, and a diver erased for
 * good. All of it works on the phone's own store, with or without a host.
 */

import { el, replace, setAttr, setShown, setText } from '../app/dom.js';
import { dateWords, isoDay } from '../app/clock_text.js';
import { knownPairs, personNamed } from '../app/people.js';
import { importLines, jsonLines, outingsOf, ownOf, tableRows } from '../app/out_in.js';
import { holdsOfDiver } from '../rules/log.js';
import { nameKey } from '../rules/people.js';
import { choice, row, word } from './sheet.js';

/** @typedef {import('../app/logbook.js').Line} Line */

/** Outings offered at once. */
const OUTINGS = 5;
/** Signs of a file taken at once. */
const PIECE = 32_768;

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{diver?: string, erase?: boolean}} [params] whose log; `erase`: that is what somebody came for
 */
export function mount(root, app, params = {}) {
  let who = params.diver ?? '';
  /** @type {string | null} */
  let outing = null;
  let busy = '';
  let stop = false;
  let shown = '';

  const divers = el('div', { class: 'pick' });
  const outings = el('div', { class: 'pick column' });
  const count = el('span');
  const out = el('p', { class: 'sub', role: 'status' });
  const table = word('table (CSV)', () => give('csv'));
  const whole = word('whole log (JSON Lines)', () => give('jsonl'));
  const print = word('print', () => app.go('report', { diver: who, holds: chosen().map((l) => l.hold) }));

  const picker = el('input', { type: 'file', class: 'file', accept: '.jsonl,.ndjson,.json,.txt', 'aria-label': 'file of a log (JSON Lines)', onchange: takeIn });
  const meter = el('progress', { max: '1', value: '0', hidden: true, 'aria-label': 'how much of the file is read' });
  const stopKey = word('stop', () => {
    stop = true;
  });
  const came = el('p', { role: 'status' });
  const making = el('p', { class: 'sub', role: 'status' });
  const refused = el('ul', { class: 'refused' });

  const eraseWords = el('p', { class: 'sub' });
  const sure = el('input', { class: 'entry', name: 'erase', 'aria-label': 'the name, to erase', autocomplete: 'off', oninput: () => draw(true) });
  const eraseKey = el('button', { type: 'button', class: 'key', onclick: erase }, 'erase for good');
  const eraseRow = row('erase', { class: 'tall erase' }, eraseWords, sure, eraseKey);
  const said = el('p', { class: 'said', role: 'alert', hidden: true });
  const page = el('main', { class: 'page scroll files', 'aria-label': 'out and in' },
    el('div', { class: 'sheet' },
      row('out and in', null, el('h1', { class: 'display' }, 'the log'), divers),
      row('outing', { class: 'tall' }, outings),
      row('out', { class: 'tall' }, count, table, whole, print, out),
      row('in', { class: 'tall' }, picker, meter, stopKey, came, making, refused,
        el('p', { class: 'sub' }, 'JSON Lines, as given out here or by the host. The same file twice changes nothing.'),
        el('p', { class: 'sub' }, 'It stays on this phone. Into the host’s log a file comes on the instructor’s board, or by “buddyclock import FILE” at the host.')),
      eraseRow),
    said,
    el('div', { class: 'go-bar' }, el('button', { type: 'button', class: 'go fill', onclick: () => app.go('log', { diver: who }) }, el('span', { class: 'display' }, 'log'))));
  root.append(page);

  /** @type {{lines: unknown, who: string, mine: Line[], outings: ReturnType<typeof outingsOf>}} */
  let last = { lines: null, who: '', mine: [], outings: [] };
  /** Lines and outings of the chosen diver, made anew only after a change: the sheet asks four times a second. */
  const ofDiver = () => {
    const lines = app.log.lines();
    if (last.lines !== lines || last.who !== who) {
      const mine = who === '' ? lines : /** @type {Line[]} */ (holdsOfDiver(lines, person()));
      last = { lines, who, mine, outings: outingsOf(mine) };
    }
    return last;
  };
  const person = () => personNamed(who, app.log.people());
  /** @returns {Line[]} */
  const chosen = () => {
    const { mine, outings } = ofDiver();
    return outing === null ? mine : outings.find((o) => o.key === outing)?.lines ?? [];
  };

  /** What goes out or is erased is all there is: lines that are still read, or made, are waited for. @param {HTMLElement} said */
  async function allRead(said) {
    while (!app.log.whole()) {
      setText(said, 'the log is still being read');
      await new Promise((over) => setTimeout(over, 100));
    }
  }

  /** @param {'csv' | 'jsonl'} form */
  async function give(form) {
    if (busy) return;
    busy = 'out';
    try {
      await allRead(out);
      const lines = chosen();
      const told = (/** @type {number} */ n) => setText(out, `${n} of ${lines.length} holds`);
      const parts = form === 'csv' ? await tableRows(app.store, lines, app.now(), told) : await jsonLines(app.store, lines, app.now(), told);
      const name = ['log', who, isoDay(app.now())].filter(Boolean).join(' ').replace(/[^\p{L}\p{N}-]+/gu, '-');
      save(parts, `${name}.${form}`, form === 'csv' ? 'text/csv;charset=utf-8' : 'application/x-ndjson');
      setText(out, `${lines.length} holds given out`);
    } catch (err) {
      setText(out, `not given out: ${/** @type {any} */ (err)?.message ?? err}`);
    } finally {
      busy = '';
    }
  }

  async function takeIn() {
    const file = picker.files?.[0];
    if (!file || busy) return;
    busy = 'in';
    stop = false;
    setShown(meter, true);
    draw(true);
    let bytes = 0;
    const pieces = (async function* () {
      const reader = file.stream().getReader();
      const decoder = new TextDecoder();
      for (let next = await reader.read(); !next.done; next = await reader.read()) {
        // A browser may hand over megabytes at once: the meter tells of what was taken of them.
        const text = decoder.decode(next.value, { stream: true });
        for (let from = 0; from < text.length; from += PIECE) {
          const piece = text.slice(from, from + PIECE);
          bytes += (next.value.byteLength * piece.length) / text.length;
          yield piece;
        }
      }
      yield decoder.decode();
    })();
    /** @param {import('../app/out_in.js').Imported} so */
    const tell = (so) => {
      setAttr(meter, 'value', file.size > 0 ? Math.min(1, bytes / file.size) : 1);
      setText(came, `${so.read} lines: ${so.added} new, ${so.known} known, ${so.refusals} refused${so.stopped ? '; stopped' : ''}`);
    };
    try {
      const { status } = app.frame();
      const running = status && status.phase !== 'over' ? status.hold : null;
      const so = await importLines(app.store, pieces, { told: tell, stopped: () => stop, running });
      tell(so);
      replace(refused, so.refused.map((r) => el('li', null, `line ${r.line}: ${r.code}, ${r.reason}${r.id ? ` (${r.id})` : ''}`)));
      await summed(so.holds);
    } catch (err) {
      setText(came, `stopped: ${/** @type {any} */ (err)?.reason ?? /** @type {any} */ (err)?.message ?? err}`);
    } finally {
      busy = '';
      picker.value = '';
      draw(true);
    }
  }

  /** The lines of what came in: a page closed meanwhile makes the rest when it opens next. @param {Set<string>} holds */
  async function summed(holds) {
    setAttr(meter, 'value', 0);
    setText(making, '');
    setShown(stopKey, false);
    const working = app.log.renew(holds);
    const tell = () => {
      const left = Math.min(app.log.owing(), holds.size);
      setAttr(meter, 'value', holds.size > 0 ? 1 - left / holds.size : 1);
      setText(making, left > 0 ? `${holds.size - left} of ${holds.size} holds read into the log` : '');
    };
    const timer = setInterval(tell, 200);
    await working.finally(() => clearInterval(timer));
    tell();
  }

  async function erase() {
    if (busy || nameKey(sure.value) !== nameKey(who) || who === '') return;
    busy = 'erase';
    try {
      await allRead(eraseWords);
      const p = person();
      const host = await app.access.erase(p.id === null ? { name: who } : { id: p.id, name: who }, who);
      const { ids, holds } = await ownOf(app.store, app.log.lines(), p);
      await app.erase(ids);
      setText(said, `${who}: ${holds.length} holds erased from this phone${host === null ? '' : `, ${host} from the host`}`);
      who = '';
      outing = null;
      sure.value = '';
    } catch (err) {
      setText(said, /** @type {any} */ (err)?.reason ?? `not erased: ${err}`);
    }
    setShown(said, true);
    busy = '';
    draw(true);
  }

  function draw(again = false) {
    const lines = app.log.lines();
    const people = app.log.people().filter((/** @type {import('../app/people.js').Known} */ p) => p.dived || p.id !== null);
    const { mine, outings: all } = ofDiver();
    const key = JSON.stringify([who, outing, busy, people.length, lines.length, all.length, mine.at(-1)?.hold]);
    if (!again && key === shown) return;
    shown = key;
    replace(divers, [...people.slice(0, 8).map((/** @type {import('../app/people.js').Known} */ p) => p.name), ''].map((name) => {
      const node = word(name || 'everybody', () => {
        who = name;
        outing = null;
        sure.value = '';
        setShown(said, false);
        draw(true);
      });
      setAttr(node, 'aria-pressed', name === who ? 'true' : 'false');
      return node;
    }));
    const pick = choice('outing', [['', 'all outings'], ...all.slice(0, OUTINGS).map((o) => /** @type {[string, string]} */ ([o.key, outingWords(o)]))], (v) => {
      outing = v === '' ? null : v;
      draw(true);
    });
    pick.set(outing ?? '');
    pick.node.classList.add('column');
    replace(outings, pick.node);
    setText(count, `${chosen().length} holds`);
    setShown(meter, busy === 'in');
    setShown(stopKey, busy === 'in');
    setShown(eraseRow, who !== '');
    setText(eraseWords, `The holds ${who} dived, their profile and their series go from this phone${app.frame().pair === null ? '' : ', and those of this pair from the host'}, for good. As a buddy ${who} stays named in other people’s holds. Type ${who} to confirm.`);
    setAttr(eraseKey, 'disabled', nameKey(sure.value) === nameKey(who) ? null : true);
  }

  draw();
  if (params.erase) eraseRow.scrollIntoView();
  return {
    update: () => draw(),
    unmount() {
      stop = true;
      page.remove();
    },
  };
}

/** @param {{start_at: number, lines: Line[]}} outing */
function outingWords({ start_at, lines }) {
  const [pair] = knownPairs(lines, 1);
  const people = pair ? [pair.diver, pair.buddy].sort().join(' and ') : '';
  return [dateWords(start_at), people, `${lines.length}\u00a0hold${lines.length === 1 ? '' : 's'}`].filter(Boolean).join(', ');
}

/**
 * Gives a file to the person.
 * @param {string[]} parts
 * @param {string} name
 * @param {string} type
 */
function save(parts, name, type) {
  const url = URL.createObjectURL(new Blob(parts, { type }));
  const link = el('a', { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60_000);
}
