// Plays what schedule.js planned, through Web Audio. Everything is put into the audio device's own queue ahead of
// time, so that a frozen page ends in noise and never in quiet; an answer takes it out again.

/** @typedef {import('./schedule.js').SoundItem} SoundItem */

/**
 * What is known about this device's sound.
 * `off`: never armed. `unproven`: plays, but nobody has counted the beeps. `proven`: somebody has.
 * `fault`: the audio clock stands still, keeps jumping, or the context was taken away.
 * @typedef {object} SoundState
 * @property {'off'|'unproven'|'proven'|'fault'} state
 * @property {boolean} running true while the audio clock is seen to move
 * @property {number|null} latency_ms delay from the queue to the speaker as the browser tells it, whole ms
 * @property {boolean} needs_touch true when only a touch (arm() inside a gesture) can bring the sound back
 * @property {string} words one short line for the screen, '' when there is nothing to say
 */

/**
 * A rung that was really played here.
 * @typedef {object} Sounded
 * @property {'prompt'|'again'|'alarm'} rung
 * @property {number} due shared ms at which the rung was reached
 * @property {number} off_ms onset at the speaker minus the planned time of the sound, whole ms, as the clocks tell it
 * @property {string} key key of the item
 */

/**
 * What happened while check beeps played.
 * @typedef {object} BeepRun
 * @property {number} beeps how many were played
 * @property {number} rate audio clock against page clock, 1 when both run alike
 * @property {number} ran_ms page time over which the rate was taken, whole ms
 * @property {boolean} clock_ok the audio clock ran at 0.9 to 1.1 for at least 500 ms
 */

/**
 * @typedef {object} Sound
 * @property {() => Promise<boolean>} arm call inside a touch or key handler, as often as you like: makes or wakes the
 *   audio context; resolves to true once the audio clock moves, false if the browser refuses. Never rejects.
 * @property {(beeps: number) => Promise<BeepRun>} check plays that many separate beeps of the alarm's pitch and level and
 *   resolves 400 ms after the last one (about 0.8 s a beep). Never rejects.
 * @property {() => boolean} prove says that a person counted the beeps of the last check rightly; true (and state
 *   `proven`) only if the audio clock ran during that check. check.js calls it.
 * @property {(list: SoundItem[], toDeviceMs?: (sharedMs: number) => number) => void} lay makes the queue hold exactly
 *   this list: new items are queued, missing ones cancelled (also while they sound), unchanged ones left alone.
 *   `toDeviceMs` maps shared ms to deviceNow() ms; the last one given is kept. Cheap: call it on every event and tick.
 * @property {() => void} tick soft tick and short vibration for a recorded press, at once
 * @property {(on: boolean) => void} keepAwake faint real tone that keeps a hidden page's timers running: on in a hold
 * @property {() => void} watch call at 4 Hz from the worker's tick: compares the clocks, lays anew, finds faults
 * @property {() => SoundState} state
 * @property {() => void} stop silences everything and empties the queue; the context stays armed
 */
