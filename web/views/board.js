// The board: every pair of the outing, the most urgent on top. Whatever sheet is open, the pairs that need a person stay in
// sight above it.

import { LOST_MS, needsSomebody, tooMany } from '../app/board_facts.js';
import { newOrder } from '../app/board_order.js';
import { alarmWords, manyWords } from '../app/board_words.js';
import { clockText, timeOfDay } from '../app/clock_text.js';
import { el, replace, setAttr, setClass, setShown, setText } from '../app/dom.js';
import { spacedCode } from '../app/join_form.js';
import { createRow } from './board_row.js';
import { outingSheet } from './board_outing.js';
import { pairSheet } from './board_pair.js';
import { soundSheet } from './board_sound.js';
import { clockFault, soundFault } from './hold_head.js';

/** @typedef {import('../app/board_app.js').BoardApp} BoardApp */
/** @typedef {import('../app/board_app.js').BoardFrame} BoardFrame */
/** @typedef {import('../app/board_facts.js').RowFacts} RowFacts */

/**
 * A sheet of the board.
 * @typedef {object} Sheet
 * @property {HTMLElement} node
 * @property {(frame: BoardFrame) => void} update
 * @property {() => void} [unmount]
 */

/** From this width on the board is read from afar, CSS px (own). */
const WIDE = 700;
/** A narrower one of that kind stands upright: words have no room side by side, and its head none for a title, CSS px (own). */
const UPRIGHT = 900;
/** Heights of rows that were not drawn yet, and of a tape, on a wide board, CSS px (board.css). */
const ROW = Object.freeze({ calm: 78, alarm: 128, tape: 49 });
/** How high a tape is on a phone, where every row has its own, CSS px (board.css). */
const PHONE_TAPE = 41;

/**
 * @param {HTMLElement} root
 * @param {BoardApp} app
 */
