// What this device has to sound, from the status of a hold. Pure: the same status and time give the same list, and a
// sound keeps its key for as long as it is due, so that the player touches only what changed. All times are shared ms.

import { BREATH_MS, SOUNDS } from './patterns.js';

/** @typedef {import('./patterns.js').SoundName} SoundName */
/** @typedef {'prompt'|'again'|'alarm'} RungName */

/**
 * One thing to sound.
 * @typedef {object} SoundItem
 * @property {number} at start, shared ms
 * @property {SoundName|null} sound null for vibration or speech alone
 * @property {number} level factor on the sound's own height, 0 to 1
 * @property {string} key the same for as long as this very sound is due
 * @property {number} [cut_at] shared ms at which it has to be silent, because a higher rung begins
 * @property {'whole'|'join'} [late] what to do if its start has passed: play it whole at once, or come in where the
 *   others are by now. Without it a sound that is late is left out.
 * @property {RungName} [rung] the rung this sounds
 * @property {number} [due] with `rung`: shared ms at which the rung was reached
 * @property {readonly number[]} [buzz] vibration pattern in ms
 * @property {string} [say] words for a voice, if this device has one
 * @property {number|null} [pair_number] the pair's number, for the sounds that have a pitch of the pair's own
 * @property {string} [pair] on the board: the pair it is for
 */

/**
 * What of the rungs a device sounds: a factor for each, and whether it also guides (minutes, breaths, spoken words).
 * @typedef {object} RungsHere
 * @property {number} prompt
 * @property {number} again
 * @property {number} alarm
 * @property {boolean} guides
 * @property {boolean} speaks
 */

/** Who sounds what. A device that takes over the buddy's rungs uses `buddy`. */
export const RUNGS_HERE = Object.freeze({
  buddy: Object.freeze({ prompt: 1, again: 1, alarm: 1, guides: true, speaks: true }),
  diver: Object.freeze({ prompt: 0, again: 0.5, alarm: 1, guides: true, speaks: false }),
  siren: Object.freeze({ prompt: 0, again: 0, alarm: 1, guides: false, speaks: false }),
  none: Object.freeze({ prompt: 0, again: 0, alarm: 0, guides: false, speaks: false }),
});

/**
 * The part of a hold's status that is read here; see web/rules/status.js.
 * @typedef {object} SoundStatus
 * @property {string} phase
 * @property {{struggle_at_ms: number, late_at_ms: number}} boundaries
 * @property {number|null} start_at
 * @property {number|null} surfaced_at
 * @property {number|null} recovered_at
 * @property {number|null} [ok_at]
 * @property {number|null} [over_at]
 * @property {number|null} asked_at
 * @property {number|null} prompt_at
 * @property {{rung: string, asks: string, at: number}|null} ladder
 * @property {{rung: string, asks: string, at: number}|null} bring_up
 * @property {{rung: string, asks: string, at: number}[]} next_abs
 * @property {boolean} awake_due
 * @property {{what: string, at: number, with_them: boolean}|null} incident
 */

/** An alarm that this device has begun to sound: when it was reached, and when it was first heard here. */
/** @typedef {{at: number, began: number}} HeldAlarm */

/** How far ahead repeats, minutes and breaths are laid; longer than a page may be throttled. */
export const AHEAD_MS = 60000;
/** From the light and the vibration of an early prompt to its tone. */
export const QUIET_FIRST_MS = 2000;
/** A vibration older than this is not made up for. */
const STALE_BUZZ_MS = 1000;
const REDUCED_MS = SOUNDS['alarm-reduced'].repeat_ms;
/** Air around a rung's sound that minutes, breaths and faults keep free. */
const CLEAR_MS = 150;
/** Breaths are paced for at least this long, whatever the plan says. */
const LEAST_RECOVERY_MS = 30000;

const RANK = Object.freeze({ prompt: 1, again: 2, alarm: 3 });
/** @type {Readonly<Record<RungName, readonly number[]>>} */
const BUZZ = Object.freeze({
  prompt: Object.freeze([90]),
  again: Object.freeze([150, 100, 150, 100, 150]),
  alarm: Object.freeze([400, 150, 400, 150, 400]),
});

/** @param {string} rung @returns {rung is RungName} */
function isRung(rung) {
  return Object.hasOwn(RANK, rung);
}

/** A rung as it will be heard: from `at` until a higher one begins. */
/** @typedef {{rung: RungName, asks: string, at: number, until: number}} Voice */

/**
 * The rungs that sound one after another if nothing happens. Of the two ladders the higher rung sounds; where they are
 * level the one that began first keeps its rhythm, except that each prompt is heard.
 * @param {SoundStatus} status @param {number} now @param {HeldAlarm|null} held @returns {Voice[]}
 */
