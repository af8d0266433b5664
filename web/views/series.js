/**
 * A series: several holds with rests, drawn and pulled into shape on one long
 * tape. It is a proposal; every hold of it is planned, guarded, watched and
 * debriefed like any other, and anybody may end it.
 */

import { el, setAttr, setShown, setText } from '../app/dom.js';
import { clockOf, clockTextS } from '../app/clock_text.js';
import { DRAFTS, holdId, newDeviceId } from '../app/device.js';
import { expected } from '../app/expected.js';
import { guardLine } from '../app/guard_words.js';
import { personNamed } from '../app/people.js';
import { MADE, newSeries, nudged, placesOf, pulled, recounted, remade, stepsOf } from '../app/series_form.js';
import { seriesWords } from '../app/series_now.js';
import { marginS, shortRests } from '../rules/guards.js';
import { firstDraft } from './plan_draft.js';
import { seriesTape } from './series_tape.js';
import { choice, row, word } from './sheet.js';

/** @typedef {import('../app/series_form.js').SeriesForm} SeriesForm */

/**
 * @param {HTMLElement} root
 * @param {any} app
 */
export function mount(root, app) {
  /** @type {any} */
  let frame = app.frame();
  const draft = firstDraft(app);
  const log = expected(app, draft.diver, draft.setting);
  const longestS = log.longest.value === null ? null : Math.floor(log.longest.value / 1000);
  let form = keptForm() ?? newSeries(longestS);
  /** @type {string | null} */
  let trouble = null;

  /** @param {SeriesForm} next */
  const edit = (next) => {
    form = next;
    try {
      sessionStorage.setItem(DRAFTS.series, JSON.stringify(form));
    } catch {
      // No store here: the form lasts as long as the view.
    }
    draw();
  };

  const tape = seriesTape({
    pull: (notch, atS) => edit(pulled(form, notch, atS)),
    nudge: (notch, byS) => edit(nudged(form, notch, byS)),
  });
  const made = choice('how it is made', /** @type {any} */ (MADE), (v) => edit(remade(form, /** @type {any} */ (v))));
  const count = el('b', { class: 'count-of' });
  const key = (/** @type {string} */ sign, /** @type {string} */ label, /** @type {1 | -1} */ by) =>
    el('button', { type: 'button', class: 'key step', 'aria-label': label, onclick: () => edit(recounted(form, by)) }, sign);
  const whole = el('span', { class: 'sub' });
  const says = el('ul', { class: 'says', role: 'status' });
  const running = el('p', null);
  const endWord = word('end the series', end);
  const runningRow = row('under way', { class: 'tall' }, running, endWord);
  const said = el('p', { class: 'said', role: 'alert', hidden: true });
  const go = el('button', { type: 'button', class: 'key fill', onclick: keep }, 'plan the first hold');
  const page = el('main', { class: 'page scroll series', 'aria-label': 'series' },
    el('div', { class: 'sheet' },
      row('series', null, el('h1', { class: 'display' }, draft.diver || 'no diver yet'), el('span', { class: 'sub' }, [draft.setting, draft.buddy ? `${draft.buddy} watches` : ''].filter(Boolean).join(', '))),
      runningRow,
      row('made of', { class: 'tall' }, made.node),
      row('holds', null, count, el('span', { class: 'steps' }, key('−', 'one hold less', -1), key('+', 'one hold more', 1)), whole)),
    tape.node,
    el('p', { class: 'sub hint' }, 'Pull a notch: above a hold’s end, below a rest’s. Arrow keys move the chosen one.'),
    el('div', { class: 'sheet' }, row('to know', { class: 'tall' }, says)),
    el('div', { class: 'go-bar two' }, said, el('button', { type: 'button', class: 'key', onclick: () => app.go('plan') }, 'back'), go));
  root.append(page);
  const watcher = new ResizeObserver(() => draw());
  watcher.observe(page);

  async function keep() {
    if (draft.diver.trim() === '' || draft.buddy.trim() === '') {
      app.go('plan');
      return;
    }
    const people = app.log.people();
    const ids = Object.fromEntries(/** @type {const} */ (['diver', 'buddy']).flatMap((who) => {
      const { id } = personNamed(draft[who], people);
      return id === null ? [] : [[`${who}_id`, id]];
    }));
    const data = {
      series: newDeviceId((bytes) => crypto.getRandomValues(bytes)), diver: draft.diver.trim(), buddy: draft.buddy.trim(), ...ids,
      setting: draft.setting, made: form.made, steps: stepsOf(form),
    };
    if (await record(data)) app.go('plan');
  }

  async function end() {
    const now = app.series();
    if (now) await record({ series: now.series.series, ended: true });
    draw();
  }

  /** @param {Record<string, any>} data */
  async function record(data) {
    try {
      await app.record('series', data, { hold: holdId(frame.me.device, 0) });
      trouble = null;
      return true;
    } catch (err) {
      trouble = /** @type {any} */ (err)?.reason ?? 'not kept: this page could not store it';
      draw();
      return false;
    }
  }

  function draw() {
    const steps = stepsOf(form);
    const places = placesOf(steps);
    made.set(form.made);
    setText(count, String(form.count));
    setText(whole, `${clockTextS(places[places.length - 1].hold_end_s)} in all`);
    tape.update(steps, {
      setting: draft.setting, cadence: draft.cadence, longest_s: longestS, onset_s: log.onset.value === null ? null : Math.floor(log.onset.value / 1000),
    }, page.clientWidth || innerWidth);
    const lines = sayings(steps);
    if (says.textContent !== lines.join('')) says.replaceChildren(...lines.map((line) => el('li', null, line)));
    const now = app.series();
    setShown(runningRow, now !== null);
    if (now) setText(running, seriesWords(now));
    const mine = ['buddy', 'instructor'].includes(frame.me?.role ?? 'buddy');
    setAttr(go, 'disabled', mine ? null : true);
    setText(said, trouble ?? (mine ? '' : 'the buddy’s phone plans and starts'));
    setShown(said, Boolean(said.textContent));
  }

  /**
   * What a person should know of the series before its first hold, a line each.
   * @param {import('../rules/series.js').Step[]} steps
   */
  function sayings(steps) {
    const lines = [];
    const short = shortRests(steps);
    const about = { planned_s: null, buddy: draft.buddy, now_ms: frame.now };
    if (short > 0) lines.push(guardLine({ what: 'series-rest', hard: false, source: 'common practice', rests: short }, about));
    const longest = Math.max(...steps.map((s) => s.planned_s));
    if (longestS === null) lines.push('the longest clean hold is not known: every hold asks closely');
    else if (longest > longestS + marginS(longestS)) lines.push(`the longest here is ${clockTextS(longest)}, the longest clean hold ${clockOf(log.longest.value)} (from the log)`);
    lines.push('every hold is planned and asked about before it begins; an incident ends the series');
    return lines;
  }

  draw();
  return {
    /** @param {any} next */
    update(next) {
      frame = next;
      draw();
    },
    unmount() {
      watcher.disconnect();
      page.remove();
    },
  };
}

/** The form as it was left, if anything. @returns {SeriesForm | null} */
function keptForm() {
  try {
    const kept = JSON.parse(sessionStorage.getItem(DRAFTS.series) ?? 'null');
    return kept && Number.isInteger(kept.count) && Array.isArray(kept.free) ? kept : null;
  } catch {
    return null;
  }
}
