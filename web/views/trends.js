/**
 * What changes over weeks: one chart a figure, by diver and setting, each with
 * its table; under it what went along with what the pair had ticked.
 */

import { el, replace, setClass, setText } from '../app/dom.js';
import { FIELDS, FIELD_NAMES, NO_CONDITIONS, conditionWords, lineWords, usualWords } from '../app/trend_facts.js';
import { divers as diversOf, personNamed } from '../app/people.js';
import { samePerson } from '../rules/people.js';
import { diverIn } from '../rules/log.js';
import { trendChart, trendTable } from './trend_chart.js';
import { choice, row, word } from './sheet.js';

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{diver?: string, setting?: 'dry' | 'pool'}} [params]
 */
export function mount(root, app, params = {}) {
  let who = params.diver ?? '';
  /** @type {'dry' | 'pool' | null} */
  let setting = params.setting ?? null;
  let numbers = false;
  /** @type {{told: unknown, width: number, words: string}} what stands there */
  let shown = { told: null, width: 0, words: '' };
  /** Charts still to be drawn: one a frame, so that the first ones are seen at once. @type {(() => HTMLElement)[]} */
  let waiting = [];
  let drawing = 0;

  const title = el('h1', { class: 'display' });
  const divers = el('div', { class: 'pick' });
  const settings = choice('setting', /** @type {const} */ ([['pool', 'pool'], ['dry', 'dry']]), (v) => {
    setting = v;
    draw();
  });
  const asNumbers = word('numbers', () => {
    numbers = !numbers;
    setText(asNumbers, numbers ? 'charts' : 'numbers');
    setClass(page, 'as-numbers', numbers);
  });
  const charts = el('div', { class: 'trend-list' });
  const page = el('main', { class: 'page scroll trends', 'aria-label': 'trends' },
    el('div', { class: 'sheet' }, row('trends', null, title, divers), row('setting', { plain: true }, settings.node, asNumbers)),
    charts,
    el('div', { class: 'go-bar two' },
      el('button', { type: 'button', class: 'key', onclick: () => app.go('report', { diver: who, setting }) }, 'print'),
      el('button', { type: 'button', class: 'key fill', onclick: () => app.go('log', { diver: who }) }, 'log')));
  root.append(page);
  const watcher = new ResizeObserver(() => draw());
  watcher.observe(page);

  function draw() {
    const names = diversOf(app.log.people());
    if (!names.some((p) => p.name === who)) who = names[0]?.name ?? '';
    const person = personNamed(who, names);
    setting ??= app.log.lines().findLast((/** @type {any} */ l) => samePerson(diverIn(l), person) && l.setting !== null)?.setting ?? null;
    /** @type {import('../app/digest.js').Told | null} */
    const told = app.log.trends(person, setting ?? 'dry');
    const width = page.clientWidth || innerWidth;
    setText(title, who || (app.log.whole() ? 'no holds yet' : 'reading'));
    settings.set(setting ?? 'dry');
    const others = names.filter((p) => p.name !== who).slice(0, 8).map((p) => p.name);
    if (others.join('\n') !== shown.words) {
      replace(divers, others.map((name) => word(name, () => {
        who = name;
        setting = null;
        draw();
      })));
    }
    const same = told === shown.told && width === shown.width;
    shown = { told, width, words: others.join('\n') };
    if (same) return;
    cancelAnimationFrame(drawing);
    replace(charts);
    if (told === null) return;
    const usual = app.log.expected(person, setting ?? 'dry');
    waiting = [...FIELD_NAMES.map((field) => () => section(field, told, usualWords(field, usual, setting ?? 'dry'), width)), foot];
    drawNext();
  }

  function drawNext() {
    const made = waiting.shift();
    if (!made) return;
    charts.append(made());
    drawing = requestAnimationFrame(drawNext);
  }

  draw();
  return {
    update: () => draw(),
    unmount() {
      cancelAnimationFrame(drawing);
      watcher.disconnect();
      page.remove();
    },
  };
}

/**
 * @param {import('../rules/trends.js').TrendField} field
 * @param {import('../app/digest.js').Told} told
 * @param {string} usual in words
 * @param {number} width
 */
function section(field, { trends, along }, usual, width) {
  const trend = trends[field];
  const some = trend.points.length > 0;
  return el('section', { class: 'trend', 'aria-label': FIELDS[field].name },
    el('h2', null, FIELDS[field].name),
    usual === '' ? null : el('p', { class: 'usual' }, usual),
    lineWords(field, trend).map((words) => el('p', { class: 'sub' }, words)),
    some ? [trendChart(field, trend, width), trendTable(field, trend)] : null,
    some ? along[field].map((found) => {
      const { words, sub } = conditionWords(field, found);
      return row(found.condition, { class: 'along' }, el('b', null, words), el('span', { class: 'sub' }, sub));
    }) : null);
}

const foot = () => el('p', { class: 'sub foot' }, `A dot is a day: the median of its holds. The line is robust (Theil–Sen); it lies between the dashed ones in 95 of 100 such logs. What goes along is ${NO_CONDITIONS}; what goes together is not what brings it about.`);
