// Parts the board's sheets share.

import { el, setClass, setShown, setText } from '../app/dom.js';
import { row } from './sheet.js';

/**
 * The head of a sheet, with the key that goes back to the rows.
 * @param {string} title
 * @param {() => void} close
 */
export function sheetHead(title, close) {
  return el('div', { class: 'sheet b-sheet-head' },
    row('', { plain: true }, el('h2', { class: 'display' }, title), el('button', { type: 'button', class: 'word b-close', onclick: close }, 'back')));
}

/** A line that says how a press went, and a way to run one. */
export function sayer() {
  const node = el('p', { class: 'b-said', role: 'status', hidden: true });
  /**
   * @param {string} words
   * @param {boolean} [wrong] they tell of what stands in the way
   */
  const say = (words, wrong = false) => {
    setText(node, words);
    setShown(node, words !== '');
    setClass(node, 'problem', wrong);
  };
  return {
    node,
    say,
    /**
     * @param {() => Promise<unknown>} what gives what is to be said, where that is not known before
     * @param {string} [done]
     */
    async run(what, done = '') {
      try {
        const words = await what();
        say(typeof words === 'string' ? words : done);
      } catch (err) {
        say(String(/** @type {any} */ (err)?.reason ?? err), true);
      }
    },
  };
}

/** @type {Record<string, string>} */
const ROLES = { buddy: 'buddy', diver: 'diver', siren: 'siren', instructor: 'instructor' };
/** @param {string} role */
export const roleWords = (role) => ROLES[role] ?? role;
