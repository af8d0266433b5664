/**
 * Keeps the browser's "back" (a swipe from the edge of the screen) from leaving
 * the page while a hold runs: there is always one more entry of this very page
 * to go back from.
 */

/**
 * @param {() => boolean} running is a hold running that must not be left?
 * @returns {() => void} call it whenever that may have changed
 */
export function keepFromLeaving(running) {
  let kept = false;
  addEventListener('popstate', () => {
    kept = false;
    keep();
  });
  const keep = () => {
    if (kept || !running()) return;
    kept = true;
    history.pushState(null, '', location.href);
  };
  return keep;
}
