// The board's own sound check: a random number of beeps, and a person who stands where they will stand says how many.

import { el, replace, setShown, setText } from '../app/dom.js';
import { createSoundCheck } from '../sound/check.js';
import { row, word } from './sheet.js';
import { sheetHead } from './board_sheet.js';

/** From the press to the beeps: time to step back (ms). */
const STAND_MS = 3000;

/**
 * @param {import('../app/board_app.js').BoardApp} app
 * @param {{close: () => void}} on
 * @returns {import('./board.js').Sheet}
 */
export function soundSheet(app, { close }) {
  const check = createSoundCheck(app.sound);
  let timer = 0;
  const said = el('p', { role: 'status' }, 'Put the board where it will stand, all the way up. Press, stand where you will stand, and count.');
  const hints = el('div', { class: 'sub' });
  const play = el('button', { type: 'button', class: 'key fill b-play', onclick: run }, 'play the beeps');
  const counts = [2, 3, 4, 0].map((n) =>
    el('button', { type: 'button', class: 'key b-count', 'aria-label': n === 0 ? 'heard none' : `${n} beeps`, onclick: () => answer(n) }, n === 0 ? 'none' : String(n)));
  const counting = el('div', { class: 'b-counts', hidden: true }, counts);

  function run() {
    app.sound.arm();
    setShown(counting, false);
    setText(said, 'Listen.');
    clearTimeout(timer);
    timer = window.setTimeout(() => {
      check.play().then(
        () => {
          setText(said, 'How many beeps?');
          setShown(counting, true);
          counts[0].focus();
        },
        (/** @type {any} */ err) => setText(said, String(err?.message ?? err)),
      );
    }, STAND_MS);
  }

  /** @param {number} n */
  function answer(n) {
    const verdict = check.answer(n);
    setShown(counting, false);
    replace(hints, verdict.hints.map((line) => el('p', null, line)));
    if (verdict.result === 'proven') setText(said, 'Heard: the sound of this board is proven.');
    else setText(said, verdict.result === 'wrong' ? 'Not that many: play them again.' : 'The sound did not run: play them again.');
    play.focus();
  }

  // A siren has no sheet of the outing, in which a board finds the way back into a pair.
  const leave = app.frame().me.role === 'siren' ? row('', { plain: true }, word('use this device in a pair', () => app.leave())) : null;
  return {
    node: el('div', { class: 'b-sheet-body' }, sheetHead('sound check', close), el('div', { class: 'sheet' }, row('', { plain: true, class: 'tall' }, said, hints), row('', { plain: true }, play, counting), leave)),
    update() {},
    unmount: () => clearTimeout(timer),
  };
}
