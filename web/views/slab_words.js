// What the press surface says and what a press on it means. Pure: the status in, a face out; slab.js draws it.

import { clockText } from '../app/clock_text.js';

/** @typedef {import('../rules/status.js').Status} Status */
/** @typedef {import('../press/press.js').PressKind} PressKind */

/**
 * @typedef {object} SlabFacts
 * @property {Status} status
 * @property {number} now shared ms
 * @property {boolean} dry the setting is dry: two presses to a check; else one
 * @property {boolean} look_counts a look made now would be a proof
 * @property {{ms: number, at: number}|null} away this page was out of sight in the hold and nobody has looked since
 * @property {boolean} quiet early prompts begin without a tone
 */

/**
 * A press and what it records.
 * @typedef {object} SlabPress
 * @property {'look'|'asked'|'answered'|'surfaced'|'ok'|'watch-ended'} record
 * @property {PressKind} kind how long it takes
 */

/**
 * @typedef {object} SlabFace
 * @property {'wait'|'prompt'|'again'|'asked'|'asked-again'} tone
 * @property {'count'|'words'|'across'} form digits at the axis with a label; words at the axis; words from edge to edge
 * @property {string[]} label lines left of the axis, beside `count`
 * @property {string} count
 * @property {string} head small capitals above the words
 * @property {string[]} words
 * @property {'disc'|'lens'|'up'|'diamonds'|null} icon
 * @property {string[]} hint lines at the foot
 * @property {string} soft a quieter line below them
 * @property {SlabPress|null} press
 * @property {string} meaning changes only where a press would mean something else
 * @property {boolean} moves tenths are running: draw at every frame
 */

/** A tap given no longer than this before the prompt still waits for its answer (own; as long as the diver's touch counts). */
const ASK_KEPT_MS = 10_000;
/** An early prompt is quiet for this long, so that one met in time disturbs nobody (own). */
const QUIET_MS = 2000;

/**
 * @param {Partial<SlabFace> & {tone: SlabFace['tone'], form: SlabFace['form']}} face
 * @returns {SlabFace}
 */
function face(face) {
  const full = { label: [], count: '', head: '', words: [], icon: null, hint: [], soft: '', press: null, meaning: '', moves: false, ...face };
  // Going on and coming due are different questions even where the same thing is recorded (H12).
  full.meaning = `${full.tone} ${full.words.join(' ')} ${full.press?.record ?? '-'}`;
  return full;
}

/**
 * Time to an instant as running digits: shows 0:01 until it is there.
 * @param {number} at @param {number} now
 */
export function untilText(at, now) {
  return clockText(Math.ceil(Math.max(0, at - now) / 1000) * 1000);
}

/**
 * @param {SlabFacts} facts
 * @returns {boolean} a tap has been given and waits for its answer
 */
export function askStands({ status, dry }) {
  const { asked_at, ladder, prompt_at } = status;
  if (!dry || asked_at === null) return false;
  if (ladder === null) return true;
  if (ladder.rung === 'again') return asked_at >= ladder.at;
  return ladder.rung === 'prompt' && asked_at >= (prompt_at ?? ladder.at) - ASK_KEPT_MS;
}

/**
 * The press surface in a hold.
 * @param {SlabFacts} facts
 * @returns {SlabFace}
 */
export function liveSlab(facts) {
  const { status, now, dry } = facts;
  const { ladder, bring_up } = status;
  const kind = dry ? 'dry' : 'pool';
  if (ladder?.rung === 'alarm' || bring_up?.rung === 'alarm') return face({ tone: 'wait', form: 'count' });
  if (bring_up) return bringUpFace(status, bring_up.rung === 'again');

  if (askStands(facts)) {
    const again = ladder?.rung === 'again';
    return face({
      tone: again ? 'asked-again' : 'asked', form: 'count', label: ['press', 'when', 'they', 'answer'],
      count: ((now - /** @type {number} */ (status.asked_at)) / 1000).toFixed(1), press: { record: 'answered', kind }, moves: true,
    });
  }

  const coming = status.next_abs.find((r) => r.rung === 'prompt');
  const check = ladder ?? status.next_abs.find((r) => r.rung === 'prompt' && r.asks !== 'up');
  const look = check?.asks === 'look' && facts.look_counts;
  /** @type {SlabPress} */
  const press = { record: look ? 'look' : dry ? 'asked' : 'answered', kind };
  if (ladder) return look ? lookFace(ladder.rung, press, quietLine(facts, ladder.at)) : tapFace(facts, ladder, press);
  if (facts.away) {
    return face({
      tone: 'prompt', form: 'words', words: ['LOOK', 'AT', 'THEM'], icon: 'lens', hint: ['press when', 'you have looked'],
      soft: `away ${clockText(facts.away.ms)}`, press: { record: 'look', kind },
    });
  }
  const label = coming?.asks === 'up' ? ['agreed', 'end in'] : ['next', look ? 'look in' : 'tap in'];
  return face({ tone: 'wait', form: 'count', label, count: coming ? untilText(coming.at, now) : '', press });
}

