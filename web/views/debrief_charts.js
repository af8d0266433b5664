/**
 * The debrief's charts under the tape: answers, contractions, readings. One x
 * for all, the tape's own; minute lines and the surfacing run on through them.
 * Only the extreme value of each carries a number.
 */

import { el, replace, svg } from '../app/dom.js';
import { answerScale, msAt, valueScale, windowLine } from '../app/scales.js';
import { clockText, tenthsText } from '../app/clock_text.js';
import { diamondPath, path, round, text } from '../tape/marks.js';

/** @typedef {import('../tape/tape.js').TapeMark} TapeMark */

/**
 * @typedef {object} ChartFacts
 * @property {TapeMark[]} marks as amended
 * @property {number} total_ms
 * @property {number | null} surfaced_ms
 * @property {import('../rules/cadence.js').Cadence} cadence
 * @property {import('../rules/cadence.js').Boundaries} bounds
 * @property {{at_ms: number, spo2: number | null, hr: number | null}[]} readings in order
 * @property {{from_ms: number, to_ms: number, count: number}[]} rates contractions by half minute
 * @property {{site: string, at_ms: number}[]} sites where they began, and where they moved
 * @property {number | null} usual_ms the diver's usual answer time
 */

const LEFT = 14;
/** A bar shorter than this says nothing about a rate (ms). */
const SHORT_MS = 10_000;

/**
 * @param {object} on
 * @param {(ms: number) => void} on.pick an instant of the tape was touched
 */
export function debriefCharts({ pick }) {
  const node = el('div', { class: 'charts' });
  /** @type {{facts: ChartFacts, x: (ms: number) => number, width: number} | null} */
  let drawn = null;
  node.addEventListener('click', (e) => {
    if (drawn) pick(msAt(e.clientX - node.getBoundingClientRect().left, drawn.x, drawn.facts.total_ms));
  });
  let key = '';
  return {
    node,
    /**
     * @param {ChartFacts} facts
     * @param {(ms: number) => number} x
     * @param {number} width
     * @param {number | null} cursorMs instant a reading is being typed for
     */
    update(facts, x, width, cursorMs) {
      const next = JSON.stringify([facts, width, cursorMs, x(0), x(facts.total_ms)]);
      if (next === key) return;
      key = next;
      drawn = { facts, x, width };
      replace(node, draw(facts, x, width, cursorMs));
    },
  };
}

/**
 * @param {ChartFacts} facts
 * @param {(ms: number) => number} x
 * @param {number} width
 * @param {number | null} cursorMs
 */
function draw(facts, x, width, cursorMs) {
  const right = width - LEFT;
  const taps = facts.marks.filter((m) => m.mark === 'tap' || m.mark === 'tap-again');
  const looks = facts.marks.filter((m) => m.mark === 'look' && (facts.surfaced_ms === null || m.at_ms <= facts.surfaced_ms));
  const contractions = facts.marks.filter((m) => m.mark === 'contraction').map((m) => m.at_ms).sort((a, b) => a - b);
  const labelX = facts.surfaced_ms === null ? right : x(facts.surfaced_ms) + 10;
  const place = { x, right, labelX, width };
  const parts = [];
  let y = 6;

  const timed = taps.filter((m) => typeof m.took_ms === 'number');
  const line = windowLine(facts.cadence, facts.bounds, facts.surfaced_ms ?? facts.total_ms);
  if (taps.length > 0 || looks.length > 0) {
    const part = answers(timed, looks, taps.length > 0 ? line : [], facts.usual_ms, y, place);
    parts.push(part.node);
    y = part.foot;
  }
  if (contractions.length > 1) {
    const part = rates(facts, y, place);
    parts.push(part.node);
    y = part.foot;
  }
  for (const [what, name] of /** @type {const} */ ([['spo2', 'SpO₂'], ['hr', 'pulse']])) {
    const points = facts.readings.flatMap((r) => (r[what] === null ? [] : [{ at: r.at_ms, value: r[what] }]));
    if (points.length === 0) continue;
    const part = curve(points, name, y, place);
    parts.push(part.node);
    y = part.foot;
  }
  const height = y + 2;
  const minutes = [];
  for (let m = 60_000; m < facts.total_ms; m += 60_000) minutes.push(path(`M${round(x(m))} 0V${height}`, 'ch-rule', 1));
  const up = facts.surfaced_ms === null ? [] : [path(`M${round(x(facts.surfaced_ms))} 0V${height}M${round(x(facts.surfaced_ms) + 3.5)} 0V${height}`, 'ch-line', 1.5)];
  const cursor = cursorMs === null ? [] : [path(`M${round(x(cursorMs))} 0V${height}`, 'ch-cursor', 2)];
  return svg('svg', { width, height, viewBox: `0 0 ${width} ${height}`, role: 'img', 'aria-label': spoken(facts, timed, contractions) },
    ...minutes, ...parts, ...up, ...cursor);
}

