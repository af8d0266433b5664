/**
 * What a row of the board says. Pure. Lower case is information, capitals are
 * a signal.
 */

import { FAULT_DOUBT_MS } from './time.js';
import { clockText } from './clock_text.js';

/** @typedef {import('./board_facts.js').RowFacts} RowFacts */
/** @typedef {import('../rules/status.js').Status} Status */

/** A charge from which on the battery is told (percent, own). */
const LOW_BATTERY = 20;

/**
 * @typedef {object} RowWords
 * @property {'alarm' | 'again' | 'prompt' | 'gone' | 'calm'} tone
 * @property {'octagon' | 'diamond' | 'disc' | 'hatch' | null} shape
 * @property {string} main
 * @property {string} clock the digits, '' for none
 * @property {boolean} runs the digits go on: never where a pair is not live
 * @property {string} lead what is read from afar beside it: stage and silence, or what is left until the alarm
 * @property {string} sub one quieter line
 * @property {boolean} up surfaced, and no OK sign was seen yet
 * @property {boolean} gone in a hold, or counting down to one, and not live
 * @property {string[]} faults each with the hatch before it
 * @property {string} voice which device has the sound
 * @property {string} link
 * @property {string} doubt of the clocks, where it is no fault
 * @property {string} battery
 * @property {string} label the whole row for a screen reader
 */

/** @type {Record<string, string>} */
const CALL = { look: 'look', tap: 'tap', up: 'bring up', ok: 'OK sign', awake: 'awake?', help: 'help' };
/** @type {Record<string, string>} */
const ALARM = { look: 'LOOK AT THEM', up: 'BRING THEM UP', ok: 'NO OK SIGN', awake: 'NOT AWAKE', help: 'TROUBLE' };
/** @type {Record<string, string>} */
const SIGN = { limp: 'LIMP', shaking: 'SHAKING', air: 'AIR' };
/** @type {Record<string, string>} */
const TROUBLE = { lmc: 'LMC', blackout: 'BLACKOUT' };

/**
 * @param {RowFacts} row
 * @returns {RowWords}
 */
export function rowWords(row) {
  const signal = signalOf(row);
  const gone = isGone(row);
  const clock = clockOf(row);
  const words = {
    ...signal,
    clock,
    runs: clock !== '' && !gone,
    gone,
    ...besideOf(row),
    up: row.status?.phase === 'recovery' && row.since === null && !gone,
    faults: faultsOf(row),
    voice: voiceWords(row),
    link: linkWords(row),
    doubt: doubtWords(row),
    battery: batteryWords(row),
  };
  const names = [row.diver, row.buddy].filter(Boolean).join(' and ') || 'no names yet';
  const told = [`pair ${row.number}`, names, words.main, words.clock, words.lead, words.sub, ...words.faults, goingWords(row)];
  return { ...words, label: told.filter(Boolean).join(', ') };
}

/** @param {RowFacts} row */
const isGone = ({ running, status, silent_ms: silent }) => silent > 0 && (running || status?.phase === 'breathe-up');

/**
 * @param {RowFacts} row
 * @returns {Pick<RowWords, 'tone' | 'shape' | 'main'>}
 */
function signalOf(row) {
  const { status, silent_ms: silent } = row;
  if (row.since !== null) {
    return { tone: 'alarm', shape: 'octagon', main: alarmWords(row) };
  }
  if (!status && row.lost && silent > 0) return { tone: 'calm', shape: 'hatch', main: 'not known' };
  if (!status) return { tone: 'calm', shape: null, main: silent === Infinity ? 'no phone yet' : 'no plan yet' };
  const { standing } = status;
  if (standing?.rung === 'again') return { tone: 'again', shape: 'diamond', main: `${CALL[standing.asks].toUpperCase()} AGAIN` };
  if (isGone(row)) return { tone: 'gone', shape: 'hatch', main: linkWords(row) };
  if (standing?.rung === 'prompt') return { tone: 'prompt', shape: 'disc', main: promptWords(standing.asks) };
  if (silent > 0) return { tone: 'calm', shape: 'hatch', main: linkWords(row) };
  return { tone: 'calm', shape: null, main: calmWords(row, status) };
}

