// What the board has to sound, over all its pairs: one voice at a time, and after each alarm signal the number of the pair
// it is for. It remembers only the signals it has begun, so that whose turn it is does not change under way. All times are
// shared ms.

import { KNOCK_FIVE_STEP_MS, KNOCK_STEP_MS, SOUNDS } from './patterns.js';
import { AHEAD_MS, faults } from './schedule.js';

/** @typedef {import('./schedule.js').SoundItem} SoundItem */

/** From a pair's alarm to the high signal: until then the board calls at a medium one, for a buddy who is there may answer (own). */
export const HIGH_AFTER_MS = 5000;
/**
 * While another pair's alarm stands at which nobody is, a pair that somebody is with is called at the medium signal, and so seldom
 * (ms, own): help may have to come, and others go first. Else it stays full (H24).
 */
export const ATTENDED_MS = 15_000;
/** Between a signal and the number, and between the number and the next signal (own). */
const GAP_MS = 150;
/** A spoken number takes about this long (own). */
const SAY_MS = 1700;
/** A prompt that another signal keeps from sounding for this long is left to the rung after it (own). */
const PROMPT_WAIT_MS = 2000;
/** An upper bound on signals laid in one go: a minute of them. */
const MOST = 100;

/**
 * A rung that this board sounds in place of a pair's phones, until something higher sounds.
 * @typedef {{rung: 'prompt' | 'again', at: number, until: number}} TakenRung
 */

/**
 * What may have to be heard of one pair.
 * @typedef {object} HeardPair
 * @property {string} pair
 * @property {number} number
 * @property {number | null} alarm_at when its alarm began, or will begin if nothing happens; null where none will
 * @property {string} words of the alarm, spoken after its number
 * @property {boolean} attended somebody is with them
 * @property {number} quiet_until somebody is or was going: nothing of its alarm sounds here before this instant
 * @property {TakenRung[]} rungs
 */

/**
 * @typedef {object} Signal
 * @property {HeardPair} of
 * @property {'call' | 'alarm' | 'prompt' | 'again'} sound
 * @property {string} turn the same for all signals of one alarm or one rung
 * @property {number} n counting from 0 within the turn
 * @property {number} at
 * @property {number} end when the next signal may begin
 */

/**
 * @typedef {object} BoardVoice
 * @property {(pairs: HeardPair[], now: number, how: {speaks: boolean, fault_at: number | null}) => SoundItem[]} plan the list for the player's
 *   `lay`, sorted by start. `speaks`: the browser has a voice of its own; without one the number is knocked. `fault_at`: since when
 *   this board itself is at fault
 */

const HEIGHT = Object.freeze({ prompt: 1, again: 2, alarm: 3 });

/**
 * The rungs below the alarm that stand or are to come, each until a higher one takes its place.
 * @param {import('./schedule.js').SoundStatus} status
 * @param {number} now
 * @returns {TakenRung[]}
 */
export function takenRungs(status, now) {
  const standing = [status.ladder, status.bring_up].filter((r) => r !== null);
  const all = [...standing, ...status.next_abs.filter((r) => r.at > now)].sort((a, b) => a.at - b.at);
  const height = (/** @type {{rung: string}} */ r) => HEIGHT[/** @type {keyof typeof HEIGHT} */ (r.rung)] ?? 0;
  const alarm = all.find((r) => r.rung === 'alarm')?.at ?? Infinity;
  return all.flatMap((r) => {
    if ((r.rung !== 'prompt' && r.rung !== 'again') || r.at >= alarm) return [];
    const higher = all.find((o) => o.at >= r.at && height(o) > height(r));
    return [{ rung: r.rung, at: r.at, until: Math.min(alarm, higher?.at ?? Infinity) }];
  });
}

/** @returns {BoardVoice} */
export function newBoardVoice() {
  /** What has been laid and not been lifted, in order; what has begun keeps its time. @type {Signal[]} */
  let laid = [];
  return {
    plan(of, now, { speaks, fault_at }) {
      const unmet = of.some((p) => !p.attended && p.alarm_at !== null && p.alarm_at <= now);
      // With no alarm to give way to, one that somebody is at stays full.
      const pairs = unmet ? of : of.map((p) => ({ ...p, attended: false }));
      const turns = new Map(pairs.flatMap((p) => turnsOf(p, now).map((turn) => [turn, p])));
      const begun = laid.flatMap((s) => {
        const whose = turns.get(s.turn);
        return whose && s.at <= now && s.end > now - AHEAD_MS ? [{ ...s, of: whose }] : [];
      });
      laid = [...begun, ...signalsFrom(begun, pairs, now, speaks)];
      // A fault that had no room when its time came is not made up for in the middle.
      const faulty = fault_at === null ? [] : faults(fault_at, now).filter((f) => laid.every((s) => f.at + SOUNDS.fault.length_ms + GAP_MS < s.at || f.at > s.end));
      return [...laid.filter((s) => s.end > now).flatMap((s) => soundsOf(s, speaks)), ...faulty].sort((a, b) => a.at - b.at);
    },
  };
}

/** After each time of quiet the signals are counted anew. @param {HeardPair} p */
const alarmTurn = (p) => `${p.pair}:alarm@${p.alarm_at}${Number.isFinite(p.quiet_until) ? `>${p.quiet_until}` : ''}`;
/** @param {HeardPair} p @param {TakenRung} r */
const rungTurn = (p, r) => `${p.pair}:${r.rung}@${r.at}`;

/**
 * The turns that may sound now; what is in none of them is cut short.
 * @param {HeardPair} p
 * @param {number} now
 */
