/**
 * What comes between the plan and breathing up, once an outing: the counted
 * beeps, unless somebody took it upon them to start without, and the place card.
 */

/** The sound check that was left out on a person's word, for as long as this page lives. */
let leftOut = false;

/** Says that a named person starts without the sound check. */
export function leaveOutSoundCheck() {
  leftOut = true;
}

/**
 * @param {any} app
 * @param {number | null} [restUntilAt] shared ms at which a series' rest ends: the breathe-up counts to it
 */
export function nextStep(app, restUntilAt = null) {
  const frame = app.frame();
  if (frame.sound?.state === 'proven') leftOut = false;
  if (frame.sound?.state !== 'proven' && !leftOut) app.go('soundcheck');
  else if (!frame.place) app.go('place');
  else app.go('breathe', { begin: true, zero_at: restUntilAt });
}
