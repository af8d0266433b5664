// The buddy's page after surfacing: paced breaths, the OK sign, the looks of the watch, its locked end; AWAKE? where the
// diver came up under an alarm.

import { clockText } from '../app/clock_text.js';
import { el, setAttr, setClass, setShown, setStyle, setText } from '../app/dom.js';
import { breathAt, recoveryTape } from '../tape/facts.js';
import { icon } from '../tape/marks.js';
import { createTape } from '../tape/tape.js';
import { createAlarm } from './alarm.js';
import { alarmFace, secondsLeft } from './alarm_words.js';
import { createAwake } from './awake.js';
import { holdFacts } from './hold_facts.js';
import { faultLines, linkLine, provenWords, showFaults, showLink, toothOf } from './hold_head.js';
import { createMarks } from './marks_row.js';
import { digits, layOut, pressKey } from './parts.js';
import { newPresses } from './presses.js';
import { fitPx } from './sheet.js';
import { createSlab } from './slab.js';
import { recoverySlab } from './slab_words.js';

/** @typedef {import('./parts.js').HoldApp} HoldApp */
/** @typedef {import('./parts.js').HoldFrame} HoldFrame */
/** @typedef {import('./hold_facts.js').HoldFacts} HoldFacts */

const DEAD_MS = 1000;
const SLAB_KINDS = new Set(['look', 'ok', 'awake']);

/**
 * @param {HTMLElement} root
 * @param {HoldApp} app
 */
