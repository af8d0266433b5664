// What people tell this phone, on top of every view: an instructor who is coming or calls a count off, a place that is offered.

import { askWords } from '../app/board_offers.js';
import { comingWords, isCalledOff } from '../app/going.js';
import { el, replace, setShown } from '../app/dom.js';

/**
 * @param {HTMLElement} node
 * @param {() => any} app
 */
export function newNews(node, app) {
  let shown = '';
  let failure = '';

  /** @param {string} offer @param {boolean} yes */
  const answer = async (offer, yes) => {
    try {
      await app().answerOffer(offer, yes);
      failure = '';
    } catch (err) {
      failure = String(/** @type {any} */ (err)?.reason ?? err);
    }
  };

  return {
    /** @param {any} frame */
    show(frame) {
      const coming = comingWords(frame.going);
      const ended = frame.outing.ended_ms ? 'the instructor has ended this outing: nobody can join any more' : '';
      const off = frame.status?.phase === 'breathe-up' && isCalledOff(frame.hold, frame.now) ? 'the instructor has called the count off' : '';
      const key = JSON.stringify([coming, ended, off, failure, frame.offers.map((/** @type {any} */ o) => o.offer), frame.pair?.pair]);
      if (key === shown) return;
      shown = key;
      replace(node,
        coming ? el('p', { class: 'news-coming' }, coming) : null,
        ended ? el('p', null, ended) : null,
        off ? el('p', null, off) : null,
        frame.offers.map((/** @type {any} */ o) => el('div', { class: 'news-offer' }, el('p', null, askWords(o, frame.pair?.pair ?? '')),
          el('button', { type: 'button', class: 'key fill', onclick: () => answer(o.offer, true) }, 'yes'),
          el('button', { type: 'button', class: 'key', onclick: () => answer(o.offer, false) }, 'no'))),
        failure ? el('p', null, failure) : null);
      setShown(node, node.firstChild !== null);
    },
  };
}