/**
 * @typedef {object} Place
 * @property {(ms: number) => number} x
 * @property {number} right
 * @property {number} labelX where a number beyond the surfacing may stand
 * @property {number} width
 */

/**
 * @param {TapeMark[]} taps timed ones
 * @param {TapeMark[]} looks
 * @param {{t: number, ms: number}[]} line
 * @param {number | null} usualMs
 * @param {number} top
 * @param {Place} place
 */
function answers(taps, looks, line, usualMs, top, { x, right, labelX, width }) {
  const scale = answerScale(Math.max(0, ...taps.map((m) => m.took_ms ?? 0), ...line.map((p) => p.ms)));
  const foot = top + 24 + scale.height;
  const yOf = (/** @type {number} */ ms) => foot - (ms / 1000) * scale.pxPerSecond;
  /** @type {SVGElement[]} */
  const nodes = [text(LEFT, top + 19, 'answer', { size: 17, bold: true })];
  for (const s of scale.lines_s) {
    const y = yOf(s * 1000);
    nodes.push(path(`M${LEFT} ${round(y)}H${right}`, 'ch-rule', 1));
    if (y - 18 > top + 22) nodes.push(text(LEFT, y - 5, `${s} s`, { size: 15 }));
  }
  if (line.length > 1) {
    nodes.push(path(`M${line.map((p) => `${round(x(p.t))} ${round(yOf(p.ms))}`).join('L')}`, 'ch-dash', 1.5));
    const fits = x(line[0].t) > 150;
    nodes.push(fits
      ? text(x(line[0].t) - 8, yOf(line[0].ms) + 5, 'window', { size: 15, anchor: 'end' })
      : text(Math.max(x(line[0].t) + 4, LEFT + 84), yOf(line[0].ms) - 6, 'window', { size: 15 }));
  }
  if (usualMs !== null && taps.length > 0) {
    const y = round(yOf(Math.min(usualMs, scale.height / scale.pxPerSecond * 1000)));
    nodes.push(path(`M${LEFT} ${y}H${round(labelX - 10)}`, 'ch-usual', 2));
    nodes.push(text(LEFT, y - 4, `usual ${tenthsText(usualMs)}`, { size: 15 }));
  }
  for (const m of looks) {
    nodes.push(svg('ellipse', { cx: round(x(m.at_ms)), cy: foot - 5, rx: 5, ry: 3.2, class: 'ch-hollow', 'stroke-width': 1.5 }));
  }
  /** @type {TapeMark | null} */
  let slowest = null;
  for (const m of taps) {
    const took = m.took_ms ?? 0;
    const px = round(x(m.at_ms));
    const py = round(yOf(took));
    nodes.push(path(`M${px} ${foot}V${py}`, 'ch-line', 3));
    nodes.push(m.mark === 'tap-again' ? path(diamondPath(px, py, 7.5), 'ch-fill') : svg('circle', { cx: px, cy: py, r: 4.8, class: 'ch-fill' }));
    if (!slowest || took > (slowest.took_ms ?? 0)) slowest = m;
  }
  if (slowest) {
    const y = yOf(slowest.took_ms ?? 0);
    const words = tenthsText(slowest.took_ms ?? 0);
    const roomRight = labelX + 54 <= width;
    const tx = roomRight ? labelX : x(slowest.at_ms) - 14;
    if (roomRight && labelX - x(slowest.at_ms) > 22) nodes.push(path(`M${round(x(slowest.at_ms) + 11)} ${round(y)}H${round(labelX - 4)}`, 'ch-line', 1));
    nodes.push(text(tx, y + 7, words, { size: 20, bold: true, anchor: roomRight ? undefined : 'end' }));
  }
  nodes.push(path(`M${LEFT} ${foot}H${right}`, 'ch-line', 1.5));
  return { node: svg('g', null, ...nodes), foot };
}

/**
 * Contractions by half minute, as so many a minute, and where they moved.
 * @param {ChartFacts} facts
 * @param {number} top
 * @param {Place} place
 */
