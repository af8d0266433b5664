// One pair on the board: who, what its state asks for, its digits, and the tape in small, the same as on its phones.

import { goingWords, rowWords } from '../app/board_words.js';
import { el, replace, setAttr, setClass, setShown, setText } from '../app/dom.js';
import { holdTape } from '../tape/facts.js';
import { icon } from '../tape/marks.js';
import { createTape } from '../tape/tape.js';
import { digits, pressKey } from './parts.js';
import { fitPx } from './sheet.js';

/** @typedef {import('../app/board_facts.js').RowFacts} RowFacts */
/** @typedef {import('../app/board_app.js').BoardApp} BoardApp */

/** A buddy's name beside the diver's (board.css), the smallest letters of a name, and what they may be wider than measured. */
const BUDDY = 0.7;
const LEAST_PX = 14;
const SPARE_PX = 4;

/**
 * How rows are drawn now.
 * @typedef {object} RowLayout
 * @property {number} width
 * @property {boolean} wide tablet or laptop
 * @property {boolean} dense many pairs: calm rows are low
 * @property {boolean} tape whether there is room for its tape
 * @property {boolean} keys whether this device may record
 */

/**
 * @param {BoardApp} app
 * @param {string} pair
 * @param {object} on
 * @param {() => void} on.open
 * @param {(words: string) => void} on.failed
 */
