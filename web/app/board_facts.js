/**
 * What the board knows of one pair, as one row says it. Pure: from the pair's
 * hold and its devices to plain facts; board_words.js says them, views/board_row.js draws them.
 *
 * A pair in a hold is live while a phone that can record its buddy's presses
 * is heard of and this board itself hears its host. Without that nothing runs
 * on its row: what was last known stands still, and says so. A pair whose
 * phones are gone is judged by its silence all the same, and its alarm comes;
 * a board that hears no host says that of itself, and makes no alarms of it.
 */

import { readPlan } from '../rules/plan.js';
import { statusAt } from '../rules/status.js';
import { isRunning } from './book.js';
import { goingOf } from './going.js';
import { NEEDS, RANK } from './board_order.js';
import { anotherIsFit, isAt, isFit, partOf, unheardMs } from './rungs.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../rules/status.js').Status} Status */
/** @typedef {import('./rungs.js').Present} Present */

/**
 * A device not heard for this long is not live on a board (ms): in a hold as soon as it is stale, before and after one only
 * when it is lost (PROTOCOL, section 6).
 */
export const UNHEARD_HOLD_MS = 3000;
export const UNHEARD_IDLE_MS = 12_000;
/** A board that has not heard its host for longer than this says so of itself and of every pair (ms). */
export const LOST_MS = 3000;

/**
 * A pair as the board has it.
 * @typedef {object} BoardPair
 * @property {string} pair
 * @property {number} number
 * @property {Hold | null} hold the running one, else the newest
 * @property {Record<string, unknown> | null} newest_plan data of its newest plan, for names before a hold
 * @property {Present[]} present its devices, ages grown to now
 * @property {{device: string, role: string, state: import('./rungs.js').PresenceState}} [me] this board
 * @property {number} lost_ms for how long this board has not heard from its host; 0 while it does
 * @property {number | null} [told_alarm_at] since when an alarm stands as the host finds by its own fold, shared ms
 * @property {number | null} [kept_at] since when an alarm sounds on here that the history no longer knows, shared ms
 */

/**
 * @typedef {object} RowFacts
 * @property {string} pair
 * @property {number} number
 * @property {string} diver
 * @property {string} buddy
 * @property {Present[]} devices its devices, without instructors'
 * @property {Hold | null} hold
 * @property {Status | null} status as it must be judged
 * @property {Status | null} seen as it was last seen: the same while live
 * @property {number} at shared ms
 * @property {number} seen_at shared ms up to which this pair is known
 * @property {boolean} running in a hold, its recovery, watch or incident
 * @property {number} silent_ms for how long it is not live; 0 while it is; Infinity where it has no phone at all
 * @property {boolean} lost this board does not hear its host: what it knows is judged as it was then
 * @property {boolean} unseen its count is over and no phone of it is heard: it may be in a hold of which nobody tells
 * @property {number} rank
 * @property {number | null} since when its alarm began, shared ms; null while none stands
 * @property {{id: string, name: string, until: number} | null} going who is going to it
 * @property {boolean} met somebody is, or is with them already
 * @property {boolean} attended somebody is with them in an incident
 * @property {number | null} next_alarm_at when its next alarm comes if nothing happens, shared ms
 * @property {boolean} no_voice this board has to sound its rungs, as no device of the pair can
 * @property {boolean} voiced it can
 * @property {{device: string, role: string, name: string} | null} voice the device that sounds its rungs
 * @property {boolean} simulated its people's phones are invented: they make no sound, and nobody has to make it for them
 * @property {number | null} battery lowest charge known of its phones, percent
 * @property {number | null} doubt_ms largest clock doubt told by its phones
 * @property {boolean} kept
 */

/**
 * @param {BoardPair} pair
 * @param {number} at shared ms
 * @returns {RowFacts}
 */
export function rowFacts(pair, at) {
  const { hold } = pair;
  const present = hold ? statusAt(hold, at) : null;
  const running = isRunning(present?.phase);
  const devices = pair.present.filter((p) => p.role !== 'instructor');
  const phones = devices.filter((p) => p.device !== pair.me?.device);
  const silent = silentMs(phones, pair.lost_ms, running || present?.phase === 'breathe-up');
  const seenAt = running && Number.isFinite(silent) ? Math.max(at - silent, lastToldAt(hold, at)) : at;
  const seen = hold && silent > 0 && running ? statusAt(hold, seenAt) : present;
  const lost = pair.lost_ms > 0;
  // What a board does not hear of for a moment it makes no alarm of, nor says that it is gone.
  const status = !lost || !hold ? present : silent > 0 ? seen : statusAt(hold, at - pair.lost_ms);
  const unseen = present?.phase === 'breathe-up' && silent > 0 && present.zero_at !== null && present.zero_at <= at;
  const attended = status?.incident?.with_them === true;
  const kept = pair.kept_at ?? null;
  const going = hold ? goingOf(hold, at) : null;
  const place = { hold: hold?.id ?? null, phase: status?.phase ?? null, stage: status?.stage ?? null };
  const plan = status?.plan ?? (pair.newest_plan ? readPlan(pair.newest_plan) : null);
  const since = alarmSince(status) ?? pair.told_alarm_at ?? kept;
  return {
    pair: pair.pair,
    number: pair.number,
    diver: plan?.diver ?? '',
    buddy: plan?.buddy ?? '',
    devices,
    hold,
    status,
    seen,
    at,
    seen_at: seenAt,
    running,
    silent_ms: silent,
    lost,
    unseen,
    rank: since === null ? rankOf(status, unseen || (running && silent > 0)) : RANK.alarm,
    since,
    going,
    met: going !== null || attended,
    attended,
    next_alarm_at: status?.next_abs.find((r) => r.rung === 'alarm')?.at ?? null,
    no_voice: running && !lost && takesOver(pair.me, devices, place),
    voiced: pair.me !== undefined && isFit(pair.me.state),
    voice: voiceOf(phones, place),
    simulated: isSimulated(phones),
    battery: lowest(phones.map((p) => p.state.battery)),
    doubt_ms: largest(phones.map((p) => p.state.doubt_ms)),
    kept: kept !== null && alarmSince(status) === null,
  };
}

