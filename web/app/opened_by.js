/** The link that the page was opened with, or is while it stands. */

import { secretOf } from './access.js';

/**
 * Heeds the link. A phone that has a place in this outing keeps it, whatever link it is opened by; another outing, or the
 * instructor's link, asks where to join.
 * @param {object} page
 * @param {ReturnType<typeof import('./access.js').newAccess>} page.access
 * @param {Pick<import('./compose.js').Model, 'identity' | 'toldOf'>} page.model
 * @param {() => void} page.join asks where to join
 * @param {() => void} page.changed
 */
export function heedLink({ access, model, join, changed }) {
  const found = secretOf(location.hash);
  if (!found) return;
  // The secret is not left standing in the address, where it would be seen or shared.
  history.replaceState(null, '', location.pathname + location.search);
  access.secret = found;
  const me = model.identity();
  if (me.token === '') join();
  else if (found !== me.secret) {
    access.pairs().then(
      (told) => {
        if (model.identity().token !== me.token) return; // somebody has chosen meanwhile
        if (told.session !== me.session || (access.instructor && me.role !== 'instructor')) join();
        else model.toldOf({ secret: found });
        changed();
      },
      () => {
        // Without a host, or with a link of yesterday, the phone stays where it is.
      },
    );
  }
  changed();
}
