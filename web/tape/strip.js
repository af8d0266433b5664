// The drawn strip of the tape: edges, ticks, numerals, band with hatch and notches, marks. Given metrics and facts it makes
// nodes for a stretch of time; tape.js places and moves them.

import { svg } from '../app/dom.js';
import { drawMark, path, round, text } from './marks.js';

/** @typedef {import('./tape.js').TapeModel} TapeModel */

/**
 * @typedef {object} Metrics
 * @property {number} scale px per ms
 * @property {number} height
 * @property {number} band height of the band
 * @property {number} k size of marks against the live tape's
 * @property {number} notchHalf half a notch's width; 0 draws none
 * @property {number} notchDepth
 * @property {number} numeral size of the minute numerals
 * @property {boolean} tens numerals at ten seconds too
 * @property {boolean} still
 * @property {boolean} recovery
 */

/** `dx` of a hatch line for one px of height: all stages lean alike, faults the other way. */
const LEAN = 0.83;
/** Notches closer than this many half-widths are left out on still tapes. */
const CROWDED = 1.9;

/** @param {Metrics} m */
export const bandTop = (m) => m.height - m.band - 0.75;

/**
 * Room for marks above the band.
 * @param {Metrics} m
 * @returns {import('./marks.js').Lane}
 */
export function laneOf(m) {
  const top = m.tens ? Math.max(40, 12 + m.numeral * 0.9) : m.numeral * 1.2 + 4;
  const band = bandTop(m);
  const room = band - top;
  return { top: room < 26 ? band - 34 : top, band, bottom: m.height - 0.75, k: m.k, perSecond: room < 60 ? 8 * m.k : 15 * m.k };
}

/**
 * Steps of the ticks, finest first, as [ms, length, width]; steps too fine for the scale are dropped.
 * @param {Metrics} m
 * @returns {[number, number, number][]}
 */
function tickSteps(m) {
  const pxPerS = m.scale * 1000;
  const small = m.k < 1 ? 0.42 : 1;
  /** @type {[number, number, number][]} */
  const steps = [];
  if (pxPerS >= 3) steps.push([1000, 8, 1]);
  if (pxPerS >= 0.9 && m.notchHalf > 0) steps.push([5000, 14, 1]);
  if (pxPerS >= 0.45) steps.push([10_000, 22, 1.5]);
  steps.push([30_000, 30, 2]);
  return steps.map(([ms, length, width]) => [ms, Math.round(length * small), m.k < 1 ? 1 : width]);
}

/**
 * @param {Metrics} m
 * @param {number} from ms
 * @param {number} to ms
 * @param {(ms: number) => number} x
 * @param {number} endX numerals do not cross it on a still tape
 */
export function drawTicks(m, from, to, x, endX) {
  /** @type {SVGElement[]} */
  const nodes = [];
  const steps = tickSteps(m);
  const floor = bandTop(m);
  const first = Math.max(0, from);
  steps.forEach(([step, length, width], i) => {
    const coarser = [...steps.slice(i + 1).map(([s]) => s), 60_000];
    let d = '';
    for (let t = Math.ceil(first / step) * step; t <= to; t += step) {
      if (t > 0 && !coarser.some((s) => t % s === 0)) d += `M${round(x(t))} 0v${length}`;
    }
    if (d) nodes.push(path(d, 'tp-line', width));
  });
  let minutes = '';
  for (let t = Math.ceil(first / 60_000) * 60_000; t <= to; t += 60_000) {
    const at = x(t);
    if (t > 0) minutes += `M${round(at)} 0V${round(floor)}`;
    const words = String(t / 60_000);
    const big = m.numeral;
    const wide = words.length * big * 0.6;
    const base = m.tens ? Math.max(30, 12 + big * 0.77) : big * 0.95 + 5;
    if (t > 0 || !(m.still || m.recovery)) {
      const crosses = m.still && at + wide + 6 > endX;
      if (t === 0 || !crosses) nodes.push(text(at + (m.k < 1 ? 4 : 8), base, words, { size: big, bold: true }));
      else if (at - wide > 14) nodes.push(text(at - 4, base, words, { size: big, bold: true, anchor: 'end' }));
    }
  }
  if (minutes) nodes.push(path(minutes, 'tp-line', m.k < 1 ? 1.5 : 2));
  if (m.tens) {
    for (let t = Math.ceil(first / 10_000) * 10_000; t <= to; t += 10_000) {
      if (t % 60_000 !== 0) nodes.push(text(x(t) + 4.5, m.height < 120 ? 31 : 34, String((t % 60_000) / 1000), { size: 14 }));
    }
  }
  return nodes;
}

/**
 * The lower edge with its notches, as points from left to right: [x, y], y counted down from 0 at the tape's top.
 * @param {Metrics} m
 * @param {number} x0
 * @param {number} x1
 * @param {number[]} centres ascending
 * @param {number} grow px by which each notch is larger on every side: the halo
 */
