/**
 * A whole outing on one long tape: holds with their checks, rests between
 * them, and a notch to pull at each end. By finger, by mouse, and by key.
 */

import { el, replace, setAttr, svg } from '../app/dom.js';
import { placesOf } from '../app/series_form.js';
import { clockTextS } from '../app/clock_text.js';
import { boundariesOf } from '../rules/cadence.js';
import { readPlan } from '../rules/plan.js';
import { comingChecks, glideEnd } from '../tape/facts.js';
import { path, round, text } from '../tape/marks.js';
import { drawBand } from '../tape/strip.js';

/** @typedef {import('../rules/series.js').Step} Step */
/** @typedef {import('../app/series_form.js').Notch} Notch */

const HEIGHT = 150;
const INSET = 22;
/** px a second, at least: so long a tape is pushed along, not squeezed. */
const PX_PER_S = 0.6;
const GRIP = { width: 26, height: 34, touch: 48 };
/** What one press of an arrow key, and of a page key, moves a notch (s). */
const KEY_S = 5;
const PAGE_S = 30;

/**
 * @param {object} on
 * @param {(notch: Notch, atS: number) => void} on.pull seconds since the series' start
 * @param {(notch: Notch, byS: number) => void} on.nudge
 */
export function seriesTape({ pull, nudge }) {
  const sheet = svg('svg', { class: 'series-strip' });
  const node = el('div', { class: 'series-tape' }, el('div', { class: 'tape' }, sheet));
  const drawing = svg('g');
  const grips = svg('g');
  sheet.append(drawing, grips);
  /** @type {SVGGElement[]} */
  let handles = [];
  /** @type {{notch: Notch, pointer: number} | null} */
  let held = null;
  let scale = PX_PER_S;
  let shown = '';

  const xOf = (/** @type {number} */ s) => INSET + s * scale;
  /** @param {PointerEvent} e */
  const secondsAt = (e) => (e.clientX - sheet.getBoundingClientRect().left - INSET) / scale;

  /** @param {number} i @returns {Notch} */
  const notchOf = (i) => ({ no: i >> 1, end: i % 2 === 0 ? 'hold' : 'rest' });

  /** @param {number} i */
  function newHandle(i) {
    const notch = notchOf(i);
    const top = notch.end === 'hold';
    const y = top ? 0 : HEIGHT - GRIP.height;
    const g = svg('g', { class: 'notch', role: 'slider', tabindex: 0 },
      svg('rect', { x: -GRIP.touch / 2, y: top ? 0 : HEIGHT / 2, width: GRIP.touch, height: HEIGHT / 2, class: 'notch-touch' }),
      path(`M0 0V${HEIGHT}`, 'tp-line', 3),
      svg('rect', { x: -GRIP.width / 2, y, width: GRIP.width, height: GRIP.height, class: 'notch-grip' }),
      path(`M-4 ${y + 11}v12M4 ${y + 11}v12`, 'notch-lines', 2));
    g.addEventListener('pointerdown', (e) => {
      held = { notch, pointer: e.pointerId };
      g.setPointerCapture(e.pointerId);
      g.focus({ preventScroll: true });
      e.preventDefault();
    });
    g.addEventListener('pointermove', (e) => {
      if (held?.pointer === e.pointerId) pull(held.notch, secondsAt(e));
    });
    for (const type of ['pointerup', 'pointercancel']) {
      g.addEventListener(type, () => {
        held = null;
      });
    }
    g.addEventListener('keydown', (e) => {
      const by = { ArrowRight: KEY_S, ArrowUp: KEY_S, ArrowLeft: -KEY_S, ArrowDown: -KEY_S, PageUp: PAGE_S, PageDown: -PAGE_S }[e.key];
      if (by === undefined) return;
      e.preventDefault();
      nudge(notch, by);
    });
    return g;
  }

  return {
    node,
    /**
     * @param {Step[]} steps
     * @param {{setting: string, cadence: string, longest_s: number | null, onset_s: number | null}} plan what every hold's checks follow
     * @param {number} width CSS px of the page
     */
    update(steps, plan, width) {
      const key = JSON.stringify([steps, plan, width]);
      if (key === shown) return;
      shown = key;
      const places = placesOf(steps);
      const total = places[places.length - 1].hold_end_s;
      scale = Math.max(PX_PER_S, (width - 2 * INSET) / total);
      const wide = Math.ceil(xOf(total) + INSET);
      setAttr(sheet, 'width', wide);
      setAttr(sheet, 'height', HEIGHT);
      setAttr(sheet, 'viewBox', `0 0 ${wide} ${HEIGHT}`);
      replace(drawing, steps.map((step, i) => drawStep(step, places[i], i === steps.length - 1, plan, xOf, scale)), hook(xOf(0)));
      const wanted = steps.length * 2 - 1;
      if (handles.length !== wanted) {
        handles = Array.from({ length: wanted }, (_, i) => handles[i] ?? newHandle(i));
        replace(grips, handles);
      }
      handles.forEach((g, i) => {
        const { no, end } = notchOf(i);
        const s = end === 'hold' ? places[no].hold_end_s : places[no].rest_end_s;
        const length = end === 'hold' ? steps[no].planned_s : steps[no].rest_s;
        setAttr(g, 'transform', `translate(${round(xOf(s))} 0)`);
        setAttr(g, 'aria-label', end === 'hold' ? `hold ${no + 1}` : `rest after hold ${no + 1}`);
        setAttr(g, 'aria-valuemin', 15);
        setAttr(g, 'aria-valuemax', end === 'hold' ? 900 : 3600);
        setAttr(g, 'aria-valuenow', length);
        setAttr(g, 'aria-valuetext', clockTextS(length));
      });
    },
  };
}

