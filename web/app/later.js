/**
 * Views that no hold needs: they are loaded when somebody asks for them, so
 * that the live page stays small. The phone keeps them with the rest of its
 * version, so that they open without the host too.
 */

import { el } from './dom.js';

/** @typedef {import('./router.js').View} View */
/** @typedef {{mount: (root: HTMLElement, app: any, params: any) => View}} ViewModule */

/** Styles of the views that are loaded later, beside the page's own. */
const SHEET = 'later.css';

/** @type {Promise<unknown> | null} */
let styled = null;

/** Puts the later views' styles on the page, once. */
export function styles() {
  styled ??= new Promise((done) => {
    const own = /** @type {HTMLLinkElement | null} */ (document.querySelector('link[rel=stylesheet]'));
    const link = el('link', { rel: 'stylesheet', href: (own?.href ?? './style.css').replace(/[^/]*$/, SHEET) });
    // A view without its styles can still be read: it never waits for good.
    link.onload = done;
    link.onerror = () => {
      styled = null;
      link.remove();
      done(null);
    };
    document.head.append(link);
  });
  return styled;
}

/**
 * A view for the router that is loaded on its first use. Until it is there, and
 * where it cannot be loaded, the page says so.
 * @param {() => Promise<ViewModule>} load
 * @returns {ViewModule}
 */
export function later(load) {
  return {
    mount(root, app, params) {
      const words = el('p', { class: 'waits', role: 'status' }, 'loading');
      const back = el('button', { type: 'button', class: 'key', hidden: true, onclick: () => app.go(null) }, 'back');
      const page = el('main', { class: 'page scroll' }, words, back);
      root.append(page);
      /** @type {View | null} */
      let view = null;
      let left = false;
      Promise.all([load(), styles()]).then(
        ([module]) => {
          if (left) return;
          page.remove();
          view = module.mount(root, app, params);
        },
        () => {
          words.textContent = 'This part of the page is not on this phone yet, and the host does not answer.';
          back.hidden = false;
        },
      );
      return {
        update: (frame) => view?.update(frame),
        unmount() {
          left = true;
          view?.unmount();
          page.remove();
        },
      };
    },
  };
}