export function edgePoints(m, x0, x1, centres, grow) {
  if (m.notchHalf === 0) return flatEdge(m, x0, x1);
  const bottom = m.height - 0.75;
  const slope = m.notchDepth / m.notchHalf;
  // A line offset by `grow` from the flank meets the lower edge this much further out.
  const half = m.notchHalf + (grow * Math.hypot(slope, 1)) / slope;
  const depth = half * slope;
  /** @type {[number, number][]} */
  const points = [[x0, bottom]];
  const inside = centres.filter((c) => c > x0 - half && c < x1 + half);
  inside.forEach((c, i) => {
    const before = inside[i - 1];
    const after = inside[i + 1];
    if (before === undefined || c - before >= 2 * half) points.push([c - half, bottom]);
    points.push([c, bottom - depth]);
    if (after === undefined || after - c >= 2 * half) points.push([c + half, bottom]);
    else points.push([(c + after) / 2, bottom - depth + ((after - c) / 2) * slope]);
  });
  points.push([x1, bottom]);
  return points.map(([px, py]) => /** @type {[number, number]} */ ([px, Math.max(py, bandTop(m) - 0.75)])).filter(within(x0, x1));
}

/**
 * @param {number} x0 @param {number} x1
 * @returns {(p: [number, number], i: number, all: [number, number][]) => boolean}
 */
const within = (x0, x1) => (p, i, all) => i === 0 || i === all.length - 1 || (p[0] > x0 && p[0] < x1);

/**
 * The lower edge where no notch is drawn.
 * @param {Metrics} m
 * @param {number} x0 @param {number} x1
 * @returns {[number, number][]}
 */
const flatEdge = (m, x0, x1) => [[x0, m.height - 0.75], [x1, m.height - 0.75]];

/** @param {[number, number][]} points */
const line = (points) => points.map(([px, py], i) => `${i ? 'L' : 'M'}${round(px)} ${round(py)}`).join('');

/**
 * Slanted lines of a stage from where it begins, so that they stay in place while the drawn stretch moves on; only those
 * that can be seen between `left` and `right` are put down.
 * @param {Metrics} m
 * @param {number} begin
 * @param {number} left
 * @param {number} right
 * @param {(x: number) => number} spacing px to the next line
 */
function hatchPath(m, begin, left, right, spacing) {
  const top = bandTop(m);
  const run = m.band * LEAN;
  let d = '';
  for (let at = begin - run; at < right; at += spacing(Math.max(at, begin))) {
    if (at + run > left) d += `M${round(at)} ${round(top + m.band)}L${round(at + run)} ${round(top)}`;
  }
  return d;
}

let ids = 0;

/**
 * Hatch of one stage, clipped to its place above the notches and their halo.
 * @param {Metrics} m
 * @param {number} x0 @param {number} x1
 * @param {number[]} centres
 * @param {(x: number) => number} spacing
 * @param {number} begin where the stage begins, also when that lies left of x0
 */
function drawHatch(m, x0, x1, centres, spacing, begin) {
  const top = bandTop(m);
  const edge = edgePoints(m, x0, x1, centres, m.k < 1 ? 2.2 : 3.5);
  const id = `tape-clip-${ids++}`;
  return [
    svg('clipPath', { id }, svg('path', { d: `M${round(x1)} ${round(top)}L${round(x0)} ${round(top)}${line(edge).replace('M', 'L')}Z` })),
    svg('g', { 'clip-path': `url(#${id})` }, path(hatchPath(m, begin, x0, x1, spacing), 'tp-line', m.k < 1 ? 1.5 : 2)),
  ];
}

/**
 * The band between two instants: hatch by stage, edges, borders, notches.
 * @param {Metrics} m
 * @param {TapeModel} model
 * @param {number} from ms
 * @param {number} to ms
 * @param {(ms: number) => number} x
 */