export function createRow(app, pair, { open, failed }) {
  const number = el('span', { class: 'b-number' });
  const diver = el('span', { class: 'b-diver' });
  const buddy = el('span', { class: 'b-buddy' });
  const names = el('span', { class: 'b-names' }, diver, buddy);
  const who = el('button', { type: 'button', class: 'b-who', onclick: open }, number, names);
  const clock = digits('b-clock');
  const shape = el('span', { class: 'b-shape', 'aria-hidden': 'true' });
  const hatch = el('span', { class: 'fault', 'aria-hidden': 'true', hidden: true });
  const main = el('span', { class: 'b-main' });
  const lead = el('span', { class: 'b-lead' });
  const sub = el('span', { class: 'b-sub' });
  const faults = el('span', { class: 'b-faults' });
  const voice = el('span', { class: 'b-voice' });
  const doubt = el('span', { class: 'b-doubt' });
  const battery = el('span', { class: 'b-battery' });
  const dot = el('span', { class: 'dot' });
  const live = el('span');
  const link = el('span', { class: 'b-link' }, dot, live);
  const going = el('span', { class: 'b-going' });
  const tape = createTape({ kind: 'board', width: 390, height: 40 });
  const strip = el('div', { class: 'b-tape', 'aria-hidden': 'true' }, tape.node);

  const go = pressKey('b-key b-go', {
    app: /** @type {any} */ (app), kind: 'dry',
    onFire() {
      app.quiet(pair);
      const { me, rows } = app.frame();
      const hold = rows.find((r) => r.pair === pair)?.hold;
      if (!hold) return;
      app.record(pair, 'going', me.name ? { name: me.name } : {}, { hold: hold.id }).then(() => failed(''), (err) => failed(`not told: ${err.reason ?? err}`));
    },
  });
  const node = el('section', { class: 'b-row', tabindex: '-1' },
    who,
    el('div', { class: 'b-state' }, clock.node, el('span', { class: 'b-signal' }, shape, hatch, main)),
    el('div', { class: 'b-side' }, lead, faults, going, el('span', { class: 'b-small' }, sub, voice, link, doubt, battery)),
    el('div', { class: 'b-keys' }, go.node), strip);
  node.dataset.pair = pair;

  let drawnShape = '';
  let drawnFaults = '';
  let size = '';
  let fitted = '';
  /** @type {{row: RowFacts, as: string} | null} whose names stand here, and all that their room depends on beside the width */
  let named = null;

  /**
   * Names stand in letters small enough that none is broken.
   * @param {number} width
   */
  const fit = (width) => {
    const key = `${named?.as}\n${width}`;
    if (!named || key === fitted || who.clientWidth === 0) return;
    fitted = key;
    const { row } = named;
    names.style.fontSize = '';
    const { paddingLeft, paddingRight, columnGap, flexDirection } = getComputedStyle(who);
    const beside = flexDirection === 'row' ? number.offsetWidth + parseFloat(columnGap) : 0;
    const room = who.clientWidth - parseFloat(paddingLeft) - parseFloat(paddingRight) - beside;
    const most = parseFloat(getComputedStyle(names).fontSize);
    const fits = [
      ...row.diver.split(/\s+/).map((word) => fitPx(word, room - SPARE_PX, most)),
      ...row.buddy.split(/\s+/).map((word) => fitPx(word, (room - SPARE_PX) / BUDDY, most, 400)),
    ];
    const px = Math.max(LEAST_PX, Math.min(...fits));
    names.style.fontSize = px < most ? `${px}px` : '';
  };

  /**
   * @param {RowFacts} row
   * @param {boolean} due something is asked for: the tape is bright and moves smoothly
   */
  const tapeOf = (row, due) => {
    const { hold, seen, seen_at: at } = row;
    if (!row.running && row.silent_ms > 0) return null;
    if (!hold || !seen || (seen.start_at === null && seen.zero_at === null) || seen.phase === 'over' || seen.phase === 'planned') return null;
    const model = holdTape(hold, seen, at);
    const gone = row.running && row.silent_ms > 0;
    return {
      ...model,
      now_ms: (model.now_ms ?? 0) + (row.at - at),
      calm: !due || gone,
      blank_future: row.since !== null,
      unknown_from_ms: gone ? model.now_ms : null,
      coming: gone ? [] : model.coming,
      fuse: gone ? null : model.fuse,
    };
  };

  return {
    node,
    /**
     * @param {RowFacts} row
     * @param {RowLayout} layout
     * @returns {boolean} whether something moves
     */
    update(row, layout) {
      const words = rowWords(row);
      setAttr(node, 'data-tone', words.tone);
      setAttr(node, 'aria-label', words.label);
      setClass(node, 'still', !words.runs);
      setClass(node, 'gone', words.gone);
      setClass(node, 'up', words.up);
      setClass(node, 'idle', !row.running);
      setClass(node, 'met', row.met);
      setText(number, row.number);
      setAttr(who, 'aria-label', `pair ${row.number}: open`);
      setText(diver, row.diver || 'pair ' + row.number);
      setText(buddy, row.buddy);
      named = { row, as: [row.diver, row.buddy, row.number, words.tone === 'alarm', layout.dense].join('\n') };
      setShown(clock.node, words.clock !== '');
      clock.set(words.clock || '0:00');
      if (drawnShape !== String(words.shape)) {
        drawnShape = String(words.shape);
        const drawn = words.shape === 'hatch' ? el('span', { class: 'fault' }) : words.shape ? icon(words.shape) : null;
        replace(shape, drawn);
      }
      setShown(hatch, words.gone && words.shape !== 'hatch');
      setText(main, words.main);
      setText(lead, words.lead);
      setText(sub, words.sub);
      const said = words.faults.join('\n');
      if (said !== drawnFaults) {
        drawnFaults = said;
        replace(faults, words.faults.map((f) => el('span', { class: 'b-fault' }, el('span', { class: 'fault small' }), f)));
      }
      setText(voice, words.voice);
      setText(live, words.link);
      setText(doubt, words.doubt);
      setText(battery, words.battery);
      setClass(dot, 'hollow', words.link !== 'live');
      setText(going, goingWords(row));
      const goes = layout.keys && row.since !== null;
      // A key that goes with its alarm would take the keyboard's place with it.
      if (!goes && document.activeElement === go.node) who.focus({ preventScroll: true });
      setShown(go.node, goes);
      // One that this board alone still knows of ends with the press: that is a longer one.
      go.setKind(row.kept ? 'alarm' : 'dry');
      go.face('I’m going', '', row.kept ? 'press 1 s' : '');
      go.setMeaning(`${row.since !== null}`);

      const due = row.status?.standing !== null && row.silent_ms === 0;
      const model = layout.tape ? tapeOf(row, due) : null;
      setShown(strip, model !== null);
      if (model) {
        const height = layout.wide ? 48 : 40;
        if (size !== `${layout.width} ${height}`) {
          size = `${layout.width} ${height}`;
          tape.resize(layout.width, height);
        }
        tape.update(model);
      }
      return model !== null && model.calm === false;
    },
    /** Fits the names, once all rows are drawn: until then a scroll bar may come and go. @param {number} width of the list, CSS px */
    fit,
    /** Whether it is drawn as one in alarm. */
    isAlarm: () => node.dataset.tone === 'alarm',
    /** How high this row is without its tape, CSS px. */
    bareHeight: () => node.offsetHeight - strip.offsetHeight,
    detach() {
      go.detach();
      node.remove();
    },
  };
}
