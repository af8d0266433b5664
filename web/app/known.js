/**
 * What the holds in the book say of people: who is blocked, and who dived last.
 */

import { blockOf, sameName } from './guards.js';
import { diverOf, factsOf, liftsOf, recordOf } from './log_facts.js';

/**
 * @param {import('./book.js').Book} book
 * @param {() => number} now shared ms
 */
export function newKnown(book, now) {
  /** Every hold this phone knows of, and what they say of people. */
  const people = () => {
    const at = now();
    const holds = book.all();
    return { now: at, holds, facts: factsOf(holds, at), lifts: liftsOf(holds) };
  };

  /** @param {string} name */
  const blockedToday = (name) => {
    const { now, facts, lifts } = people();
    const block = blockOf(name, facts, lifts, now);
    const hold = block ? facts.find((f) => f.hold === block.hold) : undefined;
    return block ? { ...block, at: hold?.incident_at ?? hold?.end_at ?? hold?.start_at ?? null, what: hold?.incident ?? null } : null;
  };

  /** @param {string} name */
  const lastHoldOf = (name) => {
    const { now, holds } = people();
    let last = null;
    for (const hold of holds) {
      const r = recordOf(hold, now);
      if (r.status.start_at === null || r.summary.hold_ms === null || !sameName(diverOf(r), name)) continue;
      if (!last || r.status.start_at > Number(last.status.start_at)) last = r;
    }
    if (!last) return null;
    const { status: s, summary, hold } = last;
    return {
      hold, summary, start_at: s.start_at, surfaced_at: s.surfaced_at ?? s.recovered_at, over_at: s.over_at,
      hold_ms: summary.hold_ms, plan: s.plan,
    };
  };

  return { people, blockedToday, lastHoldOf };
}