export function mount(root, app) {
  const records = app.frame().me.role === 'instructor';
  const title = el('h1', { class: 'b-title' });
  const count = el('span');
  const time = el('span');
  const link = el('span', { class: 'b-link' }, el('span', { class: 'dot' }), el('span'));
  const invented = el('b', { hidden: true }, 'simulated people');
  const join = el('span', { class: 'b-join' });
  const menu = el('button', { type: 'button', class: 'word', onclick: () => toggle('outing') }, 'outing');
  const soundKey = el('button', { type: 'button', class: 'word', onclick: () => toggle('sound') }, 'sound check');
  const head = el('header', { class: 'b-head' }, title, el('div', { class: 'b-facts' }, count, time, link, invented), el('div', { class: 'b-menu' }, join, soundKey, menu));
  const strips = el('div', { class: 'b-strips', role: 'status' });
  const list = el('div', { class: 'b-list', role: 'region', 'aria-label': 'pairs, most urgent first' });
  const empty = el('p', { class: 'b-empty' }, 'No pairs yet. A phone that joins makes one; so does “a new pair” under “outing”.');
  const place = el('div', { class: 'b-sheet', hidden: true });
  const cry = el('div', { class: 'b-cry', role: 'alert' });
  const body = el('div', { class: 'b-body' }, list, empty);
  const page = el('main', { class: 'page board' }, head, strips, cry, body, place);
  root.append(page);

  /** @type {Map<string, ReturnType<typeof createRow>>} */
  const rows = new Map();
  const order = newOrder();
  /** @type {Map<string, number>} how high rows are that need not be low, by pair and whether in alarm */
  const heights = new Map();
  let drawn = { width: 0, dense: false };
  let failure = '';
  /** @type {{name: string, sheet: Sheet} | null} */
  let open = null;
  let shownStrips = '';
  let code = { text: '', until: 0, asking: false, tried: 0 };
  /** @type {Map<string, number>} the ranks of pairs that need somebody, for which the list was scrolled up */
  let seen = new Map();
  const fingers = new Set();
  const down = (/** @type {PointerEvent} */ e) => {
    fingers.add(e.pointerId);
    refresh();
  };
  const up = (/** @type {PointerEvent} */ e) => {
    fingers.delete(e.pointerId);
    refresh();
  };
  list.addEventListener('pointerdown', down);
  for (const type of ['pointerup', 'pointercancel']) addEventListener(type, /** @type {any} */ (up), true);
  const refresh = () => view.update(app.frame());

  /** Arrow keys go from row to row, from nowhere to the first; Escape leaves a sheet. @param {KeyboardEvent} e */
  const onKey = (e) => {
    if (e.key === 'Escape' && open) toggle(open.name);
    if (e.key !== 'ArrowDown' && e.key !== 'ArrowUp') return;
    const at = /** @type {HTMLElement | null} */ (document.activeElement)?.closest('.b-row');
    if (!at && document.activeElement !== document.body) return;
    const shown = [...list.children].filter((n) => !(/** @type {HTMLElement} */ (n).hidden));
    const next = !at ? shown[0] : shown[shown.indexOf(at) + (e.key === 'ArrowDown' ? 1 : -1)];
    const key = [.../** @type {NodeListOf<HTMLElement>} */ (next?.querySelectorAll('button') ?? [])].find((b) => !b.hidden && b.classList.contains(String(document.activeElement?.classList[0])))
      ?? /** @type {HTMLElement | null} */ (next?.querySelector('.b-who'));
    if (!key) return;
    e.preventDefault();
    key.focus();
  };
  // On the whole page: a key that is gone with its press leaves the focus nowhere.
  addEventListener('keydown', onKey);
  // A device that is turned has its other layout at once: drawings may rest, and meanwhile words would lie on keys.
  addEventListener('resize', refresh);

  /** @param {string} name */
  function toggle(name) {
    const same = open?.name === name;
    open?.sheet.unmount?.();
    open = null;
    replace(place);
    if (!same) {
      const close = () => toggle(name);
      const sheet = name === 'outing' ? outingSheet(app, { close }) : name === 'sound' ? soundSheet(app, { close }) : pairSheet(app, name, { close });
      open = { name, sheet };
      replace(place, sheet.node);
      place.scrollTop = 0;
    }
    setShown(place, open !== null);
    setClass(page, 'with-sheet', open !== null);
    refresh();
    // The keyboard goes into the sheet, and back to where it came from.
    const next = open ? place.querySelector('.b-close') : (rows.get(name)?.node.querySelector('.b-who') ?? (name === 'sound' ? soundKey : menu));
    /** @type {HTMLElement | null} */ (next)?.focus({ preventScroll: true });
  }

  /** @param {BoardFrame} frame */
  const showStrips = (frame) => {
    const many = tooMany(frame.rows);
    const lines = [
      failure,
      frame.ended ? `${frame.ended.replace(/\.$/, '')}. This board shows nothing new.` : '',
      frame.second_tab ? 'open in another tab: this one only watches, and is mute' : '',
      frame.lost_ms > LOST_MS && !frame.ended ? `this board hears no host for ${clockText(frame.lost_ms)}: go by the pairs’ own alarms` : '',
      soundFault(frame.sound),
      clockFault(frame.clock),
      manyWords(many),
      frame.store.words,
      frame.outing.ended_ms ? 'this outing is ended: its codes and links open nothing more' : '',
      ...frame.refused.slice(-1).map((r) => `“${r.kind}” was not taken by the host: ${r.reason}`),
    ].filter(Boolean);
    const text = lines.join('\n');
    if (text === shownStrips) return;
    shownStrips = text;
    replace(strips, lines.map((line) => el('p', { class: 'strip b-strip' }, el('span', { class: 'fault', 'aria-hidden': 'true' }), el('span', null, line))));
  };

  /** The code by which the next phone gets in, asked for anew when it runs out. @param {BoardFrame} frame */
  const showCode = (frame) => {
    const opens = code.text !== '' && !frame.outing.ended_ms;
    setText(join, opens ? `join ${spacedCode(code.text)}` : '');
    if (!records || code.asking || frame.now < code.until || frame.now - code.tried < 10_000 || frame.lost_ms > 0 || frame.outing.ended_ms) return;
    code = { ...code, asking: true, tried: frame.now };
    app.access.invite().then(
      (got) => {
        code = { text: got.code, until: got.code_until_ms, asking: false, tried: code.tried };
        refresh();
      },
      () => {
        code = { text: '', until: 0, asking: false, tried: code.tried };
      },
    );
  };

  /**
   * Puts the rows in order by moving as few of them as can be, and never the one that has the focus or a finger.
   * @param {string[]} ids
   */
  const arrange = (ids) => {
    const nodes = ids.flatMap((id) => rows.get(id)?.node ?? []);
    const anchor = nodes.find((n) => n.contains(document.activeElement));
    if (anchor && anchor.parentNode === list) {
      const at = nodes.indexOf(anchor);
      nodes.slice(0, at).forEach((n, i) => {
        const here = list.children[i];
        if (here !== n) list.insertBefore(n, here === anchor || !here ? anchor : here);
      });
      let before = /** @type {Element} */ (anchor);
      for (const n of nodes.slice(at + 1)) {
        if (before.nextElementSibling !== n) before.after(n);
        before = n;
      }
      return;
    }
    nodes.forEach((n, i) => {
      if (list.children[i] !== n) list.insertBefore(n, list.children[i] ?? null);
    });
  };

  const view = {
    /** @param {BoardFrame} frame */
    update(frame) {
      const width = page.clientWidth;
      const wide = width >= WIDE;
      const narrow = width < UPRIGHT;
      setClass(page, 'wide', wide);
      setClass(page, 'upright', wide && narrow);
      setAttr(page, 'data-link', frame.lost_ms > LOST_MS ? 'lost' : 'live');
      setText(title, `${records ? 'Board' : 'Siren for all'}${frame.simulated ? ', simulated people' : ''}`);
      setText(time, timeOfDay(frame.now));
      setText(/** @type {Node} */ (link.lastChild), frame.lost_ms > LOST_MS ? `not live ${clockText(frame.lost_ms)}` : 'live');
      setClass(/** @type {Element} */ (link.firstChild), 'hollow', frame.lost_ms > LOST_MS);
      setShown(invented, frame.simulated && narrow);
      setShown(menu, records);
      showStrips(frame);
      showCode(frame);
      const alarms = frame.rows.filter((r) => r.since !== null);
      setClass(page, 'alarmed', alarms.length > 0);
      // Not all alarms have room on every screen; their numbers have.
      const many = alarms.length > 1;
      setText(count, many ? `${alarms.length} alarms: ${alarms.map((r) => r.number).join(' ')}` : frame.rows.length === 1 ? '1 pair' : `${frame.rows.length} pairs`);
      setClass(count, 'b-alarms', many);
      setText(cry, alarms.map((r) => `pair ${r.number}: ${alarmWords(r).toLowerCase()}`).join('. '));

      const room = page.clientHeight - head.offsetHeight - strips.offsetHeight;
      // All pairs are seen before any tape is: first calm rows become low, and what room is left is for tapes, from the top down.
      // On a phone they are scrolled through, each with its tape, and become low where they are more than the screen holds.
      if (drawn.width !== width) heights.clear();
      for (const [pair, row] of drawn.dense ? [] : rows) if (row.bareHeight() > 0) heights.set(`${pair} ${row.isAlarm()}`, row.bareHeight());
      const heightOf = (/** @type {RowFacts} */ { pair, since }) => heights.get(`${pair} ${since !== null}`) ?? (since === null ? ROW.calm : ROW.alarm);
      const dense = frame.rows.reduce((sum, r) => sum + heightOf(r) + (wide ? 0 : PHONE_TAPE), 0) > room;
      drawn = { width, dense };
      setClass(page, 'dense', dense);
      const taken = frame.rows.reduce((sum, r) => sum + (rows.get(r.pair)?.bareHeight() ?? ROW.calm), 0);
      const tapes = wide ? Math.floor((room - taken) / ROW.tape) : Infinity;
      const layout = { width: list.clientWidth, wide, dense, keys: records && !frame.second_tab };
      const ids = order.next(frame.rows, frame.now, { down: fingers.size > 0 });
      for (const [id, row] of rows) {
        if (ids.includes(id)) continue;
        row.detach();
        rows.delete(id);
      }
      let moves = false;
      for (const facts of frame.rows) {
        let row = rows.get(facts.pair);
        if (!row) {
          const { pair } = facts;
          row = createRow(app, pair, { open: () => toggle(pair), failed: (words) => { failure = words; } });
          rows.set(pair, row);
        }
        setShown(row.node, open === null || needsSomebody(facts) || open.name === facts.pair);
        moves = row.update(facts, { ...layout, tape: ids.indexOf(facts.pair) < tapes }) || moves;
      }
      arrange(ids);
      const across = list.clientWidth;
      for (const row of rows.values()) row.fit(across);
      if (fingers.size === 0) {
        const needy = frame.rows.filter(needsSomebody);
        if (needy.some((r) => r.rank < (seen.get(r.pair) ?? Infinity))) body.scrollTop = 0;
        seen = new Map(needy.map((r) => [r.pair, r.rank]));
      }
      setShown(empty, frame.rows.length === 0);
      open?.sheet.update(frame);
      return moves;
    },
    unmount() {
      open?.sheet.unmount?.();
      for (const row of rows.values()) row.detach();
      removeEventListener('keydown', onKey);
      removeEventListener('resize', refresh);
      for (const type of ['pointerup', 'pointercancel']) removeEventListener(type, /** @type {any} */ (up), true);
      page.remove();
    },
  };
  return view;
}
