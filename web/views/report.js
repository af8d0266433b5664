/**
 * A report to print: one hold with its tape and every number, or a diver's
 * trends and holds. It is laid out for paper and read on the screen too.
 */

import { el, replace, setText } from '../app/dom.js';
import { diverOf, recordOf } from '../app/log_facts.js';
import { chartFacts, readingsOf } from '../app/chart_facts.js';
import { debriefRows, lineWords, verdictWords } from '../app/debrief_facts.js';
import { clockText, dateWords, tenthsText, timeOfDay } from '../app/clock_text.js';
import { personNamed } from '../app/people.js';
import { FIELDS, FIELD_NAMES, lineWords as trendWords, usualWords } from '../app/trend_facts.js';
import { expectationsOf } from '../rules/expect.js';
import { diverIn, holdsOfDiver } from '../rules/log.js';
import { debriefOf } from '../rules/debrief.js';
import { createTape } from '../tape/tape.js';
import { holdTape } from '../tape/facts.js';
import { debriefCharts } from './debrief_charts.js';
import { trendChart, trendTable } from './trend_chart.js';

/** @typedef {import('../app/logbook.js').Line} Line */

/** Width of what is drawn, CSS px: an A4 or letter page between its margins. */
const PAPER_PX = 680;
const TAPE_PX = 108;
/** Most holds of a report that get their own tape. */
const HOLDS = 60;

/** What every report says. */
const CAUTIONS = [
  'A log of static apnea training, kept by the buddy’s presses and what was typed. It is not a medical device and finds nothing by itself.',
  'Oximeter readings were typed by a person; a finger shows the body’s value tens of seconds late.',
];

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{diver?: string, setting?: 'dry' | 'pool', holds?: string[]}} [params] a diver's trends in a setting, or these holds
 */
export function mount(root, app, params = {}) {
  const body = el('div', { class: 'report-body' });
  const words = el('p', { class: 'sub', role: 'status' }, 'reading');
  const page = el('main', { class: 'page scroll report', 'aria-label': 'report' },
    body, words,
    el('div', { class: 'go-bar two' },
      el('button', { type: 'button', class: 'key', onclick: () => app.go('log', { diver: params.diver ?? '' }) }, 'log'),
      el('button', { type: 'button', class: 'key fill', onclick: () => print() }, 'print')));
  root.append(page);

  const who = params.diver ?? '';
  let drawn = false;

  /** A report is of the whole log: what is still read from the disk is waited for. */
  function draw() {
    if (drawn || !app.log.whole()) return;
    const person = personNamed(who, app.log.people());
    /** @type {Line[]} */
    const lines = app.log.lines();
    const mine = params.holds ? lines.filter((l) => params.holds?.includes(l.hold)) : /** @type {Line[]} */ (holdsOfDiver(lines, person));
    const settings = params.setting ? [params.setting] : /** @type {const} */ (['dry', 'pool']);
    const told = params.holds || mine.length === 0 ? [] : settings.map((setting) => ({ setting, told: app.log.trends(person, setting) }));
    if (told.some((t) => t.told === null)) return;
    drawn = true;
    const days = mine.length > 0 ? [mine[0].start_at, mine[mine.length - 1].start_at].map(fullDate) : [];
    const names = [...new Set(mine.map((l) => l.diver).filter(Boolean))];
    replace(body,
      el('header', null, el('h1', null, who || names.join(', ') || 'no holds'),
        el('p', null, [...new Set(days)].join(' to '), mine.length === 1 ? '' : `, ${mine.length} holds`)),
      CAUTIONS.map((c) => el('p', { class: 'sub' }, c)));
    for (const t of told) drawTrends(t.setting, t.told.trends, app.log.expected(person, t.setting));
    if (mine.length > 1) body.append(holdsTable(mine));
    drawHolds(mine).then(
      (n) => setText(words, n < mine.length ? `the newest ${n} of ${mine.length} holds` : ''),
      (err) => setText(words, `not whole: ${err?.message ?? err}`));
  }

  /**
   * @param {'dry' | 'pool'} setting
   * @param {import('../app/digest.js').Told['trends']} trends
   * @param {import('../rules/expect.js').Expectations} usual
   */
  function drawTrends(setting, trends, usual) {
    body.append(...FIELD_NAMES.filter((field) => trends[field].points.length > 0).map((field) =>
      el('section', { class: 'trend keep' }, el('h2', null, `${FIELDS[field].name}, ${setting}`),
        [usualWords(field, usual, setting), ...trendWords(field, trends[field])].filter(Boolean).map((w) => el('p', { class: 'sub' }, w)),
        trendChart(field, trends[field], PAPER_PX), trendTable(field, trends[field]))));
  }

  /** The diver's usual answer time as it was before a hold. @param {Line} line */
  function usualBefore(line) {
    const before = holdsOfDiver(app.log.lines(), diverIn(line)).filter((l) => l.start_at < line.start_at);
    return expectationsOf(before, line.setting).answer;
  }

  /** @param {Line[]} mine */
  async function drawHolds(mine) {
    const few = (params.holds ? mine : mine.slice(-1)).slice(-HOLDS);
    for (const line of few) {
      const hold = await app.log.open(line.hold);
      if (hold) body.append(holdReport(hold, usualBefore(line), app.now()));
    }
    return params.holds ? few.length : mine.length;
  }

  draw();
  return {
    update: draw,
    unmount: () => page.remove(),
  };
}

