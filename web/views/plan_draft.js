/**
 * The draft of the plan sheet between visits: nothing typed is lost when the
 * view changes or the page is loaded again, and a sheet that was never typed
 * in is filled from the last plan and the diver's log.
 */

import { DRAFTS } from '../app/device.js';
import { draftOf, newDraft, withFigures, withLog } from '../app/plan_form.js';
import { sameName } from '../app/guards.js';
import { expected } from '../app/expected.js';
import { newestPlan } from '../app/log_facts.js';
import { nameKey } from '../rules/people.js';

/** @typedef {import('../app/plan_form.js').Draft} Draft */

/** @param {any} app */
const pairOf = (app) => String(app.frame().pair?.pair ?? app.frame().pair ?? '');

/**
 * @param {any} app
 * @param {Draft} draft
 */
export function keepDraft(app, draft) {
  const after = newestPlan(app.holds())?.id ?? null;
  try {
    sessionStorage.setItem(DRAFTS.plan, JSON.stringify({ pair: pairOf(app), after, draft }));
  } catch {
    // No store here: the draft lasts as long as the view.
  }
}

/**
 * What was typed since the newest plan was recorded, if anything.
 * @param {any} app
 * @returns {Draft | null}
 */
function keptDraft(app) {
  try {
    const kept = JSON.parse(sessionStorage.getItem(DRAFTS.plan) ?? 'null');
    const after = newestPlan(app.holds())?.id ?? null;
    return kept && kept.pair === pairOf(app) && kept.after === after ? { ...newDraft(), ...kept.draft } : null;
  } catch {
    return null;
  }
}

/**
 * The sheet as it opens.
 * @param {any} app
 * @returns {Draft}
 */
export function firstDraft(app) {
  return keptDraft(app) ?? usualDraft(app, newestPlan(app.holds()));
}

/**
 * @param {any} app
 * @param {ReturnType<typeof newestPlan>} newest
 * @returns {Draft}
 */
function usualDraft(app, newest) {
  const frame = app.frame();
  if (newest) {
    const draft = draftOf(newest.data);
    const begun = newest.hold !== frame.hold?.id || !['planned', 'breathe-up'].includes(frame.status?.phase);
    return begun ? withLog(draft, expected(app, draft.diver, draft.setting)) : draft;
  }
  const draft = newDraft();
  const named = (/** @type {string} */ role) =>
    frame.me?.role === role ? frame.me.name : frame.present?.find((/** @type {any} */ d) => d.role === role)?.name;
  draft.diver = named('diver') ?? '';
  draft.buddy = named('buddy') ?? '';
  return draft;
}

/**
 * The sheet with the figures of the diver who stands in it: those of the last
 * plan in which that person dived, and of that person's log.
 * @param {any} app
 * @param {Draft} draft
 * @returns {Draft}
 */
export function divedBy(app, draft) {
  const theirs = newestPlan(app.holds(), (data) => sameName(String(data.diver ?? ''), draft.diver));
  const figures = theirs ? draftOf(theirs.data) : lastTime(app, draft);
  return withLog(withFigures(draft, figures), expected(app, draft.diver, draft.setting));
}

/**
 * The two changed over, each with their own figures.
 * @param {any} app
 * @param {Draft} draft
 * @returns {Draft}
 */
export function swapDraft(app, draft) {
  return divedBy(app, { ...draft, diver: draft.buddy, buddy: draft.diver });
}

/**
 * A diver who has not dived in this outing: what their profile says and what
 * they planned the last time in this setting.
 * @param {any} app
 * @param {Draft} draft
 * @returns {Draft}
 */
function lastTime(app, draft) {
  const figures = { ...newDraft(), signal: draft.signal };
  const key = nameKey(draft.diver);
  const profile = app.log.profiles().find((/** @type {any} */ p) => nameKey(p.name) === key);
  if (profile?.signal) figures.signal = profile.signal;
  if (profile && profile.hears.length > 0) figures.hears = profile.hears;
  const last = app.log.lines().findLast((/** @type {any} */ l) => l.diver_key === key && l.setting === draft.setting && l.planned_s !== null);
  if (last) figures.planned = draftOf({ planned_s: last.planned_s }).planned;
  if (last) figures.cadence = 'standard';
  return figures;
}
