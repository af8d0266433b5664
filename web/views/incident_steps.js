// The card of steps of an incident: it moves on by time, because hands are full; a second device may tick a step and so
// bring the next one sooner. The words defer to the rescue training the people have and to local rules. Pure.

/**
 * @typedef {object} Step
 * @property {string} what name in a `step` event
 * @property {number} from_ms when it comes up by itself, since the incident
 * @property {string[]} big
 * @property {string[]} more
 */

/** Times are this project's own: the order follows what is taught, the training people have comes first. */
const POOL = /** @type {readonly Step[]} */ ([
  { what: 'airway', from_ms: 0, big: ['AIRWAY UP'], more: ['face out of the water', 'mask and nose clip off'] },
  { what: 'talk', from_ms: 5000, big: ['TAP, TALK,', 'BLOW'], more: ['blow across the eyes', 'call their name'] },
  { what: 'rescue-breath', from_ms: 12_000, big: ['NO BREATH?'], more: ['a rescue breath, then', 'one every 5 s, as trained'] },
  { what: 'call', from_ms: 20_000, big: ['CALL HELP'], more: ['shout, send somebody,', 'phone on loud'] },
  { what: 'out', from_ms: 40_000, big: ['OUT OF', 'THE WATER'], more: ['flat on the back', 'fetch oxygen and AED'] },
  { what: 'cpr', from_ms: 60_000, big: ['NO BREATH:', 'CPR'], more: ['breaths first, then 30 : 2', 'as you were trained'] },
  { what: 'stay', from_ms: 180_000, big: ['GO ON'], more: ['until help takes over', 'breathing: on their side'] },
]);

const DRY = /** @type {readonly Step[]} */ ([
  { what: 'airway', from_ms: 0, big: ['OPEN THE', 'AIRWAY'], more: ['flat on the back', 'head back, chin up'] },
  { what: 'talk', from_ms: 5000, big: ['TAP, TALK,', 'BLOW'], more: ['call their name', 'tell them: breathe'] },
  { what: 'look', from_ms: 12_000, big: ['BREATHING?'], more: ['look, listen, feel', 'at most 10 s'] },
  { what: 'call', from_ms: 22_000, big: ['CALL HELP'], more: ['phone on loud', 'fetch oxygen and AED'] },
  { what: 'cpr', from_ms: 40_000, big: ['NO BREATH:', 'CPR'], more: ['30 pushes, 2 breaths', 'as you were trained'] },
  { what: 'stay', from_ms: 180_000, big: ['GO ON'], more: ['until help takes over', 'breathing: on their side'] },
]);

/** @param {boolean} dry */
export const stepsFor = (dry) => (dry ? DRY : POOL);

/**
 * The step that is up: the one whose time has come, or the one after the last ticked.
 * @param {readonly Step[]} steps
 * @param {number} sinceMs since the incident
 * @param {ReadonlySet<string>} ticked names of steps done
 * @returns {number} index
 */
export function stepAt(steps, sinceMs, ticked) {
  let byTime = 0;
  let byTick = 0;
  steps.forEach((step, i) => {
    if (sinceMs >= step.from_ms) byTime = i;
    if (ticked.has(step.what)) byTick = i + 1;
  });
  return Math.min(Math.max(byTime, byTick), steps.length - 1);
}
