/**
 * What this device has to sound now, laid into the sound part's queue: which
 * rungs are this device's, which alarm goes on although the history has
 * changed, and when a fault has to be heard.
 */

import { dropped } from '../rules/fold.js';
import { statusAt } from '../rules/status.js';
import { holdAlarm, planSounds, RUNGS_HERE } from '../sound/schedule.js';
import { isRunning } from './book.js';
import { anotherIsFit, canBeHeard, partOf } from './rungs.js';

/** @typedef {import('../rules/fold.js').Hold} Hold */
/** @typedef {import('../rules/status.js').Status} Status */
/** @typedef {import('./rungs.js').Present} Present */
/** @typedef {import('./rungs.js').PresenceState} PresenceState */

/** A fault has to last this long before it is heard (ms, own). */
const FAULT_MS = 2000;

/**
 * @typedef {object} VoiceNow
 * @property {import('./rungs.js').Part} part
 * @property {boolean} takes this device sounds all rungs
 * @property {string | null} elected
 * @property {import('../sound/schedule.js').HeldAlarm | null} kept an alarm that still sounds here though none stands
 */

/**
 * @typedef {object} Voice
 * @property {(facts: {hold: Hold | null, status: Status | null, now: number, me: {device: string, role: string, state: PresenceState}, present: Present[], quiet: boolean, mute: boolean, pair_number?: number | null}) => VoiceNow} update
 *   call on every event and at 4 Hz
 * @property {(now: number) => void} quiet a 1 s press on this device
 * @property {() => VoiceNow} state
 */

/**
 * @param {Pick<import('../sound/player.js').Sound, 'lay' | 'keepAwake'>} sound
 * @param {(sharedMs: number) => number} toDevice
 * @returns {Voice}
 */
export function newVoice(sound, toDevice) {
  const keeper = newKeeper();
  /** @type {number | null} */
  let faultSince = null;
  /** @type {VoiceNow} */
  let now = { part: 'buddy', takes: true, elected: null, kept: null };

  return {
    quiet: keeper.quiet,
    state: () => now,
    update({ hold, status, now: at, me, present, quiet, mute, pair_number = null }) {
      const running = isRunning(status?.phase);
      sound.keepAwake(running && !mute);
      if (!hold || !status || mute) {
        sound.lay([], toDevice);
        now = { part: 'siren', takes: false, elected: null, kept: null };
        return now;
      }
      const place = { hold: hold.id, phase: status.phase, stage: status.stage };
      const who = partOf({ me, present, ...place });
      const { held, kept } = keeper.keep(hold, status, at);
      const broken = running && me.role === 'buddy' && !canBeHeard(me.state) && me.state.sound !== 'unproven';
      if (!broken || anotherIsFit(present, me.device, place)) faultSince = null;
      else faultSince ??= at;
      const own = me.role === 'buddy' && who.elected === me.device;
      sound.lay(
        planSounds({
          status,
          now: at,
          rungsHere: RUNGS_HERE[who.part],
          hears: status.plan?.hears,
          setting: status.plan?.setting ?? 'pool',
          // Nobody looks at the light of a phone that stands in for another.
          quietFirst: quiet && (own || who.elected === null) && me.role === 'buddy',
          withThem: status.incident?.with_them ?? false,
          recovery_s: status.plan?.recovery_s,
          fault_at: faultSince !== null && at - faultSince >= FAULT_MS ? faultSince + FAULT_MS : null,
          held,
          pair_number,
        }),
        toDevice,
      );
      now = { ...who, kept };
      return now;
    },
  };
}

/**
 * Remembers the alarm that sounds here: late news may say that it never stood, and it stops all the same only by
 * something stamped after it began that lifts it, or by a press here.
 */
export function newKeeper() {
  /** @type {import('../sound/schedule.js').HeldAlarm | null} */
  let held = null;
  let heldIn = '';
  /** @type {number | null} */
  let pressedAt = null;
  return {
    /** @param {number} at shared ms of a press on this device */
    quiet(at) {
      pressedAt = at;
    },
    /**
     * @param {Hold} hold
     * @param {Status} status
     * @param {number} at
     * @returns {{held: import('../sound/schedule.js').HeldAlarm | null, kept: import('../sound/schedule.js').HeldAlarm | null}} `held` is
     *   what sounds; `kept` the same where no alarm stands any more
     */
    keep(hold, status, at) {
      if (heldIn !== hold.id) {
        held = null;
        heldIn = hold.id;
      }
      const stands = status.incident !== null || [status.ladder, status.bring_up].some((r) => r?.rung === 'alarm');
      const began = held?.began;
      const alarmThen =
        !stands && began !== undefined && (statusAt(hold, began).standing?.rung === 'alarm' || statusAt(hold, began).incident !== null);
      const answered = held && !stands
        ? hold.events.findLast((e) => e.kind === 'answered' && e.by === 'buddy' && e.at <= at && !dropped(hold, e, at))
        : undefined;
      held = holdAlarm(held, { status, now: at, alarmThen, pressed_at: pressedAt, answered_at: answered?.at ?? null });
      return { held, kept: stands ? null : held };
    },
  };
}
