// What the diver's phone says. Pure: little, dim, and nothing to read in a hold.

import { breathAt, breathsEnd } from '../tape/facts.js';

/**
 * @typedef {object} DiverFace
 * @property {boolean} asked the buddy has tapped and a touch would answer
 * @property {boolean} touch the surface takes touches
 * @property {string} big
 * @property {string[]} lines
 * @property {string} foot
 * @property {boolean} shows_time a time is shown here even to a diver who wants no digits
 * @property {boolean} rest nothing is running: keys for before and after a hold
 */

/** A touch answers a tap up to this long after it (PROTOCOL.md, 3.4). */
const TOUCH_MS = 10_000;

/**
 * @param {Partial<DiverFace>} face
 * @returns {DiverFace}
 */
const face = (face) => ({ asked: false, touch: false, big: '', lines: [], foot: '', shows_time: false, rest: false, ...face });

/**
 * @param {import('./hold_facts.js').HoldFacts|null} facts
 * @param {{first: boolean, takes: boolean}} here a first touch waits for its second; this phone sounds all rungs
 * @returns {DiverFace}
 */
export function diverWords(facts, { first, takes }) {
  if (!facts) return face({ lines: ['the diver’s phone', 'waits for a plan'], rest: true });
  const { status, now, dry } = facts;
  const foot = takes ? 'this phone sounds the prompts' : '';
  switch (status.phase) {
    case 'planned':
      return face({ lines: [facts.diver, 'the plan is being made'], rest: true });
    case 'breathe-up':
      // Without a countdown it was called off, or has no time yet: then there is time for keys too.
      return face({ lines: ['relaxed tidal breathing', 'no hyperventilation', ...(status.zero_at === null ? [] : ['hold starts in'])], shows_time: true, foot, rest: status.zero_at === null });
    case 'hold': {
      if (!dry) return face({ lines: ['in the pool this phone', 'cannot answer:', 'the hand signal does'], foot });
      const asked = status.asked_at !== null && now - status.asked_at <= TOUCH_MS;
      if (first) return face({ asked, touch: true, big: asked ? 'AGAIN' : '', lines: asked ? [] : ['once more'], foot });
      if (asked) return face({ asked, touch: true, big: 'TOUCH', lines: ['twice'], foot });
      return face({ touch: true, lines: ['press twice', 'to answer'], foot });
    }
    case 'recovery':
    case 'watch': {
      const ms = now - (status.surfaced_at ?? now);
      const paced = !status.awake_due && status.recovered_at === null && ms < breathsEnd(status.plan?.recovery_s ?? 30);
      const ok = status.phase === 'recovery' && !status.awake_due ? ['OK sign to your buddy'] : [];
      return face({ big: paced ? breathAt(ms).word : '', lines: paced ? ok : [...ok, 'stay with your buddy'], foot, shows_time: !paced });
    }
    case 'over':
      return face({ lines: ['the hold is over'], rest: true });
    default:
      return face({ foot });
  }
}