/**
 * @param {Status} status
 * @param {boolean} again
 */
function bringUpFace(status, again) {
  const byPlan = status.start_at !== null && (status.bring_up?.at ?? 0) >= status.start_at + status.boundaries.end_at_ms;
  return face({
    tone: again ? 'again' : 'prompt', form: 'words', head: byPlan ? 'AGREED END' : 'HOLD ENDED', words: ['BRING', 'THEM', 'UP'],
    icon: again ? 'diamonds' : 'up', hint: ['press when', 'they are up'], press: { record: 'surfaced', kind: 'up' },
  });
}

/**
 * @param {'prompt'|'again'|'alarm'} rung
 * @param {SlabPress} press
 * @param {string} soft
 */
function lookFace(rung, press, soft) {
  const hint = ['press when', 'you have looked'];
  if (rung === 'again') return face({ tone: 'again', form: 'across', words: ['LOOK', 'AGAIN'], icon: 'diamonds', hint: ['and call them'], press });
  return face({ tone: 'prompt', form: 'words', words: ['LOOK', 'AT', 'THEM'], icon: 'lens', hint, soft, press });
}

/**
 * @param {SlabFacts} facts
 * @param {import('../rules/status.js').RungAt} ladder
 * @param {SlabPress} press
 */
function tapFace(facts, ladder, press) {
  if (ladder.rung === 'again') {
    return face({ tone: 'again', form: 'across', words: ['TAP', 'AGAIN'], icon: 'diamonds', hint: ['and call them'], press });
  }
  const hint = facts.dry ? ['press as you tap'] : ['press when', 'they answer'];
  return face({ tone: 'prompt', form: 'words', words: ['TAP', 'NOW'], icon: 'disc', hint, soft: quietLine(facts, ladder.at), press });
}

/**
 * An early prompt is light and vibration first: whoever presses now spares the diver the tone.
 * @param {SlabFacts} facts
 * @param {number} promptAt
 */
function quietLine({ status, now, quiet }, promptAt) {
  const early = quiet && status.start_at !== null && promptAt - status.start_at < status.boundaries.late_at_ms;
  return early && now - promptAt < QUIET_MS ? 'now it stays quiet' : '';
}

/**
 * The press surface after surfacing: OK sign, then the looks of the watch, then its end. (AWAKE? has keys of its own.)
 * @param {SlabFacts} facts
 * @returns {SlabFace}
 */
export function recoverySlab({ status, now, dry, away }) {
  const kind = dry ? 'dry' : 'pool';
  const { ladder, phase } = status;
  if (ladder?.rung === 'alarm' || status.awake_due) return face({ tone: 'wait', form: 'count' });
  if (phase === 'recovery') {
    /** @type {SlabPress} */
    const press = { record: 'ok', kind };
    const end = status.next_abs.find((r) => r.rung === 'alarm')?.at ?? now;
    const left = untilText(end, now);
    if (!ladder) return face({ tone: 'wait', form: 'count', label: ['OK sign', 'within'], count: left, hint: ['press when', 'you see it'], press });
    if (ladder.rung === 'again') {
      return face({ tone: 'again', form: 'across', words: ['OK', 'SIGN?'], icon: 'diamonds', hint: ['and call them'], soft: `${left} left`, press });
    }
    return face({ tone: 'prompt', form: 'words', words: ['OK', 'SIGN?'], icon: 'disc', hint: ['press when', 'you see it'], soft: `${left} left`, press });
  }
  /** @type {SlabPress} */
  const press = { record: 'look', kind };
  if (ladder) return lookFace(ladder.rung, press, '');
  if (away) {
    return face({
      tone: 'prompt', form: 'words', words: ['LOOK', 'AT', 'THEM'], icon: 'lens', hint: ['press when', 'you have looked'],
      soft: `away ${clockText(away.ms)}`, press,
    });
  }
  if (!status.watch_locked) {
    return face({
      tone: 'wait', form: 'words', words: ['END THE', 'WATCH'], hint: ['press until', 'it is full'], press: { record: 'watch-ended', kind: 'up' },
    });
  }
  const look = status.next_abs.find((r) => r.rung === 'prompt');
  const label = look ? ['next', 'look in'] : ['watch', 'ends in'];
  const count = untilText(look?.at ?? status.watch_end_at ?? now, now);
  return face({ tone: 'wait', form: 'count', label, count, hint: ['stay with them'], press });
}
