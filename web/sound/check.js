// The sound check: a random number of beeps is played and a person says how many there were. Pure but for the sound and
// the random source it is given.

/** @typedef {import('./player.js').Sound} Sound */

export const LEAST_BEEPS = 2;
export const MOST_BEEPS = 4;
/** What to look at when the count was wrong twice, one line each. */
export const HINTS = Object.freeze([
  'Ringer switch: not on silent',
  'Volume: all the way up',
  'Headset: off, or Bluetooth unpaired',
]);

/**
 * @typedef {object} Verdict
 * @property {'proven'|'wrong'|'not-played'} result `wrong`: play again; `not-played`: the audio clock did not run, so the
 *   count proves nothing
 * @property {number} beeps how many were played, to be said only when proven
 * @property {readonly string[]} hints HINTS after the second wrong count in a row, else empty
 */

/**
 * @param {Pick<Sound, 'check'|'proved'|'unproved'>} sound
 * @param {() => number} [random] 0 ≤ value < 1
 */
export function createSoundCheck(sound, random = Math.random) {
  let beeps = 0;
  let wrong = 0;
  return {
    /**
     * Plays a new number of beeps. Call inside a touch or key handler. Rejects with words for the screen.
     * @returns {Promise<void>}
     */
    async play() {
      const next = LEAST_BEEPS + Math.floor(random() * (MOST_BEEPS - LEAST_BEEPS + 1));
      beeps = 0;
      await sound.check(next);
      beeps = next;
    },
    /** Whether beeps have been played that nobody has counted yet. */
    waiting: () => beeps > 0,
    /**
     * Takes the person's count of the last beeps; 0 for none heard. Each play can be answered once.
     * @param {number} count @returns {Verdict}
     */
    answer(count) {
      const played = beeps;
      beeps = 0;
      if (played > 0 && count === played) {
        wrong = 0;
        return { result: sound.proved() ? 'proven' : 'not-played', beeps: played, hints: [] };
      }
      if (played === 0) return { result: 'not-played', beeps: 0, hints: [] };
      wrong += 1;
      sound.unproved(count === 0 ? 'Beeps not heard' : '');
      return { result: 'wrong', beeps: played, hints: wrong >= 2 ? HINTS : [] };
    },
  };
}
