/**
 * What the page says when something is amiss, in one line each.
 */

/**
 * What is wrong on this page now, gravest first.
 * @param {any} frame
 * @returns {string[]}
 */
export function troubleWords(frame) {
  const lines = [];
  if (frame.second_tab) lines.push('open in another tab: this one only watches, and is mute');
  if (!frame.store.ok) lines.push(frame.store.words);
  if (frame.page.unfit) {
    lines.push(`this page and the host are too many versions apart to be live: load the page anew${frame.page.offered ? '' : ' after the hold'}`);
  }
  if (frame.ended) lines.push(`${frame.ended} The phone goes on alone.`);
  const refused = frame.refused.length;
  if (refused > 0) {
    const last = frame.refused[refused - 1];
    const what = refused === 1 ? `“${last.kind}” was` : `${refused} records were`;
    lines.push(`${what} not taken by the host and stay on this phone: ${last.reason}`);
  }
  return lines;
}

/**
 * Words for a failure that leaves nothing to show.
 * @param {unknown} err
 */
export function startWords(err) {
  const what = err instanceof Error ? err.message : String(err);
  return [
    'Buddyclock could not start in this browser.',
    'Reload the page. If that does not help, use another browser or another phone, and keep your eyes on the diver meanwhile.',
    `(${what})`,
  ];
}

/**
 * Words for a view that has failed while the hold runs on.
 * @param {string} name
 * @param {unknown} err
 */
export function brokenWords(name, err) {
  const what = err instanceof Error ? err.message : String(err);
  return `This screen (${name}) failed: prompts and alarms go on sounding. Reload the page. (${what})`;
}

/** @param {{state: string, for_ms: number}} link */
export function linkWords({ state, for_ms }) {
  if (state === 'live') return 'live';
  if (state === 'alone') return 'alone';
  return for_ms > 0 ? `not live for ${Math.floor(for_ms / 1000)} s` : 'not live';
}