function voicesOf(status, now, held) {
  /** @type {Voice[]} */
  const voices = [];
  /** @param {{rung: string, asks: string, at: number}} rung */
  const add = ({ rung, asks, at }) => {
    if (!isRung(rung)) return;
    const last = voices.at(-1);
    if (last) {
      const higher = RANK[rung] - RANK[last.rung];
      if (higher < 0 || (higher === 0 && (rung !== 'prompt' || at === last.at))) return;
      last.until = Math.min(last.until, at);
    }
    voices.push({ rung, asks, at, until: Infinity });
  };
  const standing = [status.ladder, status.bring_up].filter((r) => r !== null);
  if (held && !standing.some((r) => r.rung === 'alarm')) standing.push({ rung: 'alarm', asks: 'tap', at: held.at });
  if (status.incident && !standing.some((r) => r.rung === 'alarm')) {
    standing.push({ rung: 'alarm', asks: 'help', at: status.incident.at });
  }
  const rank = (/** @type {{rung: string}} */ r) => (isRung(r.rung) ? RANK[r.rung] : 0);
  const highest = Math.max(0, ...standing.map(rank));
  standing.filter((r) => rank(r) === highest).sort((a, b) => a.at - b.at).forEach(add);
  status.next_abs.filter((r) => r.at > now).sort((a, b) => a.at - b.at).forEach(add);
  return voices.filter((v) => v.until > v.at);
}

/**
 * How a prompt begins: with light and vibration first and a tone later in the early stages, with a tone at once in late
 * and final, after surfacing, and whenever the diver has to come up.
 * @param {SoundStatus} status @param {Voice} voice @param {boolean} quietFirst @returns {{delay_ms: number, sound: SoundName}}
 */
function promptForm(status, voice, quietFirst) {
  const early = quietFirst && status.phase === 'hold' && status.start_at !== null
    && (voice.asks === 'look' || voice.asks === 'tap')
    && voice.at - status.start_at < status.boundaries.late_at_ms;
  if (!early) return { delay_ms: 0, sound: 'prompt' };
  const easy = voice.at - /** @type {number} */ (status.start_at) < status.boundaries.struggle_at_ms;
  return { delay_ms: QUIET_FIRST_MS, sound: easy ? 'prompt-quiet' : 'prompt' };
}

/**
 * The words for the alarm that stands or comes.
 * @param {SoundStatus} status @param {{asks: string, at: number}} alarm @param {'dry'|'pool'} setting
 */
function alarmWords(status, alarm, setting) {
  switch (alarm.asks) {
    case 'help': return 'call help';
    case 'up': return 'bring them up';
    case 'tap': {
      const asked = status.asked_at !== null && status.prompt_at !== null && status.asked_at >= status.prompt_at;
      if (!asked) return 'check them now';
      return setting === 'dry' ? 'no answer. open the airway, call their name' : 'no answer. bring them up';
    }
    default: return 'check them now';
  }
}

/**
 * Whether a sound that began on this device goes on although the history says by now that no alarm stands. It stops
 * only by something stamped after it began that lifts it, or by a press here.
 * @param {HeldAlarm|null} held what this function gave the last time for the same hold; null at first
 * @param {object} facts
 * @param {SoundStatus} facts.status the status now
 * @param {number} facts.now shared ms
 * @param {boolean} facts.alarmThen whether, as history stands now, an alarm stood at `held.began`: if so, what lifted it
 *   came after, a cause taken back too. Only read while something is held and no alarm stands.
 * @param {number|null} [facts.pressed_at] newest 1 s press on this device that quiets it
 * @param {number|null} [facts.answered_at] the buddy's newest answer: of all proofs it alone lifts an alarm
 * @returns {HeldAlarm|null}
 */
export function holdAlarm(held, { status, now, alarmThen, pressed_at = null, answered_at = null }) {
  const alarms = [status.ladder, status.bring_up].filter((r) => r?.rung === 'alarm').map((r) => r?.at ?? now);
  if (status.incident) alarms.push(status.incident.at);
  if (alarms.length > 0) return held ?? { at: Math.min(...alarms), began: now };
  if (held === null || alarmThen) return null;
  const lifts = [answered_at, status.surfaced_at, status.ok_at, status.recovered_at, status.over_at, pressed_at];
  return lifts.some((at) => typeof at === 'number' && at > held.began) ? null : held;
}

/**
 * Words the diver wants to hear besides the rungs: `minute`, `breaths`. Without any such wish breaths are paced.
 * @param {unknown} hears
 */