/**
 * @param {Step} step
 * @param {{start_s: number, hold_end_s: number, rest_end_s: number}} place
 * @param {boolean} last
 * @param {{setting: string, cadence: string, longest_s: number | null, onset_s: number | null}} about
 * @param {(s: number) => number} xOf
 * @param {number} scale px a second
 */
function drawStep(step, place, last, about, xOf, scale) {
  const [x0, x1, x2] = [xOf(place.start_s), xOf(place.hold_end_s), xOf(place.rest_end_s)];
  const m = { height: HEIGHT, band: 18, k: 0.62, notchHalf: 5, notchDepth: 12, numeral: 20, tens: false, still: true, recovery: false, scale: scale / 1000 };
  const plan = readPlan({ planned_s: step.planned_s, cadence: about.cadence, setting: about.setting, ...(about.longest_s ? { longest_s: about.longest_s } : {}), ...(about.onset_s ? { onset_s: about.onset_s } : {}) });
  /** @type {SVGElement[]} */
  const nodes = [svg('rect', { x: round(x0), y: 0, width: round(x1 - x0), height: HEIGHT, class: 'tp-tape' })];
  if (plan) {
    const b = boundariesOf(plan, { contraction: null, late: null, final: null });
    const bounds = { struggle_at_ms: b.struggle_at, late_at_ms: b.late_at, final_at_ms: b.final_at, end_at_ms: b.end_at };
    nodes.push(...drawBand(m, { boundaries: bounds, glide_end_ms: glideEnd(plan), stages_to_ms: step.planned_s * 1000, coming: comingChecks(plan, bounds, step.planned_s * 1000) },
      0, step.planned_s * 1000, (ms) => x0 + (ms * scale) / 1000));
  }
  let ticks = '';
  for (let s = 30; s < step.planned_s; s += 30) ticks += `M${round(x0 + s * scale)} 0v${s % 60 === 0 ? 20 : 10}`;
  if (ticks) nodes.push(path(ticks, 'tp-line', 1.5));
  nodes.push(path(`M${round(x0)} .75H${round(x1)}`, 'tp-line', 1.5));
  nodes.push(text((x0 + x1) / 2, 62, clockTextS(step.planned_s), { size: 20, bold: true, anchor: 'middle' }));
  if (!last) {
    // The rest is no tape of a hold: only its length runs on, as a line.
    nodes.push(path(`M${round(x1)} ${HEIGHT - 9}H${round(x2)}`, 'ch-dash', 2));
    nodes.push(text((x1 + x2) / 2, 98, x2 - x1 > 76 ? `rest ${clockTextS(step.rest_s)}` : clockTextS(step.rest_s), { size: 15, anchor: 'middle' }));
  }
  return svg('g', null, nodes);
}

/** @param {number} x */
function hook(x) {
  return path(`M${round(x - 2.5)} 0V${HEIGHT}M${round(x - 11)} 2.5H${round(x)}M${round(x - 11)} ${HEIGHT - 2.5}H${round(x)}`, 'tp-line', 5);
}
