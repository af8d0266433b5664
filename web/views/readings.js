/**
 * Oximeter readings in big digits: on a second device while a hold runs, or
 * afterwards along the tape, beside a video of the oximeter. Never asked of
 * the only buddy in a hold.
 */

import { el, setShown, setText } from '../app/dom.js';
import { recordOf } from '../app/log_facts.js';
import { msAt } from '../app/scales.js';
import { askWords, doubtKey, previousReading, readingLine } from '../app/reading_facts.js';
import { clockText } from '../app/clock_text.js';
import { debriefOf } from '../rules/debrief.js';
import { judgeReading, READING_LIMITS } from '../rules/readings.js';
import { createTape } from '../tape/tape.js';
import { holdTape } from '../tape/facts.js';
import { choice, key, row } from './sheet.js';

const TAPE_PX = 84;
/** Steps along the tape (s). */
const STEPS = Object.freeze(/** @type {const} */ ([[5, '5 s'], [10, '10 s'], [15, '15 s'], [30, '30 s']]));

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{hold?: string}} [params] a hold that is over; missing: the one that runs
 */
export function mount(root, app, params = {}) {
  /** @type {any} */
  let frame = app.frame();
  const along = params.hold !== undefined;
  /** @type {any} */
  let hold = null;
  let pair = '';
  let at = 0;
  /** @type {5 | 10 | 15 | 30} */
  let step = 10;
  /** @type {'spo2' | 'hr'} */
  let typing = 'spo2';
  /** @type {Record<'spo2' | 'hr', string>} */
  let typed = { spo2: '', hr: '' };
  /** When the first digit of the reading was typed, shared ms. @type {number | null} */
  let begun = null;
  let sure = '';
  let trouble = '';

  const time = el('span', { class: 'digits read-time' });
  const about = el('span', { class: 'sub' });
  const tape = createTape({ kind: 'whole', width: Math.max(320, innerWidth), height: TAPE_PX });
  const cursor = el('span', { class: 'tape-cursor' });
  const scrub = el('div', {
    class: 'scrub', role: 'slider', tabindex: 0, 'aria-label': 'time on the tape', hidden: !along,
    onpointerdown: (/** @type {PointerEvent} */ e) => {
      scrub.setPointerCapture(e.pointerId);
      seek(e);
    },
    onpointermove: (/** @type {PointerEvent} */ e) => {
      if (scrub.hasPointerCapture(e.pointerId)) seek(e);
    },
    onkeydown: (/** @type {KeyboardEvent} */ e) => {
      const by = { ArrowRight: 1, ArrowLeft: -1, PageUp: step, PageDown: -step }[e.key];
      if (by === undefined) return;
      e.preventDefault();
      go(at + by * 1000);
    },
  }, tape.node, cursor);
  const steps = choice('step', STEPS, (s) => {
    step = s;
    steps.set(step);
  });
  steps.set(step);
  const moves = el('div', { class: 'read-moves', hidden: !along },
    key('−1 s', () => go(at - 1000)), key('+1 s', () => go(at + 1000)), el('span', { class: 'sub' }, 'next after'), steps.node);
  /** @param {'spo2' | 'hr'} what @param {string} name */
  const value = (what, name) => {
    const shown = el('span', { class: 'digits' });
    const node = el('button', { type: 'button', class: 'read-value', onclick: () => {
      typing = what;
      draw();
    } }, el('span', { class: 'sub' }, name), shown);
    return { node, shown };
  };
  const spo2 = value('spo2', 'SpO₂');
  const hr = value('hr', 'pulse');
  const pad = el('div', { class: 'read-pad', role: 'group', 'aria-label': 'digits' },
    [...'123456789'].map((d) => key(d, () => digit(d))), key('clear', clear), key('0', () => digit('0')), key('⌫', back));
  const words = el('p', { class: 'said', role: 'status' });
  const last = el('p', { class: 'sub' });
  const keepKey = el('button', { type: 'button', class: 'key fill', onclick: keep }, along ? 'keep, next' : 'keep');
  const leave = el('button', { type: 'button', class: 'key', onclick: () => (along ? app.go('debrief', { hold: params.hold }) : app.prefs.set('reads', false)) }, along ? 'done' : 'to the hold');
  const page = el('main', { class: 'page scroll readings', 'aria-label': 'readings' },
    el('div', { class: 'sheet' }, row('readings', null, time, about)),
    scrub, moves, el('div', { class: 'read-values' }, spo2.node, hr.node), pad, words, last,
    el('p', { class: 'sub hint' }, 'A finger shows late: tens of seconds after the body. Look at the diver, not at this.'),
    el('div', { class: 'go-bar two' }, leave, keepKey));
  root.append(page);
  const onKey = (/** @type {KeyboardEvent} */ e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    if (/^\d$/.test(e.key)) digit(e.key);
    else if (e.key === 'Backspace') back();
    else if (e.key === 'Enter' && e.target === document.body) keep();
  };
  addEventListener('keydown', onKey);
  const watcher = new ResizeObserver(() => {
    if (page.clientWidth > 0) tape.resize(page.clientWidth, TAPE_PX);
    draw();
  });
  watcher.observe(page);

  const load = async () => {
    if (params.hold === undefined) return;
    hold = await app.log.open(params.hold);
    const line = app.log.lines().find((/** @type {any} */ l) => l.hold === params.hold);
    pair = line?.pair ?? '';
    draw();
  };
  const current = () => (along ? hold : frame.hold);
  const facts = () => {
    const h = current();
    if (!h) return null;
    const record = recordOf(h, frame.now);
    const start = record.status.start_at;
    if (start === null) return null;
    const told = debriefOf(h, frame.now);
    const model = along ? holdTape(h, record.status, frame.now, { still: true }) : null;
    const surfaced = record.status.surfaced_at === null ? null : record.status.surfaced_at - start;
    return { record, start, told, model, surfaced, end: model?.total_ms ?? frame.now - start };
  };

  /** @param {number} ms */
  function go(ms) {
    const end = facts()?.end ?? 0;
    at = Math.min(end, Math.max(0, ms));
    draw();
  }
  /** @param {PointerEvent} e */
  function seek(e) {
    const f = facts();
    if (f) go(msAt(e.clientX - scrub.getBoundingClientRect().left, (ms) => tape.x(ms), f.end));
  }
  /** @param {string} d */
  function digit(d) {
    begun ??= app.now();
    const next = typed[typing] + d;
    if (next.length > 3) return;
    typed = { ...typed, [typing]: next };
    // SpO₂ has two digits, or is 100: then the pulse is typed.
    if (typing === 'spo2' && (next.length === 3 || (next.length === 2 && next !== '10'))) typing = 'hr';
    trouble = '';
    draw();
  }
  function back() {
    if (typed[typing] === '' && typing === 'hr') typing = 'spo2';
    typed = { ...typed, [typing]: typed[typing].slice(0, -1) };
    draw();
  }
  function clear() {
    typed = { spo2: '', hr: '' };
    typing = 'spo2';
    begun = null;
    sure = '';
    trouble = '';
    draw();
  }

  async function keep() {
    const f = facts();
    if (!f) return;
    const number = (/** @type {string} */ t) => (t === '' ? null : Number(t));
    const instant = along ? at : Math.max(0, (begun ?? app.now()) - f.start);
    const reading = { spo2: number(typed.spo2), hr: number(typed.hr), at: instant };
    if (reading.spo2 === null && reading.hr === null) {
      if (along) go(at + step * 1000);
      return;
    }
    const { refused, ask } = judgeReading(reading, previousReading(f.told.readings, instant));
    if (refused.length > 0) {
      trouble = `${refused.map((r) => (r.field === 'spo2' ? `SpO₂ is ${READING_LIMITS.spo2.join(' to ')}` : `pulse is ${READING_LIMITS.hr.join(' to ')}`)).join(', ')}: type it again`;
      draw();
      return;
    }
    if (ask.length > 0 && sure !== doubtKey({ ...reading, at: along ? instant : 0 })) {
      sure = doubtKey({ ...reading, at: along ? instant : 0 });
      trouble = `${askWords(reading, ask)} If it is so, press keep again.`;
      draw();
      return;
    }
    /** @type {Record<string, unknown>} */
    const data = { source: 'typed' };
    if (reading.spo2 !== null) data.spo2 = reading.spo2;
    if (reading.hr !== null) data.hr = reading.hr;
    try {
      const earlier = along && !app.holds().some((/** @type {any} */ h) => h.id === current().id);
      await app.record('reading', data, { at: f.start + instant, hold: current().id, soft: true, ...(earlier ? { pair } : {}) });
      if (earlier) {
        await app.log.renew([params.hold]);
        await load();
      }
      clear();
      if (along) go(at + step * 1000);
    } catch (err) {
      trouble = /** @type {any} */ (err)?.reason ?? 'not kept: this page could not store it';
    }
    draw();
  }

  function draw() {
    const f = facts();
    setText(time, f === null ? '–:––' : clockText(along ? at : frame.now - f.start));
    setText(about, f === null ? 'no hold runs' : along && f.surfaced !== null && at >= f.surfaced ? `${clockText(at - f.surfaced)} after surfacing` : '');
    if (f?.model) {
      tape.update(f.model);
      cursor.style.setProperty('left', `${Math.round(tape.x(at))}px`);
      scrub.setAttribute('aria-valuenow', String(Math.round(at / 1000)));
      scrub.setAttribute('aria-valuemax', String(Math.round(f.end / 1000)));
      scrub.setAttribute('aria-valuemin', '0');
      scrub.setAttribute('aria-valuetext', clockText(at));
    }
    for (const [what, v] of /** @type {const} */ ([['spo2', spo2], ['hr', hr]])) {
      setText(v.shown, typed[what] || '––');
      v.node.setAttribute('aria-pressed', String(typing === what));
    }
    setText(words, trouble);
    setShown(words, trouble !== '');
    const newest = f?.told.readings.filter((r) => !along || r.at_ms <= at).at(-1);
    const age = newest && f && !along ? `, ${clockText(frame.now - f.start - newest.at_ms)} ago` : '';
    setText(last, newest && f ? `before: ${readingLine(newest, f.surfaced)}${age}` : 'no reading yet');
  }

  load();
  draw();
  return {
    /** @param {any} next */
    update(next) {
      frame = next;
      draw();
    },
    unmount() {
      removeEventListener('keydown', onKey);
      watcher.disconnect();
      page.remove();
    },
  };
}