function wishes(hears) {
  if (!Array.isArray(hears)) return { minute: false, breaths: true };
  return { minute: hears.includes('minute'), breaths: hears.includes('breaths') };
}

/**
 * Everything this device has to sound from `now` on: the standing rung's repeats for the next minute, every rung still
 * to come, minutes, breaths. Sorted by start. A sound that began before `now` and is still due stays in the list.
 * @param {object} facts
 * @param {SoundStatus} facts.status
 * @param {number} facts.now shared ms
 * @param {RungsHere} facts.rungsHere one of RUNGS_HERE
 * @param {unknown} [facts.hears] `hears` of the plan
 * @param {boolean} [facts.minute] overrides the plan's wish for minutes
 * @param {'dry'|'pool'} [facts.setting] default `pool`
 * @param {boolean} [facts.quietFirst] default true; false where the pair wants every prompt's tone at once, and on a
 *   device that has taken over: nobody looks at its light or holds it
 * @param {boolean} [facts.withThem] somebody is at the diver in an incident: one reduced burst every 15 s
 * @param {number} [facts.recovery_s] how long breaths are paced, at least 30 s
 * @param {number|null} [facts.fault_at] since when a fault has to be sounded by this device, shared ms
 * @param {HeldAlarm|null} [facts.held] what holdAlarm gave
 * @param {number|null} [facts.pair_number] the pair's number, which gives its prompts their pitch
 * @returns {SoundItem[]}
 */
export function planSounds({
  status, now, rungsHere, hears, minute, setting = 'pool', quietFirst = true, withThem = false, recovery_s = 30,
  fault_at = null, held = null, pair_number = null,
}) {
  const voices = voicesOf(status, now, held);
  const rungs = withThem && status.incident ? reducedBursts(status.incident.at, now, rungsHere)
    : voices.flatMap((voice) => rungSounds(status, voice, now, rungsHere, quietFirst)).map((item) => ({ ...item, pair_number }));
  const wish = wishes(hears);
  /** @type {SoundItem[]} */
  const soft = [];
  if (rungsHere.guides && (minute ?? wish.minute)) soft.push(...minutes(status, now));
  if (rungsHere.guides && wish.breaths) soft.push(...breaths(status, now, recovery_s));
  if (fault_at !== null) soft.push(...faults(fault_at, now));
  const speech = rungsHere.speaks && !withThem ? spoken(status, voices, now, setting) : [];
  return [...rungs, ...soft.filter((item) => isClear(item, rungs, voices)), ...speech].sort((a, b) => a.at - b.at);
}

/** @param {number} since @param {number} now @param {RungsHere} here @returns {SoundItem[]} */
function reducedBursts(since, now, here) {
  if (here.alarm === 0) return [];
  /** @type {SoundItem[]} */
  const items = [];
  const length_ms = SOUNDS['alarm-reduced'].length_ms;
  // The first one comes a full interval after the incident: [with them] is quiet at once.
  for (let k = Math.max(1, Math.ceil((now - length_ms - since) / REDUCED_MS)); since + k * REDUCED_MS <= now + AHEAD_MS; k++) {
    items.push({ at: since + k * REDUCED_MS, sound: 'alarm-reduced', level: here.alarm, key: `reduced@${since}#${k}` });
  }
  return items;
}

/**
 * @param {SoundStatus} status @param {Voice} voice @param {number} now @param {RungsHere} here @param {boolean} quietFirst
 * @returns {SoundItem[]}
 */
function rungSounds(status, voice, now, here, quietFirst) {
  const { rung, at, until } = voice;
  const level = here[rung];
  if (level === 0) return [];
  const key = `${rung}@${at}`;
  if (rung === 'prompt') {
    const { delay_ms, sound } = promptForm(status, voice, quietFirst);
    /** @type {SoundItem[]} */
    const items = [];
    if (at > now - STALE_BUZZ_MS) items.push({ at, sound: null, level, key: `${key}:buzz`, buzz: BUZZ.prompt });
    if (at + delay_ms < until) {
      items.push({ at: at + delay_ms, sound, level, key, late: 'whole', rung, due: at, ...cutBy(at + delay_ms, sound, until) });
    }
    return items;
  }
  const { repeat_ms, length_ms } = SOUNDS[rung];
  /** @type {SoundItem[]} */
  const items = [];
  const end = Math.max(at, now) + AHEAD_MS;
  for (let k = Math.max(0, Math.floor((now - at) / repeat_ms)); at + k * repeat_ms < Math.min(until, end); k++) {
    const start = at + k * repeat_ms;
    if (k > 0 && start + length_ms > until) break;
    items.push({
      at: start, sound: rung, level, key: `${key}#${k}`, late: 'join', buzz: BUZZ[rung],
      rung, due: at, ...cutBy(start, rung, until),
    });
  }
  return items;
}