function turnsOf(p, now) {
  const alarm = p.alarm_at !== null && p.quiet_until <= now ? [alarmTurn(p)] : [];
  return [...alarm, ...p.rungs.filter((r) => r.until > now).map((r) => rungTurn(p, r))];
}

/**
 * The signals to come, one after another. The one due first is next; of those that wait, a pair's first call goes before
 * the repeats of others, and an alarm before a prompt.
 * @param {Signal[]} begun
 * @param {HeardPair[]} pairs
 * @param {number} now
 * @param {boolean} speaks
 */
function signalsFrom(begun, pairs, now, speaks) {
  /** @type {Signal[]} */
  const coming = [];
  /** @type {Map<string, Signal>} the newest signal of each turn */
  const last = new Map(begun.map((s) => [s.turn, s]));
  // What is learnt late begins now and is said whole: its number is worth as much as its call.
  let free = Math.max(now, ...begun.map((s) => s.end));
  while (coming.length < MOST) {
    const next = pairs
      .flatMap((p) => [alarmDue(p, last, free), ...p.rungs.map((r) => rungDue(p, r, last, free))])
      .flatMap((due) => (due && due.at <= now + AHEAD_MS ? [due] : []))
      .sort((a, b) => a.at - b.at || a.after - b.after || a.due - b.due || a.of.number - b.of.number)[0];
    if (!next) break;
    const { of, sound, turn, n, at } = next;
    const named = sound === 'call' || sound === 'alarm' ? GAP_MS + nameMs(of.number, speaks) : 0;
    const signal = { of, sound, turn, n, at, end: at + SOUNDS[sound].length_ms + named + GAP_MS };
    last.set(turn, signal);
    free = signal.end;
    coming.push(signal);
  }
  return coming;
}

/** @typedef {Omit<Signal, 'end'> & {due: number, after: number}} Due a signal that wants to begin at `due` and can at `at` */

/**
 * @param {HeardPair} of
 * @param {Map<string, Signal>} last
 * @param {number} free
 * @returns {Due | null}
 */
function alarmDue(of, last, free) {
  if (of.alarm_at === null) return null;
  const turn = alarmTurn(of);
  const before = last.get(turn);
  const high_at = of.alarm_at + HIGH_AFTER_MS;
  const wanted = !before ? of.alarm_at : of.attended ? before.at + ATTENDED_MS : before.sound === 'call' ? high_at : before.at + SOUNDS.alarm.repeat_ms;
  const due = Math.max(wanted, of.quiet_until);
  const at = Math.max(due, free);
  return { of, sound: of.attended || at < high_at ? 'call' : 'alarm', turn, n: before ? before.n + 1 : 0, at, due, after: of.attended ? 3 : before ? 1 : 0 };
}

/**
 * @param {HeardPair} of
 * @param {TakenRung} rung
 * @param {Map<string, Signal>} last
 * @param {number} free
 * @returns {Due | null}
 */
function rungDue(of, rung, last, free) {
  const turn = rungTurn(of, rung);
  const before = last.get(turn);
  if (before && rung.rung === 'prompt') return null;
  const due = before ? before.at + SOUNDS.again.repeat_ms : rung.at;
  const at = Math.max(due, free);
  if (at >= rung.until || (rung.rung === 'prompt' && at - due > PROMPT_WAIT_MS)) return null;
  return { of, sound: rung.rung, turn, n: before ? before.n + 1 : 0, at, due, after: 2 };
}

/**
 * A number as knocks: a long one for each five, a short one for each one.
 * @param {number} number
 * @returns {{at_ms: number, sound: 'knock' | 'knock-five'}[]}
 */
export function knocksOf(number) {
  /** @type {{at_ms: number, sound: 'knock' | 'knock-five'}[]} */
  const knocks = [];
  let at_ms = 0;
  for (let left = number; left > 0; left -= left >= 5 ? 5 : 1) {
    knocks.push({ at_ms, sound: left >= 5 ? 'knock-five' : 'knock' });
    at_ms += left >= 5 ? KNOCK_FIVE_STEP_MS : KNOCK_STEP_MS;
  }
  return knocks;
}

/** @param {number} number @param {boolean} speaks */
function nameMs(number, speaks) {
  if (speaks) return SAY_MS;
  const end = knocksOf(number).at(-1);
  return end ? end.at_ms + SOUNDS[end.sound].length_ms : 0;
}

/**
 * @param {Signal} signal
 * @param {boolean} speaks
 * @returns {SoundItem[]}
 */
function soundsOf({ of, sound, turn, n, at }, speaks) {
  const key = `board:${turn}#${n}`;
  if (sound === 'prompt' || sound === 'again') {
    const rung = of.rungs.find((r) => rungTurn(of, r) === turn);
    return [{
      at, sound, level: 1, key, pair: of.pair, pair_number: of.number, late: sound === 'prompt' ? 'whole' : 'join', rung: sound,
      due: rung?.at ?? at, ...(rung && at + SOUNDS[sound].length_ms > rung.until ? { cut_at: rung.until } : {}),
    }];
  }
  const due = of.alarm_at ?? at;
  const name_at = at + SOUNDS[sound].length_ms + GAP_MS;
  /** @type {SoundItem[]} */
  const name = speaks
    ? [{ at: name_at, sound: null, level: 1, key: `${key}:say`, say: `pair ${of.number}. ${of.words}` }]
    : knocksOf(of.number).map((k, i) => ({ at: name_at + k.at_ms, sound: k.sound, level: 1, key: `${key}:${i}` }));
  return [{ at, sound, level: 1, key, pair: of.pair, late: 'join', rung: 'alarm', due }, ...name];
}
