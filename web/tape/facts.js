// Facts for the tape out of a hold or a plan. Pure: no page, no clock.

/**
 * Where the coming checks will fall if every one of them is answered at once: what the notches of the tape show.
 *
 * `comingChecks({ plan, boundaries, proof_ms, now_ms, until_ms }) -> number[]` in ms since the start, ascending, all
 * later than `now_ms` and not later than `until_ms`. A plan sheet gives `proof_ms: 0, now_ms: 0`.
 * @typedef {object} ComingInput
 * @property {import('../rules/plan.js').Plan|null} plan
 * @property {{struggle_at_ms: number, late_at_ms: number, final_at_ms: number, end_at_ms: number}} boundaries
 * @property {number} proof_ms last proof, ms since the start
 * @property {number} now_ms
 * @property {number} until_ms
 */

/**
 * The other helpers of this file:
 *
 * `holdTape(hold, status, nowAt) -> TapeModel` everything for the live tape (and, with `still: true`, for debrief and
 * log: whole, cut at the end of the watch).
 * `recoveryTape(hold, status, nowAt) -> TapeModel` the tape after surfacing, its zero the surfacing.
 * `planTape(plan, boundaries) -> TapeModel` the still tape of the plan sheet with every check that is to come.
 * `tapeMarks(hold, zeroAt) -> TapeMark[]` marks of every event that has one; amended events at their amended place.
 */