/** @param {number} at @param {SoundName} sound @param {number} until @returns {{cut_at?: number}} */
function cutBy(at, sound, until) {
  return at + SOUNDS[sound].length_ms > until ? { cut_at: until } : {};
}

/** @param {SoundStatus} status @param {number} now @returns {SoundItem[]} */
function minutes(status, now) {
  if (status.phase !== 'hold' || status.start_at === null) return [];
  /** @type {SoundItem[]} */
  const items = [];
  const length_ms = SOUNDS.minute.length_ms;
  for (let n = Math.max(1, Math.ceil((now - length_ms - status.start_at) / 60000)); ; n++) {
    const at = status.start_at + n * 60000;
    if (at > now + AHEAD_MS) return items;
    items.push({ at, sound: 'minute', level: 1, key: `minute@${status.start_at}#${n}` });
  }
}

/**
 * Recovery breaths from surfacing on. None while AWAKE? is asked, in an incident or after one: who may be unconscious
 * is not to be paced.
 * @param {SoundStatus} status @param {number} now @param {number} recovery_s @returns {SoundItem[]}
 */
function breaths(status, now, recovery_s) {
  const from = status.surfaced_at;
  if (from === null || status.awake_due || status.incident || status.recovered_at !== null) return [];
  if (status.phase !== 'recovery' && status.phase !== 'watch') return [];
  const end = from + Math.max(LEAST_RECOVERY_MS, recovery_s * 1000);
  /** @type {SoundItem[]} */
  const items = [];
  for (let n = Math.max(0, Math.floor((now - from) / BREATH_MS.cycle)); from + n * BREATH_MS.cycle < end; n++) {
    const at = from + n * BREATH_MS.cycle;
    if (at > now + AHEAD_MS) break;
    const key = `breath@${from}#${n}`;
    items.push(
      { at, sound: 'breath-in', level: 1, key: `${key}:in`, late: 'join' },
      { at: at + BREATH_MS.in, sound: 'breath-keep', level: 1, key: `${key}:keep`, late: 'join' },
      { at: at + BREATH_MS.in + BREATH_MS.keep, sound: 'breath-out', level: 1, key: `${key}:out`, late: 'join' },
    );
  }
  return items.filter((item) => endOf(item) > now);
}

/** @param {number} since @param {number} now @returns {SoundItem[]} */
export function faults(since, now) {
  /** @type {SoundItem[]} */
  const items = [];
  const { repeat_ms, length_ms } = SOUNDS.fault;
  for (let k = Math.max(0, Math.ceil((now - length_ms - since) / repeat_ms)); since + k * repeat_ms <= now + AHEAD_MS; k++) {
    items.push({ at: since + k * repeat_ms, sound: 'fault', level: 1, key: `fault@${since}#${k}`, late: 'join' });
  }
  return items;
}

/**
 * The alarm's words in the gap after every second burst.
 * @param {SoundStatus} status @param {Voice[]} voices @param {number} now @param {'dry'|'pool'} setting @returns {SoundItem[]}
 */
function spoken(status, voices, now, setting) {
  const { repeat_ms, length_ms } = SOUNDS.alarm;
  /** @type {SoundItem[]} */
  const items = [];
  for (const voice of voices.filter((v) => v.rung === 'alarm')) {
    const say = alarmWords(status, voice, setting);
    const first = voice.at + length_ms + CLEAR_MS;
    const step = 2 * repeat_ms;
    for (let k = Math.max(0, Math.ceil((now - first) / step)); first + k * step < Math.max(voice.at, now) + AHEAD_MS; k++) {
      items.push({ at: first + k * step, sound: null, level: 1, key: `say@${voice.at}#${k}:${say}`, say });
    }
  }
  return items;
}

/** @param {SoundItem} item */
function endOf(item) {
  return item.at + (item.sound ? SOUNDS[item.sound].length_ms : 0);
}

/**
 * Whether what accompanies may be heard: never over a rung's sound, and a breath only where no again or alarm is due by
 * then, so that one thing at a time is said.
 * @param {SoundItem} item @param {SoundItem[]} rungs @param {Voice[]} voices
 */
function isClear(item, rungs, voices) {
  const from = item.at - CLEAR_MS;
  const to = endOf(item) + CLEAR_MS;
  if (voices.some((v) => v.rung !== 'prompt' && v.at < to && v.until > from)) return false;
  return !rungs.some((r) => r.sound !== null && r.at < to && endOf(r) > from);
}