export function drawBand(m, model, from, to, x) {
  const top = bandTop(m);
  const x0 = x(from);
  const x1 = x(to);
  /** @type {SVGElement[]} */
  const nodes = [];
  const centres = m.notchHalf ? notchCentres(m, model, from, to, x) : [];
  const edge = edgePoints(m, x0, x1, centres, 0);

  const b = model.boundaries;
  const end = Math.min(to, model.stages_to_ms ?? to, model.blank_future ? (model.now_ms ?? to) : to);
  if (b && !m.recovery) {
    const small = m.k < 1 ? 0.62 : 1;
    const parts = /** @type {const} */ ([
      [b.struggle_at_ms, Math.min(b.late_at_ms, b.final_at_ms), 'struggle'],
      [b.late_at_ms, b.final_at_ms, 'late'],
      [b.final_at_ms, Infinity, 'final'],
    ]);
    for (const [begin, finish, stage] of parts) {
      const p0 = Math.max(begin, from, 0);
      const p1 = Math.min(finish, end);
      if (p1 <= p0) continue;
      const left = x(p0);
      const right = x(p1);
      if (stage === 'final') {
        const saw = edgePoints(m, left, right, centres, 0);
        nodes.push(path(`M${round(right)} ${round(top)}L${round(left)} ${round(top)}${line(saw).replace('M', 'L')}Z`, 'tp-fill'));
      } else {
        const glide0 = x(b.late_at_ms);
        const glide1 = Math.max(x(model.glide_end_ms ?? b.final_at_ms), glide0 + 1);
        const spacing = stage === 'struggle'
          ? () => 14 * small
          : (/** @type {number} */ at) => (8 - 3.4 * Math.min(1, Math.max(0, (at - glide0) / (glide1 - glide0)))) * small;
        nodes.push(...drawHatch(m, left, right, centres, spacing, x(Math.max(begin, 0))));
      }
      if (begin >= from && begin > 0) nodes.push(path(`M${round(left)} ${round(top)}V${round(m.height - 0.75)}`, 'tp-line', m.k < 1 ? 1.5 : 2));
    }
  }
  // Whatever lies below the notched edge is no tape: the ground shows.
  if (centres.length) {
    nodes.push(path(`${line(edge)}L${round(x1)} ${m.height + 1}L${round(x0)} ${m.height + 1}Z`, 'tp-ground'));
  }
  nodes.push(path(`M${round(x0)} ${round(top)}H${round(x1)}`, 'tp-line', m.k < 1 ? 1 : 1.5));
  nodes.push(path(line(edge), 'tp-line tp-edge', 1.5));
  return nodes;
}

/**
 * @param {Metrics} m
 * @param {TapeModel} model
 * @param {number} from @param {number} to
 * @param {(ms: number) => number} x
 */
function notchCentres(m, model, from, to, x) {
  const margin = 20 / m.scale;
  const rungs = m.recovery && model.fuse ? [model.fuse.again_ms, model.fuse.alarm_ms].filter((ms) => ms !== null) : [];
  const all = [...(model.holes ?? []), ...(model.blank_future ? [] : (model.coming ?? [])), ...rungs]
    .filter((ms) => ms > from - margin && ms < to + margin)
    .map(x)
    .sort((a, b) => a - b);
  /** @type {number[]} */
  const kept = [];
  for (const c of all) {
    const last = kept[kept.length - 1];
    const apart = last === undefined ? Infinity : c - last;
    if (apart > (m.still ? CROWDED * m.notchHalf : 1)) kept.push(c);
  }
  return kept;
}

/**
 * Everything of a stretch of time, in the order in which it is laid.
 * @param {Metrics} m
 * @param {TapeModel} model
 * @param {number} from ms
 * @param {number} to ms
 * @param {(ms: number) => number} x
 * @returns {SVGElement[]}
 */
export function drawStrip(m, model, from, to, x) {
  const cut = model.total_ms ?? Infinity;
  const last = Math.min(to, cut);
  const first = Math.max(from, 0);
  /** @type {SVGElement[]} */
  const nodes = [];
  const known = Math.min(last, model.unknown_from_ms ?? Infinity);
  if (known > first) {
    nodes.push(...drawBand(m, model, first, known, x));
    nodes.push(...drawTicks(m, first, known, x, x(known)));
    const lane = laneOf(m);
    const margin = 30 / m.scale;
    for (const mark of model.marks ?? []) {
      if (mark.at_ms >= from - margin && mark.at_ms <= known) nodes.push(...drawMark(mark, x(mark.at_ms), lane));
    }
  }
  if (known < last) nodes.push(...drawUnknown(m, x(Math.max(known, first)), x(last)));
  nodes.push(path(`M${round(x(first))} .75H${round(x(last))}`, 'tp-line', 1.5));
  if (from <= 0) nodes.push(...drawHook(m, x(0)));
  if (cut <= to) nodes.push(path(`M${round(x(cut))} 0V${m.height}`, 'tp-line', 1.5));
  return nodes;
}

/**
 * The hook at the zero end of a tape measure.
 * @param {Metrics} m
 * @param {number} x
 */
function drawHook(m, x) {
  const over = m.k < 1 ? 6 : 8;
  return [
    path(`M${round(x - 2.5)} ${-over + 2.5}V${m.height + over - 2.5}`, 'tp-line', 5),
    path(`M${round(x - 11)} ${-over + 2.5}H${round(x)}M${round(x - 11)} ${m.height + over - 2.5}H${round(x)}`, 'tp-line', 5),
  ];
}

/**
 * Time of which nothing is known: bars leaning the other way, over the whole height.
 * @param {Metrics} m
 * @param {number} x0 @param {number} x1
 */
function drawUnknown(m, x0, x1) {
  const id = `tape-clip-${ids++}`;
  let d = '';
  for (let at = x0 - m.height; at < x1; at += 10) d += `M${round(at)} 0L${round(at + m.height)} ${m.height}`;
  return [
    svg('clipPath', { id }, svg('rect', { x: round(x0), y: 0, width: round(Math.max(0, x1 - x0)), height: m.height })),
    svg('g', { 'clip-path': `url(#${id})` }, path(d, 'tp-line', 3.4)),
  ];
}
