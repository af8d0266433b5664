/** What a page has to heed when it records an event, by the event's kind. */

/** @typedef {import('../rules/event.js').HoldEvent} HoldEvent */

/** What must be on the disk itself before it is shown. */
export const STRICT = new Set(['start', 'surfaced', 'incident', 'watch-ended', 'ok', 'recovered', 'no-answer']);
/**
 * What calls everybody at once: no disk holds that up (H02).
 * @param {HoldEvent} event
 */
export const isAlarm = ({ kind, data }) =>
  kind === 'no-answer' || kind === 'incident' || (kind === 'sign' && ['shaking', 'air', 'limp'].includes(String(data?.what)));
/** What a person presses in a hold, and can take back. */
export const PRESSED = new Set([
  'look', 'asked', 'answered', 'no-answer', 'contraction', 'sign', 'end-hold', 'surfaced', 'awake', 'ok', 'incident',
  'with-them', 'recovered', 'watch-ended', 'start', 'reading', 'step',
]);
/** What says that the buddy's eyes are on the diver again. */
export const SEEN = new Set(['look', 'asked', 'answered', 'no-answer', 'surfaced', 'awake', 'ok', 'incident', 'recovered']);
/** What may be recorded before there is a hold. */
export const WITHOUT_HOLD = new Set(['place', 'sound-check', 'note', 'profile', 'series']);