/**
 * What was pressed that calls the diver up at once: why somebody is needed, in a word.
 * @param {Pick<RowFacts, 'hold'>} row
 * @param {number} at when that alarm was reached
 */
function pressedWords({ hold }, at) {
  const pressed = hold?.events.find((e) => e.at === at && (e.kind === 'no-answer' || e.kind === 'sign'));
  return pressed?.kind === 'no-answer' ? 'NO ANSWER' : (SIGN[String(pressed?.data?.what)] ?? null);
}

/**
 * The words of the alarm that stands, as the pair's own phones say them.
 * @param {RowFacts} row
 */
export function alarmWords({ hold, status, kept }) {
  if (!status) return 'CHECK THEM';
  if (status.incident) return TROUBLE[status.incident.what] ?? 'TROUBLE';
  const up = status.bring_up;
  const pressed = up?.rung === 'alarm' ? pressedWords({ hold }, up.at) : null;
  if (pressed) return pressed;
  if (up) return ALARM.up;
  if (kept) return 'CHECK THEM';
  const alarm = status.ladder;
  if (alarm?.asks !== 'tap') return ALARM[alarm?.asks ?? ''] ?? 'CHECK THEM';
  const asked = status.asked_at !== null && status.prompt_at !== null && status.asked_at >= status.prompt_at;
  return asked ? 'NO ANSWER' : 'CHECK THEM';
}

/** @param {string} asks */
function promptWords(asks) {
  if (asks === 'up') return 'bring them up';
  return asks === 'awake' ? 'awake?' : asks === 'ok' ? 'OK sign?' : `${CALL[asks] ?? asks} due`;
}

/**
 * @param {RowFacts} row
 * @param {Status} status
 */
function calmWords({ at }, status) {
  switch (status.phase) {
    case 'hold': {
      const next = status.next[0];
      if (!next || status.start_at === null) return 'hold';
      return `next ${CALL[next.asks] ?? next.asks} ${clockText(Math.max(0, status.start_at + next.at_ms - at))}`;
    }
    case 'recovery':
      return 'up, no OK yet';
    case 'watch':
      return 'watch';
    case 'breathe-up':
      return 'breathe-up';
    case 'over':
      return 'rest';
    default:
      return 'planned';
  }
}

/**
 * The digits: time in the hold, since surfacing, since the trouble began, or up to zero. Outside a hold nothing runs for a
 * pair that is not live; in one the digits stand where they were last seen.
 * @param {RowFacts} row
 */
function clockOf({ seen, seen_at: at, running, silent_ms: silent }) {
  if (!seen || (silent > 0 && !running)) return '';
  switch (seen.phase) {
    case 'hold':
      return clockText(at - Number(seen.start_at));
    case 'recovery':
    case 'watch':
      return clockText(at - Number(seen.recovered_at ?? seen.surfaced_at));
    case 'incident':
      return clockText(at - Number(seen.incident?.at));
    case 'breathe-up':
      return seen.zero_at !== null && seen.zero_at > at ? clockText(seen.zero_at - at) : '';
    case 'over': {
      const since = seen.recovered_at ?? seen.surfaced_at;
      return since === null ? '' : clockText(at - since);
    }
    default:
      return '';
  }
}

/**
 * @param {RowFacts} row
 * @returns {Pick<RowWords, 'lead' | 'sub'>}
 */
