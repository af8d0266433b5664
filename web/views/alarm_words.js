// What the full screen of an alarm says, and which two keys it has. Pure; alarm.js draws it.

import { clockText } from '../app/clock_text.js';

/** @typedef {import('../rules/status.js').Status} Status */

/** A press of one's own that can still be taken back. */
/** @typedef {{id: string, kind: string, at: number, left_ms: number}} OwnPress */

/**
 * @typedef {object} AlarmFacts
 * @property {Status} status
 * @property {number} now shared ms
 * @property {boolean} dry
 * @property {boolean} kept the history says by now that no alarm stands, but nothing has lifted the one that sounds here
 * @property {OwnPress[]} takeBack
 * @property {(kinds: string[], at: number) => {kind: string, what: string}|null} eventAt the event of one of these kinds at that instant
 * @property {number|null} prompted_at when the checks that run now were prompted
 * @property {{what: string, ms_ago: number}|null} last the last answer or look
 */

/**
 * A key of the alarm screen. `record` names an event; `do` something else.
 * @typedef {object} AlarmKey
 * @property {string[]} words
 * @property {string} soft
 * @property {'answered'|'surfaced'|'ok'|'look'|'incident'|null} record
 * @property {'quiet'|'take-back'|null} does
 * @property {string} [target] id of the press to take back
 * @property {'up'|'alarm'} kind
 */

/**
 * @typedef {object} AlarmFace
 * @property {string} head
 * @property {string} since
 * @property {string[]} big
 * @property {string[]} steps
 * @property {AlarmKey|null} left outlined, the less cautious choice: takes a second
 * @property {AlarmKey|null} right filled, the one thing to do; null on a device that only sounds
 * @property {boolean} trouble is [trouble] a key of its own here?
 * @property {string} meaning
 */

/** From a cause that may be followed by hand to each rung of "bring them up", ms (PROTOCOL.md, 3.6). */
const UP_AFTER_MS = Object.freeze({ prompt: 0, again: 4000, alarm: 8000 });

/** @type {Record<string, string>} */
const SIGN_HEAD = { shaking: 'SHAKING', air: 'AIR', limp: 'LIMP' };

/** What to do where the diver is to come up. */
const BRING_UP = { big: ['BRING', 'THEM', 'UP'], steps: ['tap them, tell them:', 'up, and breathe'] };

/** @type {AlarmKey} */
const UP = { words: ['UP'], soft: '', record: 'surfaced', does: null, kind: 'up' };
/** @type {AlarmKey} */
const TROUBLE = { words: ['TROUBLE'], soft: '', record: 'incident', does: null, kind: 'up' };

/**
 * @param {string[]} words
 * @param {AlarmKey['record']} record
 * @returns {AlarmKey}
 */
const second = (words, record) => ({ words, soft: 'press 1 s', record, does: null, kind: 'alarm' });

/**
 * @param {AlarmFacts} facts
 * @returns {AlarmFace|null} null while no alarm stands
 */
export function alarmFace(facts) {
  const { status } = facts;
  if (status.incident) return null;
  const face = status.phase === 'hold' ? holdAlarm(facts) : watchAlarm(facts);
  if (face) return face;
  if (!facts.kept) return null;
  const up = status.phase === 'hold' ? status.bring_up : null;
  const words = up
    ? { head: causeOf(facts, up).head, ...BRING_UP }
    : { head: 'ALARM', big: ['CHECK', 'THEM', 'NOW'], steps: ['what came in late', 'ended this alarm'] };
  return complete({
    ...words, since: sinceWords(facts),
    left: { words: ['quiet'], soft: 'press 1 s', record: null, does: 'quiet', kind: 'alarm' },
    right: status.phase === 'hold' ? UP : TROUBLE, trouble: status.phase === 'hold',
  });
}

/**
 * @param {Omit<AlarmFace, 'meaning'>} face
 * @returns {AlarmFace}
 */
function complete(face) {
  return { ...face, meaning: `${face.head} ${face.left?.record ?? face.left?.does ?? '-'} ${face.left?.target ?? ''}` };
}

/**
 * The same alarm on a device that is not the buddy's: nothing there lifts it, [trouble] at most calls for more.
 * @param {AlarmFace|null} face
 * @param {boolean} trouble offer [trouble]
 * @returns {AlarmFace|null}
 */
