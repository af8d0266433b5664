// The tape: a strip of time like a tape measure, the same in the hold, the recovery, the plan, the debrief and the log.
// It draws plain facts and decides nothing; facts.js makes the facts out of a hold. All times are whole ms counted from the
// tape's zero: the start of the hold, or the surfacing on a recovery tape.

/**
 * What happened at one instant. Its shape on the tape follows from `mark`:
 * `tap` stem and disc (the slower the answer, the taller), `tap-again` the same stem with a diamond (answered after the
 * second call), `look` hollow lens, `contraction` chevron, `sign` flag, `surfaced` two uprights, `ok` the letters,
 * `plan` and `end` stubs on the band with their word (planned time, agreed end), `note` a small upright.
 * @typedef {object} TapeMark
 * @property {number} at_ms
 * @property {'tap'|'tap-again'|'look'|'contraction'|'sign'|'surfaced'|'ok'|'plan'|'end'|'note'} mark
 * @property {number|null} [took_ms] answer time of a tap; missing or null draws the shortest stem
 */

/**
 * @typedef {object} TapeModel
 * @property {number|null} [now_ms] instant under the now line of a moving tape (live, recovery, board); negative before
 *   the start, when the hooked end of the tape comes in from the right. A still tape (whole, row) has null.
 * @property {number|null} [total_ms] where the tape is cut off: end of the watch, or of the plan. A still tape needs it;
 *   null on a moving one while it is not known.
 * @property {{struggle_at_ms: number, late_at_ms: number, final_at_ms: number}|null} [boundaries] stages, for the hatch
 * @property {number|null} [glide_end_ms] where the hatch of the late stage is closest; null or missing: at `final_at_ms`
 * @property {number|null} [stages_to_ms] the hatch ends here (surfacing, end of the plan); null: it runs on
 * @property {TapeMark[]} [marks] in any order
 * @property {number[]} [coming] instants of the coming checks: notches in the lower edge
 * @property {number[]} [holes] checks that came due and were not answered: they stay notches
 * @property {{again_ms: number|null, alarm_ms: number|null}|null} [fuse] what follows if nothing happens: amber diamond
 *   and red octagon; give it only while a prompt stands
 * @property {number|null} [asked_ms] a tap that waits for its answer: a disc growing on its stem at the now line
 * @property {number|null} [breaths_to_ms] recovery tape: paced breaths are drawn from 0 up to here
 * @property {number|null} [unknown_from_ms] nothing is known from here on (lost link): fault hatch, leaning the other way
 * @property {boolean} [blank_future] leaves the future without notches and hatch (a board row in alarm)
 * @property {boolean} [calm] nothing is due: the tape is dim and moves in steps of a second
 * @property {number|null} [scale_total_ms] still tapes: the length that fills the width, so that rows share one scale;
 *   missing: `total_ms`
 */

/**
 * @typedef {object} Tape
 * @property {HTMLElement} node put it into the page; it takes its whole width and the given height
 * @property {(model: TapeModel) => void} update complete and idempotent; touches the page only where the facts differ
 * @property {(width: number, height: number) => void} resize CSS px
 * @property {(ms: number) => number} x where an instant stands, in CSS px from the left edge, with the facts given last:
 *   charts below a still tape use it to share one x
 */

/**
 * @typedef {object} TapeOptions
 * @property {'live'|'recovery'|'whole'|'row'|'board'} kind
 *   `live` moves, 4 px a second, now line at a third of the width;
 *   `recovery` moves, 16 px a second, since its breaths need the room;
 *   `whole` stands still, from 14 px to 14 px of the edges (plan 84 px high, debrief 108);
 *   `row` stands still and is small (log row, 54 px high, no notches);
 *   `board` moves, small (48 or 40 px high)
 * @property {number} width CSS px
 * @property {number} height CSS px
 * @property {number} [axis] x of the now line in CSS px; missing: width / 3
 */