export function mount(root, app) {
  const name = el('span', { class: 'who' });
  const phase = el('span', { class: 'line' });
  const since = digits('since');
  const under = el('span', { class: 'line' });
  const link = linkLine();
  const word = el('span', { class: 'breath-word display' });
  const clock = digits('hold-clock');
  const faults = el('div', { class: 'faults', role: 'status' });
  const breath = el('span', { class: 'words' });
  const breathCell = el('div', { class: 'mark info' }, el('span', { class: 'face' }, el('span', { class: 'shape' }, icon('breath')), breath));
  let layout = { width: 390, height: 844, axis: 130, sideways: false, small: false, low: false, tape: 184, slab: 422, clock: 124, count: 118, room: 330 };
  const tape = createTape({ kind: 'recovery', width: layout.width, height: layout.tape });
  let failure = '';
  let offering = false;

  /** @type {HoldFacts|null} */
  let facts = null;
  const refresh = () => view.update(app.frame());
  const presses = newPresses({ app, refresh, failed: (words) => { failure = words; } });
  const trouble = (/** @type {import('./parts.js').Pressed} */ p) => presses.record('incident', { what: 'unknown' }, p.down_at);
  const slab = createSlab({
    app,
    onPress: async (press, pressed) => {
      if (!facts) return;
      const event = await presses.proof(press.record, pressed, facts.status);
      if (!event) slab.release();
    },
  });
  const awake = createAwake({ app, record: presses.record });
  const left = pressKey('corner left', { app, kind: 'dry', dead_ms: 300, onFire: trouble });
  left.face('not\nOK', 'no');
  /** @type {string|null} */
  let notUp = null;
  const right = pressKey('corner right', {
    app, kind: 'dry', dead_ms: DEAD_MS,
    onFire() {
      if (notUp) presses.takeBack(notUp);
      else {
        offering = !offering;
        refresh();
      }
    },
  });
  const early = pressKey('choice', {
    app, kind: 'alarm', dead_ms: DEAD_MS,
    onFire(p) {
      offering = false;
      presses.record('watch-ended', { early: true, name: app.frame().me.name }, p.down_at);
    },
  });
  early.face('end it early', '', 'press 1 s, kept in the log');
  const stay = pressKey('choice', {
    app, kind: 'dry',
    onFire() {
      offering = false;
      refresh();
    },
  });
  stay.face('stay');
  const offer = el('div', { class: 'choices', hidden: true }, stay.node, early.node);
  /** @type {string|null} */
  let backTarget = null;
  const back = pressKey('slab-back', { app, kind: 'dry', dead_ms: DEAD_MS, onFire: () => backTarget && presses.takeBack(backTarget) });
  const marks = createMarks({ app, record: presses.record, takeBack: presses.takeBack, refresh, first: breathCell });
  marks.choices.append(offer);
  const alarm = createAlarm({
    app,
    onPress(key, pressed) {
      if (key.does === 'quiet') {
        app.quiet();
        refresh();
      } else if (key.record === 'incident') trouble(pressed);
      else if (key.record && facts) presses.proof(key.record, pressed, facts.status);
    },
    onTrouble: trouble,
  });
  const page = el(
    'div', { class: 'page hold recovery' },
    el('div', { class: 'hold-axis' }),
    el('div', { class: 'hold-left' }, name, phase, since.node, under, link),
    el('div', { class: 'hold-right' }, word, clock.node, faults),
    el('div', { class: 'hold-tape' }, tape.node, marks.choices),
    marks.node, toothOf(), slab.node, awake.node, left.node, right.node, back.node, alarm.node,
  );
  root.append(page);

  const fit = () => {
    layout = layOut(page);
    tape.resize(layout.width, layout.tape);
    const box = layout.sideways ? layout.width * 0.29 : (layout.width * 2) / 3 - 26;
    setStyle(page, '--breath-px', `${Math.min(layout.clock * (layout.sideways ? 0.86 : 1.05), fitPx('keep', box, 400))}px`);
  };
  const watcher = new ResizeObserver(() => {
    fit();
    refresh();
  });
  watcher.observe(page);
  fit();

  /**
   * @param {HoldFrame} frame
   * @param {HoldFacts} of
   * @returns {boolean} is a breath being paced?
   */
  const header = (frame, { status, now, diver }) => {
    const base = status.recovered_at ?? status.surfaced_at ?? now;
    const ms = Math.max(0, now - base);
    const model = recoveryTape(/** @type {HoldFacts} */ (facts).hold, status, now);
    const paced = ms < (model.breaths_to_ms ?? 0);
    const run = breathAt(ms);
    const due = status.standing !== null;
    tape.update({ ...model, calm: !paced && !due });
    setText(name, diver);
    setText(phase, status.phase);
    since.set(clockText(ms));
    setShown(since.node, paced);
    setShown(word, paced);
    setText(word, paced ? run.word : '');
    setShown(clock.node, !paced);
    clock.set(clockText(ms));
    const hold = status.start_at === null || status.surfaced_at === null ? '' : `hold ${clockText(status.surfaced_at - status.start_at)}`;
    setText(under, paced && layout.low && !layout.sideways ? '' : hold);
    setText(breath, paced ? `breath ${run.n}` : status.watch_end_at === null ? '' : `ends ${clockText(status.watch_end_at - base)}`);
    setClass(breathCell, 'quiet', !paced);
    showLink(link, frame.link);
    showFaults(faults, faultLines(frame, failure), provenWords(frame.sound, frame.now));
    return paced;
  };

  const view = {
    /** @param {HoldFrame} frame */
    update(frame) {
      facts = holdFacts(frame, { quiet: app.prefs.get('quiet') !== false });
      if (!facts) return false;
      const { status, dry, takeBack } = facts;
      const paced = header(frame, facts);
      const face = recoverySlab(facts);
      const due = status.standing !== null;
      setAttr(page, 'data-tone', status.awake_due ? 'prompt' : face.tone);
      const surfaced = takeBack.filter((p) => p.kind === 'surfaced').pop() ?? null;
      notUp = surfaced?.id ?? null;
      const locked = status.watch_locked && !surfaced;
      if (!locked) offering = false;
      right.face(surfaced ? `not\nup ${secondsLeft(surfaced)}` : locked ? 'watch' : '', surfaced ? 'back' : locked ? 'lock' : '', locked ? endWords(facts) : '');
      right.setMeaning(surfaced ? 'not up' : locked ? 'locked' : 'none');
      right.setEnabled(surfaced !== null || locked);
      setShown(right.node, surfaced !== null || locked);
      setShown(offer, offering);
      const own = takeBack.filter((p) => SLAB_KINDS.has(p.kind)).pop() ?? null;
      const showBack = own !== null && face.tone === 'wait' && face.press !== null && !due;
      backTarget = own?.id ?? null;
      setShown(back.node, showBack);
      back.setMeaning(own?.id ?? '');
      if (own) back.face(`take back ${secondsLeft(own)}`, 'back');
      slab.update(showBack ? { ...face, hint: [], soft: '' } : face, layout);
      awake.update(status.awake_due ? facts : null, layout);
      setClass(page, 'asking-awake', status.awake_due);
      left.setMeaning('not ok');
      for (const key of [left, right, stay, back]) key.setKind(dry ? 'dry' : 'pool');
      marks.update(facts);
      const red = alarmFace(facts);
      setClass(page, 'in-alarm', red !== null);
      alarm.update(red, layout, app.place());
      return paced || (due && red === null);
    },
    unmount() {
      watcher.disconnect();
      for (const part of [slab, left, right, back, early, stay, marks, alarm, awake]) part.detach();
      page.remove();
    },
  };
  return view;
}

/** @param {HoldFacts} facts */
function endWords({ status }) {
  if (status.watch_end_at === null) return '';
  const base = status.recovered_at ?? status.surfaced_at ?? status.watch_end_at;
  return `to ${clockText(status.watch_end_at - base)}`;
}
