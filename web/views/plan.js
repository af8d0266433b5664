/**
 * The plan sheet: what the two agree on before a hold. Everything is filled in
 * from the last hold and from the diver's log; the whole tape of the coming
 * checks follows what is typed; a guard slab stands on the place of the tape
 * it speaks of. The filled key is the one thing to do.
 */

import { el, setAttr, setClass, setShown, setText } from '../app/dom.js';
import { readDraft, withLog, withOuting, withSetting } from '../app/plan_form.js';
import { guardsOf, sameName } from '../app/guards.js';
import { guardKey, guardLine, guardWords, sourceWords } from '../app/guard_words.js';
import { clockText, clockTextS } from '../app/clock_text.js';
import { expected, isFromLog, profileLines, usualLines } from '../app/expected.js';
import { factsOf, liftsOf, newestPlan } from '../app/log_facts.js';
import { knownPairs, personNamed } from '../app/people.js';
import { seriesStep, seriesWords } from '../app/series_now.js';
import { holdId } from '../app/device.js';
import { divedBy, firstDraft, keepDraft, swapDraft } from './plan_draft.js';
import { nextStep } from './next_step.js';
import { phonesRow } from './plan_phones.js';
import { planRows } from './plan_rows.js';
import { moreRows } from './plan_more.js';
import { guardSlab } from './plan_guard.js';
import { planStrip } from './plan_strip.js';

/** @typedef {import('../app/plan_form.js').Draft} Draft */

/** Known people and pairs offered at once. */
const PEOPLE = 8;
const PAIRS = 3;
/** No guard looks further back than this (ms). */
const GUARDED_MS = 60 * 86_400_000;

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{swap?: boolean}} [params] `swap`: the two change over
 */
