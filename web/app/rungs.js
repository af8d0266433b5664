/**
 * Who sounds what: the buddy's phone prompts (PROTOCOL.md, 3.9), and where it is not
 * fit the next device takes its rungs (own). Pure. Every device of a pair
 * judges by the same facts, and in doubt two sound rather than none: a phone
 * that gives up its rungs does so only once it has heard that another has
 * taken them.
 */

import { FAULT_DOUBT_MS } from './time.js';

/** A device not heard for this long is not fit (ms); the short time counts in late, final and recovery. */
export const UNHEARD_MS = 5000;
export const UNHEARD_SHORT_MS = 2000;

/**
 * A device of the pair as presence tells of it.
 * @typedef {object} Present
 * @property {string} device
 * @property {string} role
 * @property {string} [name]
 * @property {number} age_ms since it was last heard
 * @property {string} [link] `live`, `stale` or `lost`, as the host judges it
 * @property {PresenceState} state
 */

/**
 * @typedef {object} PresenceState
 * @property {boolean} [visible]
 * @property {string} [sound] `proven`, `unproven`, `fault`, `off`
 * @property {number | null} [proven_at]
 * @property {boolean} [wake]
 * @property {number | null} [battery]
 * @property {number | null} [doubt_ms]
 * @property {string | null} [hold] the one its page is at
 * @property {boolean} [board] it stands by for all pairs
 * @property {string | null} [phase]
 * @property {boolean} [rungs] fit to sound the rungs
 * @property {boolean} [takes] sounds all rungs now
 * @property {boolean} [simulated] there is no such phone: its holder is invented too
 * @property {number} [away_ms]
 */

/** @typedef {'buddy' | 'diver' | 'siren'} Part which of the rungs a device sounds, as the sound part names them */

/** @type {Record<string, number>} */
const TURN = { buddy: 0, siren: 1, diver: 2 };

/**
 * How long a device may be silent at this point of a hold.
 * @param {string | null} phase
 * @param {string | null} stage
 */
export function unheardMs(phase, stage) {
  const short = stage === 'late' || stage === 'final' || phase === 'recovery';
  return short ? UNHEARD_SHORT_MS : UNHEARD_MS;
}

/**
 * Whether a person sees this device, and its sound is proven.
 * @param {PresenceState} state
 */
export const canBeHeard = (state) => state.visible === true && state.sound === 'proven';

/**
 * Whether a device could sound the rungs, and on time: a clock that is off
 * sounds them at another one. Nobody knows how far off a device alone may be.
 * @param {PresenceState} state
 */
export const isFit = (state) => canBeHeard(state) && (state.doubt_ms ?? 0) <= FAULT_DOUBT_MS;

/**
 * Whether a device is at this hold: what a page does not show or know of yet, it does not sound.
 * @param {PresenceState} state
 * @param {string | null} hold null where there is none
 */
export const isAt = (state, hold) => hold === null || state.hold === hold || state.board === true;

/**
 * Which rungs this device sounds now.
 * @param {object} facts
 * @param {{device: string, role: string, state: PresenceState}} facts.me
 * @param {Present[]} facts.present the other devices, first joined first; this device may be among them
 * @param {string | null} facts.hold the hold in question, the one this device is at
 * @param {string | null} facts.phase
 * @param {string | null} facts.stage
 * @returns {{part: Part, takes: boolean, elected: string | null}} `takes` is true where this device sounds all rungs;
 *   `elected` is the device that should, null if none is fit
 */
export function partOf({ me, present, hold, phase, stage }) {
  const limit = unheardMs(phase, stage);
  /** @type {(Present & {mine: boolean})[]} */
  const line = present.map((p) => ({ ...p, mine: p.device === me.device }));
  const self = { device: me.device, role: me.role, age_ms: 0, state: me.state, mine: true };
  const at = line.findIndex((p) => p.mine);
  if (at >= 0) line[at] = { ...line[at], ...self };
  else line.push(self);

  // Sorting is stable: within a role the first joined stays first.
  const inTurn = line.filter((p) => p.role in TURN).sort((a, b) => TURN[a.role] - TURN[b.role]);
  const heard = inTurn.filter((p) => p.mine || (p.age_ms <= limit && isAt(p.state, hold)));
  const elected = heard.find((p) => isFit(p.state)) ?? null;
  const base = basePart(me.role);

  if (elected?.mine) return { part: 'buddy', takes: true, elected: me.device };
  if (me.role === 'buddy') {
    const mine = inTurn.findIndex((p) => p.mine);
    const theirs = elected ? inTurn.indexOf(elected) : -1;
    const givenUp = elected !== null && (theirs < mine || elected.state.takes === true);
    if (givenUp) return { part: base, takes: false, elected: elected.device };
    return { part: 'buddy', takes: true, elected: elected?.device ?? null };
  }
  if (elected) return { part: base, takes: false, elected: elected.device };
  // Nobody is fit. While a buddy's page can be seen it sounds as well as it can; without one everybody does.
  const buddySees = heard.some((p) => p.role === 'buddy' && p.state.visible === true && canSound(p.state));
  if (buddySees || me.role === 'instructor') return { part: base, takes: false, elected: null };
  return { part: 'buddy', takes: true, elected: null };
}

/** @param {PresenceState} state */
function canSound(state) {
  return state.sound === 'proven' || state.sound === 'unproven';
}

/**
 * What a device sounds while another has the rungs: the alarm, and on the
 * diver's phone the second rung softly.
 * @param {string} role
 * @returns {Part}
 */
function basePart(role) {
  return role === 'diver' ? 'diver' : 'siren';
}

/**
 * Since when the pair's sound is in doubt in a hold: a fault that only sounds
 * where nobody else can take the rungs.
 * @param {Present[]} present
 * @param {string} meDevice
 * @param {{hold: string | null, phase: string | null, stage: string | null}} at
 */
export function anotherIsFit(present, meDevice, at) {
  const limit = unheardMs(at.phase, at.stage);
  return present.some((p) => p.device !== meDevice && p.role in TURN && p.age_ms <= limit && isAt(p.state, at.hold) && isFit(p.state));
}