function besideOf(row) {
  const { status, seen } = row;
  if (!status || !seen) return { lead: '', sub: '' };
  if (row.running && row.silent_ms > 0) {
    const last = `last seen in ${seen.stage || seen.phase}`;
    return row.since === null ? { lead: last, sub: '' } : { lead: linkWords(row), sub: last };
  }
  if (row.unseen) return { lead: `zero passed ${clockText(row.at - Number(status.zero_at))} ago`, sub: 'a hold may be running' };
  const held = status.start_at !== null && status.surfaced_at !== null ? `hold ${clockText(status.surfaced_at - status.start_at)}` : '';
  const alarmAt = row.next_alarm_at;
  const left = row.since === null && status.standing !== null && alarmAt !== null ? `alarm in ${clockText(Math.max(0, alarmAt - row.at))}` : '';
  const asleep = row.silent_ms > 0 && row.since === null ? calmWords(row, status) : '';
  switch (status.phase) {
    case 'hold': {
      const silence = `silence ${clockText(status.silence_ms ?? 0)}`;
      const stage = status.stage ?? '';
      if (row.since !== null) return { lead: silence, sub: stage };
      return { lead: joined(stage, left || silence), sub: left ? silence : '' };
    }
    case 'incident':
      return { lead: status.incident?.with_them ? 'somebody is with them' : 'nobody is with them yet', sub: '' };
    case 'planned':
    case 'breathe-up':
      return { lead: joined(asleep, status.plan ? `plan ${clockText(status.plan.planned_s * 1000)}` : ''), sub: '' };
    default:
      return { lead: joined(asleep, troubleWords(row), left || held), sub: left ? held : '' };
  }
}

/** @param {string[]} words */
const joined = (...words) => words.filter(Boolean).join(', ');

/**
 * What trouble the diver has recovered from in this hold, '' for none: it stays beside the calm words that follow it.
 * @param {RowFacts} row
 */
function troubleWords({ hold, status }) {
  if (!hold || (status?.recovered_at ?? null) === null) return '';
  const said = new Set(hold.events.filter((e) => e.kind === 'incident').map((e) => e.data?.what));
  return said.has('blackout') ? 'passed out' : said.has('lmc') ? 'LMC' : 'trouble';
}

/** @param {RowFacts} row */
function faultsOf(row) {
  const faults = [];
  if (row.running && row.no_voice) faults.push(row.voiced ? 'this board has its sound' : 'nobody has its sound');
  if ((row.doubt_ms ?? 0) > FAULT_DOUBT_MS) faults.push('clock may be off');
  if (row.battery !== null && row.battery <= LOW_BATTERY) faults.push(`battery ${row.battery} %`);
  return faults;
}

/** @param {RowFacts} row */
function voiceWords({ voice, no_voice: none, silent_ms: silent, simulated }) {
  if (voice) return `sound: ${voice.name || (voice.role === 'diver' ? 'diver’s phone' : voice.role)}`;
  if (simulated) return 'simulated';
  return none ? '' : silent > 0 ? '' : 'sound not proven';
}

/** The charge of the weakest phone where it is known and no fault yet. @param {RowFacts} row */
function batteryWords({ battery, silent_ms: silent }) {
  return battery !== null && Number.isFinite(silent) && battery > LOW_BATTERY ? `${battery} %` : '';
}

/** @param {RowFacts} row */
function doubtWords({ doubt_ms: doubt, silent_ms: silent }) {
  return doubt !== null && silent === 0 && doubt <= FAULT_DOUBT_MS ? `±${Math.ceil(doubt)} ms` : '';
}

/** @param {RowFacts} row */
function linkWords({ silent_ms: silent }) {
  if (silent === 0) return 'live';
  return Number.isFinite(silent) ? `not live ${clockText(silent)}` : 'no phone';
}

/** @param {Pick<RowFacts, 'going' | 'at'>} row */
export function goingWords({ going, at }) {
  if (!going) return '';
  return `${going.name || 'an instructor'} is going, ${Math.max(0, Math.ceil((going.until - at) / 1000))}`;
}

/**
 * More pairs at once, or more of them in their final stage, than one person can watch; '' where it is neither.
 * @param {ReturnType<typeof import('./board_facts.js').tooMany>} many
 */
export function manyWords({ in_hold: held, final, pairs, finals }) {
  if (!pairs && !finals) return '';
  const all = [pairs ? `${held} pairs in holds or watched` : '', finals ? `${final}${pairs ? '' : ' pairs'} in their final stage` : ''];
  return `${all.filter(Boolean).join(', ')} at once: more than one person can watch`;
}
