/**
 * When to draw what has changed. Messages can come faster than a slow tablet draws: one drawing for each would leave no
 * time for the sound, for touches, and for the next message.
 */

/** After a drawing the page is left to everything else for so many times as long as that took, but no longer than this (own). */
const REST = 2;
const LONGEST_REST_MS = 500;

/**
 * @param {() => void} draw
 * @param {object} env
 * @param {() => number} env.now device ms
 * @param {(fn: () => void, ms: number) => void} env.after
 * @returns {() => void} something has changed: draws at once where there is time for it, and else as soon as there is
 */
export function newPace(draw, { now, after }) {
  let restsUntil = -Infinity;
  let waiting = false;
  const run = () => {
    waiting = false;
    const began = now();
    try {
      draw();
    } finally {
      const ended = now();
      restsUntil = ended + Math.min(REST * (ended - began), LONGEST_REST_MS);
    }
  };
  return () => {
    const left = restsUntil - now();
    if (left <= 0) {
      run();
    } else if (!waiting) {
      waiting = true;
      // Timers come late in a page that is not seen: by then the next change may have drawn.
      after(() => waiting && run(), left);
    }
  };
}

/** What moves here moves by 16 px a second at most: it is drawn at no less than this distance (ms, own). */
const MOVES_MS = 30;

/**
 * @param {() => void} draw
 * @param {(onFrame: (ms: number) => void) => void} [frame]
 * @returns {() => void} something moves: draws it once more, in one of the next frames
 */
export function newMotion(draw, frame = requestAnimationFrame) {
  let asked = false;
  let drawnAt = -Infinity;
  const onFrame = (/** @type {number} */ ms) => {
    if (ms - drawnAt < MOVES_MS) {
      frame(onFrame);
      return;
    }
    asked = false;
    drawnAt = ms;
    draw();
  };
  return () => {
    if (asked) return;
    asked = true;
    frame(onFrame);
  };
}

/** @param {() => void} draw */
export const paced = (draw) => newPace(draw, { now: () => performance.now(), after: (fn, ms) => setTimeout(fn, ms) });