/**
 * For how long nothing was heard that could tell of the buddy's presses, 0 where that is no time at all.
 * @param {Present[]} devices
 * @param {number} lostMs
 * @param {boolean} inHold
 */
function silentMs(devices, lostMs, inHold) {
  const buddies = devices.filter((p) => p.role === 'buddy');
  const ages = (buddies.length > 0 ? buddies : devices.filter((p) => p.role === 'diver')).map((p) => p.age_ms);
  const age = ages.length === 0 ? Infinity : Math.min(...ages);
  const limit = inHold ? UNHEARD_HOLD_MS : UNHEARD_IDLE_MS;
  return Math.max(lostMs > LOST_MS ? lostMs : 0, age > limit ? age : 0);
}

/**
 * When the pair's phones told of something last, shared ms.
 * @param {Hold | null} hold
 * @param {number} at
 */
const lastToldAt = (hold, at) => hold?.events.findLast((e) => e.at <= at && e.by !== 'instructor')?.at ?? -Infinity;

/**
 * Whether this board sounds the pair's rungs: an instructor's where no device of the pair is fit, a siren for all where the
 * pair's phones hold it to be the one. Simulated people hear their own phones, and nobody else does.
 * @param {BoardPair['me']} me
 * @param {Present[]} devices
 * @param {{hold: string | null, phase: string | null, stage: string | null}} place
 */
function takesOver(me, devices, place) {
  if (isSimulated(devices)) return false;
  if (me?.role === 'siren') return partOf({ me, present: devices, ...place }).takes;
  return !anotherIsFit(devices, me?.device ?? '', place);
}

/**
 * When the alarm that stands began, shared ms.
 * @param {Status | null} status
 */
export function alarmSince(status) {
  if (!status) return null;
  const at = [status.ladder, status.bring_up].flatMap((r) => (r?.rung === 'alarm' ? [r.at] : []));
  if (status.incident) at.push(status.incident.at);
  return at.length === 0 ? null : Math.min(...at);
}

/**
 * @param {Status | null} status
 * @param {boolean} gone in a hold and not live
 */
function rankOf(status, gone) {
  if (!status) return RANK.idle;
  if (status.phase === 'recovery') return RANK.surfaced;
  const rung = status.standing?.rung;
  if (rung === 'again') return RANK.again;
  if (gone) return RANK.gone;
  if (rung === 'prompt') return RANK.prompt;
  if (status.phase === 'hold') return status.stage === 'late' || status.stage === 'final' ? RANK.tight : RANK.hold;
  if (status.phase === 'watch') return RANK.watch;
  return status.phase === 'breathe-up' ? RANK.breathe : RANK.idle;
}

/**
 * The device that sounds the pair's rungs, as every device of the pair judges it.
 * @param {Present[]} devices first joined first
 * @param {{hold: string | null, phase: string | null, stage: string | null}} place
 */
function voiceOf(devices, place) {
  const limit = unheardMs(place.phase, place.stage);
  const turn = ['buddy', 'siren', 'diver'];
  const fit = devices.filter((p) => p.age_ms <= limit && isAt(p.state, place.hold) && isFit(p.state)).sort((a, b) => turn.indexOf(a.role) - turn.indexOf(b.role));
  return fit.length === 0 ? null : { device: fit[0].device, role: fit[0].role, name: fit[0].name ?? '' };
}

/** @param {Present[]} devices */
const isSimulated = (devices) => devices.some((p) => p.state?.simulated === true);

/** @param {(number | null | undefined)[]} values @returns {number[]} */
const numbers = (values) => values.flatMap((v) => (typeof v === 'number' ? [v] : []));

/** @param {(number | null | undefined)[]} values */
function lowest(values) {
  const known = numbers(values);
  return known.length === 0 ? null : Math.min(...known);
}

/** @param {(number | null | undefined)[]} values */
function largest(values) {
  const known = numbers(values);
  return known.length === 0 ? null : Math.max(...known);
}

/**
 * What an instructor should know before another pair goes in: more pairs at once than one person can watch, or more
 * than one in the final stage.
 * @param {RowFacts[]} rows
 */
export function tooMany(rows) {
  const inHold = rows.filter(maybeInHold).length;
  const final = rows.filter((r) => r.status?.stage === 'final').length;
  return { in_hold: inHold, final, pairs: inHold > MOST_PAIRS, finals: final > 1 };
}

/** In a hold, as far as anybody knows. @param {RowFacts} row */
export const maybeInHold = (row) => row.running || row.unseen;

/** More pairs than this in the water at once are too many for one person (own). */
export const MOST_PAIRS = 4;

/** @param {RowFacts} row */
export const needsSomebody = (row) => row.rank <= NEEDS;
