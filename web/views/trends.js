/**
 * What changes over weeks: one chart a figure, by diver and setting, each with
 * its table; under it what went along with what the pair had ticked.
 */

import { el, replace, setClass, setText } from '../app/dom.js';
import { FIELDS, FIELD_NAMES, NO_CONDITIONS, conditionWords, lineWords } from '../app/trend_facts.js';
import { knownDivers, personNamed } from '../app/people.js';
import { holdsOfDiver } from '../rules/log.js';
import { conditionsOf, trendsOf } from '../rules/trends.js';
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
  /** @type {unknown} */
  let shownLines = null;
  let shown = '';

  const title = el('h1', { class: 'display' });
  const divers = el('div', { class: 'pick' });
  const settings = choice('setting', /** @type {const} */ ([['pool', 'pool'], ['dry', 'dry']]), (v) => {
    setting = v;
    draw(true);
  });
  const asNumbers = word('numbers', () => {
    numbers = !numbers;
    draw(true);
  });
  const charts = el('div', { class: 'trend-list' });
  const page = el('main', { class: 'page scroll trends', 'aria-label': 'trends' },
    el('div', { class: 'sheet' }, row('trends', null, title, divers), row('setting', { plain: true }, settings.node, asNumbers)),
    charts,
    el('div', { class: 'go-bar two' },
      el('button', { type: 'button', class: 'key', onclick: () => app.go('report', { diver: who, setting }) }, 'print'),
      el('button', { type: 'button', class: 'key fill', onclick: () => app.go('log', { diver: who }) }, 'log')));
  root.append(page);
  const watcher = new ResizeObserver(() => draw(true));
  watcher.observe(page);

  function draw(again = false) {
    const lines = app.log.lines();
    if (!again && lines === shownLines) return;
    shownLines = lines;
    const names = knownDivers(lines, app.log.profiles());
    if (!names.some((p) => p.name === who)) who = names[0]?.name ?? '';
    const mine = holdsOfDiver(lines, personNamed(who, names));
    setting ??= mine.at(-1)?.setting ?? 'dry';
    const width = page.clientWidth || innerWidth;
    const key = JSON.stringify([who, setting, numbers, width, mine.map((h) => [h.hold, h.events])]);
    if (key === shown) return;
    shown = key;
    setText(title, who || 'no holds yet');
    settings.set(setting);
    setText(asNumbers, numbers ? 'charts' : 'numbers');
    setClass(page, 'as-numbers', numbers);
    replace(divers, names.filter((p) => p.name !== who).slice(0, 8).map((p) => word(p.name, () => {
      who = p.name;
      setting = null;
      draw(true);
    })));
    const trends = trendsOf(mine, setting);
    replace(charts, FIELD_NAMES.map((field) => {
      const trend = trends[field];
      const along = conditionsOf(mine, /** @type {'dry' | 'pool'} */ (setting), field);
      return el('section', { class: 'trend', 'aria-label': FIELDS[field].name },
        el('h2', null, FIELDS[field].name),
        lineWords(field, trend).map((words) => el('p', { class: 'sub' }, words)),
        trend.points.length > 0 ? [trendChart(field, trend, width), trendTable(field, trend)] : null,
        trend.points.length > 0 ? along.map((found) => {
          const { words, sub } = conditionWords(field, found);
          return row(found.condition, { class: 'along' }, el('b', null, words), el('span', { class: 'sub' }, sub));
        }) : null);
    }),
    el('p', { class: 'sub foot' }, `A dot is a day: the median of its holds. The line is robust (Theil–Sen); it lies between the dashed ones in 95 of 100 such logs. What goes along is ${NO_CONDITIONS}; what goes together is not what brings it about.`));
  }

  draw();
  return {
    update: () => draw(),
    unmount() {
      watcher.disconnect();
      page.remove();
    },
  };
}
