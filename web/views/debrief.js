/**
 * The debrief. It opens with clean / shaky / passed out, which has to be
 * answered before the next hold; then the whole tape, the charts under it, and
 * the rows. Every mark can be amended; the original stays in sight.
 */

import { el, setClass, setShown, setText } from '../app/dom.js';
import { diverOf, factsOf, isOver, liftsOf, recordOf } from '../app/log_facts.js';
import { debriefRows, verdictWords } from '../app/debrief_facts.js';
import { personNamed } from '../app/people.js';
import { seriesWords } from '../app/series_now.js';
import { debriefOf } from '../rules/debrief.js';
import { expectationsOf } from '../rules/expect.js';
import { holdsOfDiver } from '../rules/log.js';
import { blockOf, restOf } from '../app/guards.js';
import { chartFacts, readingsOf } from '../app/chart_facts.js';
import { clockText, dateWords } from '../app/clock_text.js';
import { createTape } from '../tape/tape.js';
import { holdTape } from '../tape/facts.js';
import { debriefCharts } from './debrief_charts.js';
import { amendSheet } from './debrief_amend.js';
import { noteRows } from './debrief_notes.js';
import { readingRow } from './debrief_readings.js';
import { verdictSlab } from './debrief_verdict.js';
import { timelineAt } from '../rules/status.js';
import { digits } from './parts.js';
import { choice, fitPx, row, word } from './sheet.js';

/** Height of the debrief's tape, CSS px. */
const TAPE_PX = 108;
/** What is older is taken by no server any more (ms). */
const DAY_MS = 86_400_000;

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{hold?: string}} [params] the hold to look at; missing: the newest
 */
