/**
 * The plan sheet's tape: the whole hold with every check that is to come.
 */

import { el, setShown, setStyle } from '../app/dom.js';
import { createTape } from '../tape/tape.js';
import { planTape } from '../tape/facts.js';
import { boundariesOf } from '../rules/cadence.js';
import { readPlan } from '../rules/plan.js';

/** Height of a whole tape in the plan, CSS px. */
const HEIGHT_PX = 84;

/**
 * @typedef {object} PlanStrip
 * @property {HTMLElement} node
 * @property {(data: Record<string, any>) => void} update `data` as of a plan event; a plan that makes no sense leaves the tape as it was
 * @property {(ms: number | null) => void} point puts the guard's tooth under an instant, or takes it away
 * @property {() => void} unmount
 */

/** @returns {PlanStrip} */
export function planStrip() {
  const tape = createTape({ kind: 'whole', width: Math.max(320, window.innerWidth), height: HEIGHT_PX });
  const tooth = el('span', { class: 'plan-tooth', hidden: true });
  const node = el('div', { class: 'plan-tape', role: 'img', 'aria-label': 'the coming checks' }, tape.node, tooth);
  let shown = '';
  const watcher = new ResizeObserver(() => {
    if (node.clientWidth > 0) tape.resize(node.clientWidth, HEIGHT_PX);
  });
  watcher.observe(node);
  return {
    node,
    update(data) {
      const plan = readPlan(data);
      if (!plan) return;
      const next = JSON.stringify(plan);
      if (next === shown) return;
      shown = next;
      const b = boundariesOf(plan, { contraction: null, late: null, final: null });
      tape.update(planTape(plan, {
        struggle_at_ms: b.struggle_at, late_at_ms: b.late_at, final_at_ms: b.final_at, end_at_ms: b.end_at,
      }));
    },
    point(ms) {
      setShown(tooth, ms !== null);
      if (ms !== null) setStyle(node, '--tooth-x', `${Math.round(tape.x(ms))}px`);
    },
    unmount: () => watcher.disconnect(),
  };
}