export function onlookerFace(face, trouble) {
  if (!face) return null;
  const left = face.left?.does === 'quiet' ? face.left : null;
  return complete({ ...face, left, right: trouble ? TROUBLE : null, trouble: false });
}

/** @param {AlarmFacts} facts */
function sinceWords({ last }) {
  return last ? `last ${last.what} ${clockText(last.ms_ago)} ago` : '';
}

/**
 * What called the diver up.
 * @param {AlarmFacts} facts
 * @param {{rung: 'prompt'|'again'|'alarm', at: number}} up what stands of "bring them up", and when that was reached
 */
function causeOf({ status, eventAt }, { rung, at }) {
  const pressed = rung === 'alarm' ? eventAt(['no-answer', 'sign'], at) : null;
  if (pressed) return { ...pressed, head: pressed.kind === 'sign' ? (SIGN_HEAD[pressed.what] ?? 'SIGN') : 'NO ANSWER', grave: true };
  const planned = status.start_at !== null && at === status.start_at + status.boundaries.end_at_ms + UP_AFTER_MS[rung];
  return { kind: 'end', what: '', head: planned ? 'AGREED END' : 'HOLD ENDED', grave: false };
}

/**
 * In an alarm of the checks "bring them up" is said from its prompt on: whoever ends a hold then means now.
 * @param {AlarmFacts} facts
 * @returns {AlarmFace|null}
 */
function holdAlarm(facts) {
  const { status, dry, takeBack } = facts;
  const up = status.bring_up;
  const check = status.ladder?.rung === 'alarm' ? status.ladder : null;
  if (up?.rung !== 'alarm' && !check) return null;
  const since = sinceWords(facts);
  const cause = up && causeOf(facts, up);
  // An answer lifts the alarm of the checks and never "bring them up".
  const answered = check ? second(['they', 'answered'], 'answered') : null;
  if (up && cause?.grave) {
    const own = takeBack.find((p) => p.at === up.at && (p.kind === 'no-answer' || p.kind === 'sign'));
    const left = own
      ? { ...second(['take', 'back'], null), does: /** @type {const} */ ('take-back'), target: own.id, soft: secondsLeft(own) }
      : answered;
    return complete({ head: cause.head, since, ...limpWords(dry), left, right: UP, trouble: true });
  }
  if (check && askedSincePrompt(facts)) {
    return complete({ head: 'NO ANSWER', since, ...limpWords(dry), left: answered, right: UP, trouble: true });
  }
  if (cause) {
    return complete({ head: cause.head, since, ...BRING_UP, left: answered, right: UP, trouble: true });
  }
  return complete({
    head: 'NOT CHECKED', since, big: ['CHECK', 'THEM', 'NOW'], steps: ['tap and call', dry ? 'no answer: airway' : 'no answer: up'], left: answered, right: UP,
    trouble: true,
  });
}

/** @param {OwnPress} press */
export function secondsLeft(press) {
  return String(Math.max(1, Math.ceil(press.left_ms / 1000)));
}

/**
 * Has somebody asked since the prompt?
 * @param {AlarmFacts} facts
 */
function askedSincePrompt({ status, prompted_at }) {
  return status.asked_at !== null && prompted_at !== null && status.asked_at >= prompted_at;
}

/** @param {boolean} dry */
function limpWords(dry) {
  return dry
    ? { big: ['OPEN', 'THE', 'AIRWAY'], steps: ['CALL THEIR NAME', 'tap, talk, blow'] }
    : { big: ['BRING', 'THEM', 'UP'], steps: ['airway up, mask off', 'tap, talk, blow'] };
}

/**
 * @param {AlarmFacts} facts
 * @returns {AlarmFace|null}
 */
function watchAlarm(facts) {
  const { status, dry } = facts;
  if (status.ladder?.rung !== 'alarm') return null;
  if (status.ladder.asks === 'ok') {
    return complete({
      head: 'NO OK SIGN', since: sinceWords(facts), big: ['ARE', 'THEY', 'AWAKE?'],
      steps: [dry ? 'airway open' : 'airway out of the water', 'tap, talk, blow'], left: second(['OK', 'sign now'], 'ok'), right: TROUBLE, trouble: false,
    });
  }
  return complete({
    head: 'NO LOOK', since: sinceWords(facts), big: ['LOOK', 'AT', 'THEM'], steps: ['awake? breathing?'],
    left: second(['I see', 'them'], 'look'), right: TROUBLE, trouble: false,
  });
}