function rates({ rates: bars, sites }, top, { x, right, labelX, width }) {
  const perMinute = (/** @type {ChartFacts['rates'][number]} */ b) => (b.count * 60_000) / Math.max(1, b.to_ms - b.from_ms);
  // The last bar may be short: a single contraction in it is no rate.
  const whole = bars.filter((b) => b.to_ms - b.from_ms >= SHORT_MS);
  const most = Math.max(1, ...whole.map(perMinute));
  const tall = 48;
  const foot = top + 24 + tall + 10;
  /** @type {SVGElement[]} */
  const nodes = [text(LEFT, top + 38, 'contractions', { size: 17, bold: true })];
  for (const b of bars) {
    const h = (Math.min(most, perMinute(b)) / most) * tall;
    nodes.push(svg('rect', { x: round(x(b.from_ms) + 0.75), y: round(foot - h), width: round(Math.max(1, x(b.to_ms) - x(b.from_ms) - 1.5)), height: round(h), class: 'ch-fill' }));
  }
  const roomRight = labelX + 60 <= width;
  nodes.push(svg('text', { x: roomRight ? round(labelX) : LEFT, y: roomRight ? foot - tall + 12 : foot - 6, class: 'tp-text', 'font-size': 15 },
    svg('tspan', { 'font-size': 20, class: 'bold' }, String(Math.round(most))), ' a min'));
  nodes.push(path(`M${LEFT} ${foot}H${right}`, 'ch-line', 1.5));
  let free = -Infinity;
  for (const { site, at_ms } of sites) {
    const at = x(at_ms);
    nodes.push(path(`M${round(at)} ${foot}v6`, 'ch-line', 2));
    if (at < free) continue;
    nodes.push(text(at, foot + 20, site, { size: 15 }));
    free = at + site.length * 8 + 8;
  }
  return { node: svg('g', null, ...nodes), foot: sites.length > 0 ? foot + 24 : foot };
}

/**
 * @param {{at: number, value: number}[]} points
 * @param {string} name
 * @param {number} top
 * @param {Place} place
 */
function curve(points, name, top, { x, right, width }) {
  const scale = valueScale(points.map((p) => p.value), 56, 3);
  const foot = top + 24 + 56 + 26;
  const yOf = (/** @type {number} */ v) => foot - 22 - (v - scale.foot) * scale.px;
  /** @type {SVGElement[]} */
  const nodes = [text(LEFT, top + 16, name, { size: 17, bold: true })];
  if (points.length > 1) nodes.push(path(`M${points.map((p) => `${round(x(p.at))} ${round(yOf(p.value))}`).join('L')}`, 'ch-line', 1.5));
  for (const p of points) nodes.push(svg('rect', { x: round(x(p.at) - 4), y: round(yOf(p.value) - 4), width: 8, height: 8, class: 'ch-fill' }));
  const lowest = points.reduce((a, b) => (b.value < a.value ? b : a));
  const first = points[0];
  if (first !== lowest) {
    const before = x(first.at) - 9 >= LEFT + 24;
    nodes.push(text(x(first.at) - (before ? 9 : 4), yOf(first.value) + (before ? 5 : 22), String(first.value), { size: 15, anchor: before ? 'end' : undefined }));
  }
  const beside = x(lowest.at) + 9 + 28 <= width;
  nodes.push(text(x(lowest.at) + (beside ? 9 : -9), yOf(lowest.value) + 13, String(lowest.value), { size: 20, bold: true, anchor: beside ? undefined : 'end' }));
  nodes.push(path(`M${LEFT} ${foot}H${right}`, 'ch-line', 1.5));
  return { node: svg('g', null, ...nodes), foot };
}

/**
 * The charts in words, for those who hear them.
 * @param {ChartFacts} facts
 * @param {TapeMark[]} timed
 * @param {number[]} contractions
 */
function spoken(facts, timed, contractions) {
  const said = [];
  if (timed.length > 0) said.push(`${timed.length} timed answers, the slowest ${tenthsText(Math.max(...timed.map((m) => m.took_ms ?? 0)))}`);
  if (contractions.length > 0) said.push(`${contractions.length} contractions from ${clockText(contractions[0])}`);
  const spo2 = facts.readings.map((r) => r.spo2).filter((v) => v !== null);
  if (facts.usual_ms !== null) said.push(`usual answer ${tenthsText(facts.usual_ms)}`);
  if (facts.sites.length > 1) said.push(`moved ${facts.sites.map((m) => `${m.site} ${clockText(m.at_ms)}`).join(', ')}`);
  if (spo2.length > 0) said.push(`lowest SpO₂ ${Math.min(...spo2)}`);
  return said.join('; ') || 'no charts';
}