/** @param {number} ms */
const fullDate = (ms) => `${dateWords(ms)} ${new Date(ms).getFullYear()}`;

/** @param {Line[]} lines */
function holdsTable(lines) {
  const head = ['day', 'setting', 'planned', 'hold', 'first contraction', 'answer', 'OK sign', 'lowest SpO₂', 'how'];
  const time = (/** @type {number | null} */ ms) => (ms === null ? '' : clockText(ms));
  return el('table', { class: 'numbers wide' }, el('caption', null, 'holds'),
    el('thead', null, el('tr', null, head.map((h) => el('th', { scope: 'col' }, h)))),
    el('tbody', null, lines.map((l) => el('tr', null, el('th', { scope: 'row' }, fullDate(l.start_at)),
      [l.setting ?? '', time(l.planned_s === null ? null : l.planned_s * 1000), time(l.hold_ms), time(l.first_contraction_ms),
        l.answer_median_ms === null ? '' : tenthsText(l.answer_median_ms), time(l.ok_ms), l.spo2_lowest ?? '', lineWords(l)].map((v) => el('td', null, v))))));
}

/**
 * @param {import('../rules/fold.js').Hold} hold
 * @param {import('../rules/expect.js').Figure} usual the diver's answer time before it
 * @param {number} nowMs
 */
function holdReport(hold, usual, nowMs) {
  const record = recordOf(hold, nowMs);
  const { status, summary } = record;
  const start = Number(status.start_at);
  const tape = createTape({ kind: 'whole', width: PAPER_PX, height: TAPE_PX });
  const model = holdTape(hold, status, nowMs, { still: true });
  tape.update(model);
  const told = debriefOf(hold, nowMs);
  const charts = debriefCharts({ pick: () => {} });
  const chart = chartFacts(record, model, { readings: readingsOf(hold, start, nowMs), sites: told.sites, usual_ms: usual.value });
  charts.update(chart, (ms) => tape.x(ms), PAPER_PX, null);
  const rows = [
    ...debriefRows(record, told, usual).map((r) => [r.label, [r.words, r.sub].filter(Boolean).join('; ')]),
    ['contractions a half minute', summary.contraction_rates.map((b) => `${clockText(b.from_ms)} ${b.count}`).join(', ')],
    ['each answer', summary.answers.map((a) => `${clockText(a.at_ms)}${a.took_ms === null ? '' : ` ${tenthsText(a.took_ms)}`}`).join(', ')],
    ['readings', told.readings.map((r) => `${clockText(r.at_ms)}${r.spo2 === null ? '' : ` SpO₂ ${r.spo2}`}${r.hr === null ? '' : ` pulse ${r.hr}`}`).join(', ')],
    ['felt', told.felt.join(', ')], ['conditions', told.conditions.join(', ')],
    ...told.notes.map((n) => [n.about === 'buddy' ? 'the buddy’s note' : 'note', n.text]),
  ].filter(([, text]) => text !== '');
  return el('section', { class: 'hold-report' },
    el('h2', null, `${diverOf(record)}, ${status.plan?.setting ?? ''}, ${fullDate(start)}, ${timeOfDay(start)}: ${summary.hold_ms === null ? 'no end' : clockText(summary.hold_ms)}, ${verdictWords(summary.verdict) || 'no verdict'}`),
    el('p', null, `buddy ${status.plan?.buddy ?? ''}`),
    el('div', { class: 'keep' }, tape.node, charts.node),
    el('table', { class: 'numbers facts' }, el('tbody', null, rows.map(([label, text]) => el('tr', null, el('th', { scope: 'row' }, label), el('td', null, text))))));
}
