/**
 * Which view is on the screen. In a hold the state decides, never a person's
 * wandering: `go` chooses between sheets before and after it only.
 */

import { isRunning } from './book.js';
import { newMotion } from './pace.js';

/** @typedef {import('../rules/status.js').Status} Status */

/** @typedef {'join' | 'plan' | 'soundcheck' | 'place' | 'breathe' | 'live' | 'recovery' | 'incident' | 'debrief' | 'diver' | 'siren' | 'log' | 'files' | 'people' | 'readings' | 'report' | 'series' | 'trends'} ViewName */

/** Sheets that may be chosen while no hold runs. */
const SHEETS = new Set(['join', 'plan', 'soundcheck', 'place', 'breathe', 'debrief', 'log', 'files', 'people', 'readings', 'report', 'series', 'trends']);
/** A hold that ended this long ago is opened from the log, not by itself (ms, own). */
const DEBRIEF_MS = 3 * 3_600_000;

/**
 * @param {object} facts
 * @param {boolean} facts.joined in a pair, or working alone
 * @param {string} facts.role
 * @param {Status | null} facts.status of the current hold
 * @param {number} facts.now shared ms
 * @param {ViewName | null} facts.chosen
 * @param {boolean} [facts.reads] this phone types readings, and another one asks and watches
 * @returns {ViewName}
 */
export function viewFor({ joined, role, status, now, chosen, reads = false }) {
  const phase = status?.phase ?? null;
  const running = isRunning(phase);
  if (!joined && !running) return 'join';
  if (role === 'siren') return chosen === 'join' ? 'join' : 'siren';
  if (phase === 'incident') return 'incident';
  if (running) {
    if (role === 'diver') return 'diver';
    if (reads) return 'readings';
    return phase === 'hold' ? 'live' : 'recovery';
  }
  if (chosen !== null && SHEETS.has(chosen)) return chosen;
  if (phase === 'breathe-up') return role === 'diver' ? 'diver' : 'breathe';
  if (phase === 'over') {
    if (role === 'diver') return 'diver';
    const ended = status?.over_at ?? null;
    return ended === null || now - ended <= DEBRIEF_MS ? 'debrief' : 'plan';
  }
  return role === 'diver' ? 'diver' : 'plan';
}

/**
 * Whether what was chosen is forgotten: something happened that everybody in
 * the pair has to see.
 * @param {{hold: string, phase: string} | null} before
 * @param {{hold: string, phase: string} | null} after
 */
export function forgetsChoice(before, after) {
  if (after === null) return false;
  if (before === null) return isRunning(after.phase);
  if (before.phase === after.phase) return false;
  return isRunning(after.phase) || isRunning(before.phase) || after.phase === 'breathe-up';
}

/**
 * Whether this phone shows the digits for readings in a hold: only while
 * another buddy's phone is here that does not, and no alarm stands. Nobody ever
 * types in place of looking (hazard H15).
 * @param {any} frame
 */
export function readsHere({ prefs, me, present, status }) {
  if (prefs?.reads !== true || (me.role !== 'buddy' && me.role !== 'instructor')) return false;
  if (status?.standing?.rung === 'alarm') return false;
  return (present ?? []).some((/** @type {any} */ d) =>
    d.role === 'buddy' && d.device !== me.device && d.state?.reads !== true && d.state?.visible === true && (d.link === undefined || d.link === 'live'));
}

/**
 * A view as it is mounted: `update` is complete and may be called at any time;
 * where it returns true something moves, and it is called in one of the next frames.
 * @typedef {object} View
 * @property {(frame: any) => boolean | void} update
 * @property {() => void} unmount
 */

/**
 * @typedef {object} Router
 * @property {(frame: any, joined: boolean) => void} update
 * @property {(name: ViewName | null, params?: any) => void} go null leaves it to the state
 * @property {() => ViewName | null} shown
 * @property {() => any} params
 */

/**
 * @param {HTMLElement} root
 * @param {Record<ViewName, {mount: (root: HTMLElement, app: any, params: any) => View}>} views
 * @param {() => any} app
 * @param {(name: string, err: unknown) => void} broken a view has thrown
 * @returns {Router}
 */
export function newRouter(root, views, app, broken) {
  /** @type {View | null} */
  let view = null;
  /** @type {ViewName | null} */
  let shown = null;
  /** @type {ViewName | null} */
  let chosen = null;
  /** @type {any} */
  let params = {};
  let fresh = false;
  /** @type {{hold: string, phase: string} | null} */
  let before = null;
  /** @type {any} */
  let newest = null;
  let again = false;
  let busy = false;

  const draw = () => {
    if (!view || !newest) return;
    const name = shown ?? '';
    try {
      if (view.update(newest) === true) move();
    } catch (err) {
      broken(name, err);
    }
  };

  const move = newMotion(() => {
    newest = app().frame();
    draw();
  });

  /** @param {ViewName} name */
  const mount = (name) => {
    try {
      view?.unmount();
    } catch (err) {
      broken(shown ?? '', err);
    }
    view = null;
    while (root.firstChild) root.removeChild(root.firstChild);
    shown = name;
    fresh = false;
    if (!SHEETS.has(name)) params = {};
    try {
      view = views[name].mount(root, app(), params);
    } catch (err) {
      broken(name, err);
    }
    scrollTo(0, 0);
  };

  /** @param {any} frame @param {boolean} joined */
  const update = (frame, joined) => {
    newest = frame;
    if (busy) {
      again = true;
      return;
    }
    busy = true;
    const status = frame.status;
    const after = status ? { hold: status.hold, phase: status.phase } : null;
    if (forgetsChoice(before, after)) {
      chosen = null;
      params = {};
    }
    before = after;
    const name = viewFor({ joined, role: frame.me.role, status, now: frame.now, chosen, reads: readsHere(frame) });
    if (name !== shown || fresh) mount(name);
    draw();
    busy = false;
    if (again) {
      again = false;
      update(app().frame(), joined);
    }
  };

  return {
    update,
    go(name, next) {
      chosen = name;
      params = next ?? {};
      fresh = true;
    },
    shown: () => shown,
    params: () => params,
  };
}
