/**
 * One trend as a chart: a dot a day, the robust line and the two lines between
 * which its slope lies. The same figures stand in a table under it.
 */

import { el, svg } from '../app/dom.js';
import { FIELDS, chartScale, dayName, intervalEnds, lineWords, tableRows } from '../app/trend_facts.js';
import { path, round, text } from '../tape/marks.js';

/** @typedef {import('../rules/trends.js').TrendField} TrendField */
/** @typedef {import('../rules/trends.js').Trend} Trend */

const INSET = 14;
const HEIGHT = 186;
/** Room at the foot for the days, and left of the axis's numbers. */
const FOOT = 26;
const NUMBERS = 52;

/**
 * @param {TrendField} field
 * @param {Trend} trend
 * @param {number} width CSS px
 */
export function trendChart(field, trend, width) {
  const { points, line } = trend;
  const box = { left: INSET + NUMBERS, right: width - INSET - 10, top: 24, foot: HEIGHT - FOOT };
  const { x, y, rules } = chartScale(field, trend, box);
  /** @type {SVGElement[]} */
  const nodes = [];
  for (const value of rules) {
    nodes.push(path(`M${INSET} ${round(y(value))}H${width - INSET}`, value === rules[0] ? 'ch-line' : 'ch-rule', value === rules[0] ? 1.5 : 1));
    if (value !== rules[0]) nodes.push(text(INSET, y(value) - 4, FIELDS[field].words(value), { size: 15 }));
  }
  if (line) {
    const [x0, x1] = [x(line.from.day), x(line.to.day)];
    const clip = (/** @type {number} */ v) => round(Math.min(box.foot, Math.max(box.top - 8, y(v))));
    const { low, high } = intervalEnds(line);
    for (const [a, b] of [low, high]) nodes.push(path(`M${round(x0)} ${clip(a)}L${round(x1)} ${clip(b)}`, 'ch-dash', 1.5));
    nodes.push(path(`M${round(x0)} ${round(y(line.from.value))}L${round(x1)} ${round(y(line.to.value))}`, 'ch-line', 3));
  }
  for (const p of points) {
    nodes.push(svg('circle', { cx: round(x(p.day)), cy: round(y(p.value)), r: p.count > 1 ? 5.5 : 4, class: line ? 'ch-hollow' : 'ch-fill', 'stroke-width': 2 }));
  }
  const first = points[0];
  const last = points[points.length - 1];
  nodes.push(text(x(first.day), HEIGHT - 6, dayName(first.day), { size: 15, anchor: points.length > 1 ? undefined : 'middle' }));
  if (last.day > first.day) nodes.push(text(x(last.day) + 10, HEIGHT - 6, dayName(last.day), { size: 15, anchor: 'end' }));
  return svg('svg', {
    width, height: HEIGHT, viewBox: `0 0 ${width} ${HEIGHT}`, role: 'img', class: 'trend-chart',
    'aria-label': `${FIELDS[field].name} by day: ${lineWords(field, trend).join('; ')}. The table below has every value.`,
  }, nodes);
}

/**
 * @param {TrendField} field
 * @param {Trend} trend
 */
export function trendTable(field, trend) {
  const head = (/** @type {string} */ words) => el('th', { scope: 'col' }, words);
  return el('div', { class: 'numbers-box' }, el('table', { class: 'numbers' },
    el('caption', null, FIELDS[field].name),
    el('thead', null, el('tr', null, head('day'), head('median'), head('holds'))),
    el('tbody', null, tableRows(field, trend).map(([day, value, count]) =>
      el('tr', null, el('th', { scope: 'row' }, day), el('td', null, value), el('td', null, count))))));
}