export function mount(root, app, params = {}) {
  let draft = firstDraft(app);
  if (params.swap) draft = swapDraft(app, draft);
  /** Whose figures stand in the sheet. */
  let figuresOf = draft.diver.trim();
  /** Guards gone over on the buddy's word, by what they were good for. @type {Map<string, {guard: string, name: string}>} */
  const wentOn = new Map();
  /** Fields that may show their sentence: left once, or asked for by the key. @type {Set<string>} */
  const asked = new Set();
  let endTyped = false;
  let waiting = false;
  let busy = false;
  /** @type {string | null} */
  let refused = null;
  /** @type {any} */
  let frame = app.frame();

  /** @param {Partial<Draft>} change */
  const edit = (change) => {
    if ('end_by' in change) endTyped = change.end_by !== '';
    if ('cadence' in change) change = { ...change, cadence_at: frame.now };
    if (change.setting && change.setting !== draft.setting) {
      draft = withSetting({ ...draft, setting: change.setting }, expected(app, draft.diver, draft.setting), expected(app, draft.diver, change.setting));
    }
    // An agreed end that only came from the last plan follows the new planned time again.
    draft = { ...draft, ...('planned' in change && !endTyped ? { end_by: '' } : {}), ...change };
    keepDraft(app, draft);
    refused = null;
    draw();
  };
  /** @param {string} name */
  const left = (name) => {
    asked.add(name);
    if (name === 'diver') another();
    draw();
  };
  /** Another diver's name brings that diver's own figures: nobody's plan is held against somebody else's log (H19). */
  const another = () => {
    if (draft.diver.trim() === '' || sameName(draft.diver, figuresOf)) return;
    // A sheet that was nobody's keeps what was typed into it before the name.
    draft = figuresOf === '' ? withLog(draft, expected(app, draft.diver, draft.setting)) : divedBy(app, draft);
    figuresOf = draft.diver;
    keepDraft(app, draft);
  };
  const swap = () => {
    draft = swapDraft(app, draft);
    figuresOf = draft.diver;
    keepDraft(app, draft);
    draw();
  };

  /** The step of a series that filled in the planned time. */
  let stepped = '';
  /** The next hold of a series brings its planned time, once. */
  const followSeries = () => {
    const step = seriesStep(app.series(), draft.diver);
    const key = step ? `${step.series} ${step.series_no}` : '';
    if (step && key !== stepped) draft = { ...draft, planned: clockTextS(step.planned_s), end_by: '' };
    stepped = key;
    return step;
  };
  const endSeries = () => {
    const now = app.series();
    if (now) attempt(() => app.record('series', { series: now.series.series, ended: true }, { hold: holdId(frame.me.device, 0) }));
  };

  /** @param {{diver?: string, buddy?: string}} people */
  const choose = (people) => {
    draft = { ...draft, ...people };
    if (people.diver !== undefined) {
      // Whoever dives now watches no more.
      if (people.buddy === undefined && sameName(draft.diver, draft.buddy)) draft.buddy = '';
      draft = divedBy(app, draft);
      figuresOf = draft.diver;
    }
    keepDraft(app, draft);
    draw();
  };

  /** @type {{lines: unknown, pairs: {diver: string, buddy: string}[]}} */
  let pairs = { lines: null, pairs: [] };
  /** @param {any[]} lines */
  const pairsOf = (lines) => {
    if (pairs.lines !== lines) pairs = { lines, pairs: knownPairs(lines, PAIRS) };
    return pairs.pairs;
  };

  const mayPlan = () => ['buddy', 'instructor'].includes(frame.me?.role ?? 'buddy');
  const phones = phonesRow(app);
  const rows = planRows({ edit, left, swap, choose, endSeries, phones: phones.node });
  const more = moreRows({ app, edit, left });
  const tape = planStrip();
  const guard = guardSlab({ act });
  const goText = el('span', { class: 'display' }, 'breathe-up');
  const goLead = el('span', { class: 'lead' });
  const go = el('button', { type: 'button', class: 'go', onclick: press }, goLead, goText);
  const said = el('p', { class: 'said', role: 'status', hidden: true });
  const page = el('main', { class: 'page scroll plan', 'aria-label': 'plan sheet' },
    rows.node, tape.node, guard.node, el('div', { class: 'go-bar' }, said, go), more.node);
  root.append(page);

  /** The sheet as it stands: what it says, and what stands in the way. */
  function read() {
    const now = frame.now;
    const holds = app.holds();
    draft = withOuting(draft, frame.outing?.cadence, newestPlan(holds)?.at ?? 0);
    const facts = factsOf(holds, now);
    const sheet = readDraft(draft, now);
    const lines = app.log.lines();
    const people = app.log.people();
    const diver = personNamed(draft.diver, people);
    const series = app.series();
    const log = expected(app, draft.diver, draft.setting);
    const others = (frame.present ?? [])
      .filter((/** @type {any} */ d) => d.role === 'buddy' || d.role === 'instructor')
      .map((/** @type {any} */ d) => d.name ?? '');
    const guards = guardsOf({
      now_ms: now,
      diver: draft.diver,
      buddy: draft.buddy,
      planned_s: sheet.planned_s,
      end_by_s: sheet.end_by_s,
      longest_s: sheet.longest_s,
      longest_from: isFromLog(log.longest, draft.longest) ? 'log' : 'typed',
      diver_id: diver.id,
      buddy_id: personNamed(draft.buddy, people).id,
      series: seriesStep(series, draft.diver) ? series.series : null,
      holds: facts,
      log: lines.filter((/** @type {any} */ l) => l.start_at > now - GUARDED_MS),
      lifts: liftsOf(holds),
      others,
    });
    const about = { planned_s: sheet.planned_s, longest_s: sheet.longest_s, diver: draft.diver, buddy: draft.buddy };
    const standing = guards.filter((g) => g.hard || !wentOn.has(guardKey(g, about)));
    return { sheet, guards, standing, about, now, log, people, lines, series };
  }

  /**
   * A key of the guard slab.
   * @param {import('../app/guard_words.js').GuardAct} what
   * @param {import('../app/guards.js').Guard} g
   */
  function act(what, g) {
    const { about } = read();
    if (what === 'plan') edit({ planned: clockTextS(g.suggest_s ?? 0), end_by: '' });
    else if (what === 'plan-end') edit({ end_by: clockTextS(g.suggest_s ?? 0) });
    else if (what === 'wait') waiting = true;
    else if (what === 'debrief') app.go('debrief', { hold: g.hold });
    else if (what === 'live') app.go('live');
    else if (what === 'go-on') wentOn.set(guardKey(g, about), { guard: g.what, name: draft.buddy.trim() });
    draw();
  }

  /** @param {() => Promise<unknown>} what */
  async function attempt(what) {
    if (busy) return false;
    busy = true;
    try {
      await what();
      refused = null;
      return true;
    } catch (err) {
      refused = /** @type {any} */ (err)?.reason ?? 'not kept: this page could not store it';
      return false;
    } finally {
      busy = false;
      draw();
    }
  }

  async function press() {
    app.sound.arm();
    const { sheet, standing, about, guards, people, series } = read();
    if (sheet.data === null) {
      for (const name of Object.keys(sheet.errors)) asked.add(name);
      draw();
      if (!rows.focusFirst(sheet.errors)) more.focusFirst(sheet.errors);
      return;
    }
    if (standing.length > 0) {
      waiting = false;
      draw();
      guard.focus();
      return;
    }
    const data = { ...sheet.data };
    for (const who of /** @type {const} */ (['diver', 'buddy'])) {
      const { id } = personNamed(draft[who], people);
      if (id !== null) data[`${who}_id`] = id;
    }
    const step = seriesStep(series, draft.diver);
    if (step) Object.assign(data, { series: step.series, series_no: step.series_no });
    const over = guards.map((g) => wentOn.get(guardKey(g, about))).filter(Boolean);
    if (over.length > 0) data.went_on = over;
    const begun = frame.status && ['planned', 'breathe-up'].includes(frame.status.phase) && frame.hold;
    if (await attempt(() => (begun ? app.record('plan', data) : app.newHold(data)))) nextStep(app, series?.at.rest_until_at ?? null);
  }

  function draw() {
    followSeries();
    const { sheet, standing, now, log, people, lines, series } = read();
    const mine = mayPlan();
    const diver = personNamed(draft.diver, people);
    const profile = app.log.profiles().find((/** @type {any} */ p) => p.diver_id === diver.id) ?? null;
    const shown = Object.fromEntries(Object.entries(sheet.errors).filter(([name]) => asked.has(name)));
    rows.update({
      draft, sheet, errors: shown, log, now, frame, told: profileLines(profile, now), series: series ? seriesWords(series) : '',
      met: { people: people.slice(0, PEOPLE).map((/** @type {any} */ p) => p.name), pairs: pairsOf(lines) },
    });
    phones.update(draft.diver, frame);
    more.update({ draft, errors: shown, frame, holds: lines.length, usual: draft.diver.trim() === '' ? [] : usualLines(log) });
    tape.update(sheet.partial);

    const first = standing[0] ?? null;
    const resting = standing.length === 0 && seriesStep(series, draft.diver) ? series.at.rest_left_ms : 0;
    const left = standing.every((g) => g.what === 'rest' || g.what === 'buddy-rest')
      ? Math.max(0, ...standing.map((g) => g.left_ms ?? 0))
      : 0;
    if (standing.length === 0) waiting = false;
    const saying = { planned_s: sheet.planned_s, buddy: draft.buddy, now_ms: now };
    const words = first && guardWords(first, saying);
    const slab = first && !(waiting && left > 0);
    guard.update(slab && words
      ? { guard: first, words, source: sourceWords(first), also: standing.slice(1).map((g) => guardLine(g, saying)) }
      : null);
    tape.point(slab && words ? (words.at_plan ? (sheet.planned_s ?? 0) * 1000 : 0) : null);
    setClass(page, 'guarded', Boolean(slab));
    setText(goLead, first ? 'then' : resting > 0 ? `rest ${clockText(resting + 999)}` : '');
    setShown(goLead, Boolean(first) || resting > 0);
    setText(goText, waiting && left > 0 ? `rest ${clockText(left + 999)}` : 'breathe-up');
    setClass(go, 'fill', !first && mine);
    setAttr(go, 'disabled', mine ? null : true);
    const note = mine ? refused : 'the buddy’s phone plans and starts';
    setText(said, note ?? '');
    setShown(said, Boolean(note));
  }

  draw();
  return {
    /** @param {any} next */
    update(next) {
      frame = next;
      draw();
    },
    unmount() {
      tape.unmount();
      page.remove();
    },
  };
}