export function mount(root, app, params = {}) {
  /** @type {any} */
  let frame = app.frame();
  /** @type {number | null} instant a reading is being typed for, ms since the start */
  let cursor = null;
  let asking = false;
  /** What the series goes on with, where the hold is one of it. @type {string | null} */
  let inSeries = null;
  let amending = false;
  /** @type {string | null} */
  let trouble = null;

  /** A hold of an earlier outing, once it is read from the disk. @type {any} */
  let opened = null;
  const lineOf = (/** @type {string} */ id) => app.log.lines().find((/** @type {any} */ l) => l.hold === id) ?? null;
  /** Whether the hold is of another outing than this phone's present one: what is added to it stays here. @param {string} id */
  const isEarlier = (id) => !app.holds().some((/** @type {any} */ h) => h.id === id) && lineOf(id) !== null;
  const read = async () => {
    if (params.hold === undefined || !isEarlier(params.hold)) return;
    opened = await app.log.open(params.hold);
    draw();
  };

  const startedHold = () => {
    if (opened) return opened;
    const started = app.holds().filter((/** @type {any} */ h) => recordOf(h, frame.now).status.start_at !== null);
    return started.find((/** @type {any} */ h) => h.id === params.hold) ?? started.at(-1) ?? null;
  };

  /** @param {string} kind @param {Record<string, any>} data @param {{at?: number}} [opts] */
  const keep = async (kind, data, opts = {}) => {
    const hold = startedHold();
    if (!hold) return false;
    try {
      const earlier = isEarlier(hold.id);
      await app.record(kind, data, { ...opts, hold: hold.id, ...(earlier ? { pair: lineOf(hold.id).pair } : {}) });
      if (earlier) {
        await app.log.renew([hold.id]);
        await read();
      }
      trouble = null;
      return true;
    } catch (err) {
      trouble = /** @type {any} */ (err)?.reason ?? 'not kept: this page could not store it';
      return false;
    } finally {
      frame = app.frame();
      draw();
    }
  };

  const name = el('b', { class: 'name' });
  const setting = el('span');
  const day = el('span');
  const time = digits('d-clock');
  const tape = createTape({ kind: 'whole', width: Math.max(320, window.innerWidth), height: TAPE_PX });
  const tapeBox = el('div', { class: 'd-tape' }, tape.node);
  const charts = debriefCharts({
    pick: (ms) => {
      cursor = ms;
      readings.at(ms);
      draw();
    },
  });
  const verdict = verdictSlab({
    now: app.now,
    say: (what) => {
      asking = false;
      keep('verdict', { what });
    },
  });
  const verdictText = el('b');
  const verdictRow = row('verdict', null, verdictText, word('change', () => {
    asking = !asking;
    draw();
  }, 'change the verdict'));
  const troublePick = choice('what it was', /** @type {const} */ ([['lmc', 'LMC'], ['blackout', 'blackout'], ['unknown', 'not known']]), (what) => {
    const hold = startedHold();
    const began = hold && troubleAt(hold, frame.now);
    if (began !== null && frame.now - began >= DAY_MS) {
      trouble = 'more than a day ago: what it was can no longer be changed';
      draw();
      return;
    }
    // Said of the incident as it was: one ms into it, so that it stays one and nothing sounds anew.
    if (began !== null) keep('incident', { what }, { at: began + 1 });
  });
  const troubleRow = row('trouble was', null, troublePick.node);
  const facts = el('div', null);
  const readings = readingRow({
    keep: (data, atMs) => keep('reading', { ...data, source: 'typed' }, { at: startOf() + atMs }),
    cursor: (ms) => {
      cursor = ms;
      draw();
    },
    along: () => app.go('readings', { hold: startedHold()?.id }),
  });
  const notes = noteRows((data) => keep('note', data));
  const restWords = el('span');
  const restSub = el('span', { class: 'sub' });
  const restRow = row('rest', null, restWords, restSub);
  const againWord = word('', () => app.go('plan', {}));
  const againRow = row('or', { plain: true }, againWord, word('log', () => app.go('log'), 'open the log'), word('print', () => app.go('report', { holds: [startedHold()?.id ?? ''] })));
  const amend = amendSheet({ keep: (data) => keep('amend', data) });
  const said = el('p', { class: 'said', role: 'alert', hidden: true });
  const amendKey = el('button', { type: 'button', class: 'd-amend', onclick: () => {
    amending = !amending;
    draw();
    if (amending) amend.node.scrollIntoView({ block: 'start' });
  } });
  const nextText = el('span', { class: 'display' });
  const next = el('button', { type: 'button', class: 'd-next slab', onclick: () => app.go('plan', { swap: inSeries === null }) }, nextText);
  const foot = el('div', { class: 'd-foot' }, amendKey, next);
  const body = el('div', { class: 'd-body' }, charts.node, el('div', { class: 'sheet' }, verdictRow, troubleRow, facts, readings.node, notes.node, restRow, againRow), amend.node);
  const page = el('main', { class: 'page scroll debrief', 'aria-label': 'debrief' },
    el('header', { class: 'd-head' }, el('div', { class: 'd-left' }, name, setting, day), time.node),
    tapeBox, said, verdict.node, body, foot);
  root.append(page);

  const startOf = () => {
    const hold = startedHold();
    return (hold && recordOf(hold, frame.now).status.start_at) ?? 0;
  };
  const fit = () => {
    const width = page.clientWidth;
    if (width <= 0) return;
    tape.resize(width, TAPE_PX);
    const most = page.clientHeight < 500 ? 72 : width < 360 ? 92 : 112;
    page.style.setProperty('--clock-px', `${fitPx('0:00', (width * 2) / 3 - 18, most)}px`);
    draw();
  };
  const watcher = new ResizeObserver(fit);

  function draw() {
    const hold = startedHold();
    const record = hold && recordOf(hold, frame.now);
    const start = record?.status.start_at ?? null;
    if (!hold || !record || start === null) {
      setText(name, 'no hold yet');
      return;
    }
    const { status, summary } = record;
    const over = isOver(record, frame.now);
    setText(name, diverOf(record) || 'diver');
    setText(setting, status.plan?.setting ?? '');
    setText(day, dateWords(start));
    time.set(summary.hold_ms === null ? '–:––' : clockText(summary.hold_ms));

    const model = holdTape(hold, status, frame.now, { still: true });
    tape.update(model);
    const width = page.clientWidth || window.innerWidth;
    const told = summary.verdict !== null && !asking;
    const all = debriefOf(hold, frame.now);
    const usual = usualBefore(record, start);
    const readingsKnown = readingsOf(hold, start, frame.now);
    if (told) {
      const chart = chartFacts(record, model, { readings: readingsKnown, sites: all.sites, usual_ms: usual?.value ?? null });
      charts.update(chart, (ms) => tape.x(ms), width, cursor);
    }

    setShown(verdict.node, over && !told);
    verdict.set(summary.verdict, over && !told);
    setShown(body, told);
    setShown(foot, told);
    setClass(page, 'asks', !told);
    setText(verdictText, verdictWords(summary.verdict));
    setShown(troubleRow, summary.incident !== null);
    troublePick.set(/** @type {any} */ (summary.incident));
    drawFacts(facts, debriefRows(record, all, usual));
    readings.update({ end_ms: model.total_ms ?? 0, surfaced_ms: status.surfaced_at === null ? null : status.surfaced_at - start, cursor_ms: cursor, known: readingsKnown });
    notes.update(all);
    setShown(amend.node, amending);
    setText(amendKey, amending ? 'done' : 'amend');
    if (amending) amend.update(hold, start, model.total_ms ?? 0, frame.now);
    drawNext(status.plan?.diver ?? '', status.plan?.buddy ?? '');
    const note = trouble ?? (!over ? 'this hold is not over' : isEarlier(hold.id) ? 'an earlier outing: what is added stays on this phone and goes out with its file' : '');
    setText(said, note);
    setShown(said, note !== '');
  }

  /** The diver's usual answer time as it was before a hold, kept while the log is the same. @type {{lines: unknown, hold: string, answer: import('../rules/expect.js').Figure | null}} */
  let usually = { lines: null, hold: '', answer: null };

  /**
   * @param {import('../app/log_facts.js').HoldRecord} record
   * @param {number} start
   */
  function usualBefore(record, start) {
    if (!app.log.whole()) return null;
    const lines = app.log.lines();
    if (usually.lines !== lines || usually.hold !== record.hold.id) {
      const person = personNamed(diverOf(record), app.log.people());
      const before = holdsOfDiver(lines.filter((/** @type {any} */ l) => l.start_at < start), person);
      usually = { lines, hold: record.hold.id, answer: expectationsOf(before, record.status.plan?.setting ?? null).answer };
    }
    return usually.answer;
  }

  /**
   * @param {string} diver
   * @param {string} buddy
   */
  function drawNext(diver, buddy) {
    const holds = app.holds();
    const all = factsOf(holds, frame.now);
    const blocked = blockOf(diver, all, liftsOf(holds), frame.now);
    const rest = restOf(diver, all, frame.now);
    setText(restSub, rest ? `${rest.left_ms > 0 ? 'of ' : 'twice the hold was '}${clockText(rest.need_ms)}${rest.left_ms > 0 ? ', twice the hold' : ''}` : '');
    setText(restWords, rest ? `${clockText(rest.rest_ms)}` : '');
    // No rest makes up for a blackout or an LMC: no clock runs towards a next hold.
    if (blocked) {
      setText(restWords, 'for the day');
      setText(restSub, 'talk to an instructor or a doctor');
    }
    setShown(restRow, Boolean(blocked) || (rest !== null && rest.rest_ms < 6 * 3_600_000));
    const series = app.series();
    inSeries = series && series.series.diver === diver && series.at.next !== null ? seriesWords(series) : null;
    setText(nextText, inSeries !== null && !blocked ? inSeries : blocked ? 'no more holds today' : `${buddy || 'buddy'} dives next`);
    setClass(next, 'blocked', Boolean(blocked));
    next.disabled = Boolean(blocked);
    setShown(againWord, !blocked);
    setText(againWord, `${diver || 'diver'} again`);
  }

  watcher.observe(page);
  fit();
  draw();
  read();
  return {
    /** @param {any} nextFrame */
    update(nextFrame) {
      frame = nextFrame;
      draw();
    },
    unmount() {
      watcher.disconnect();
      verdict.detach();
      page.remove();
    },
  };
}

/**
 * When the hold's incident began, shared ms.
 * @param {import('../rules/fold.js').Hold} hold
 * @param {number} nowMs
 * @returns {number | null}
 */
function troubleAt(hold, nowMs) {
  return timelineAt(hold, nowMs).find((rung) => rung.asks === 'help')?.at ?? null;
}

/**
 * @param {HTMLElement} node
 * @param {ReturnType<typeof debriefRows>} rows
 */
function drawFacts(node, rows) {
  const shown = JSON.stringify(rows);
  if (node.dataset.shown === shown) return;
  node.dataset.shown = shown;
  node.replaceChildren(...rows.map((r) => row(r.label, null, el('span', null, r.words), r.sub ? el('span', { class: 'sub' }, r.sub) : null)));
}
