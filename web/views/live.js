// The buddy's page in a hold. One thing to do at a time; the lower half is one press surface whose words are the state.

import { clockText } from '../app/clock_text.js';
import { el, setAttr, setClass, setShown, setText } from '../app/dom.js';
import { holdTape } from '../tape/facts.js';
import { createTape } from '../tape/tape.js';
import { createAlarm } from './alarm.js';
import { alarmFace, secondsLeft } from './alarm_words.js';
import { holdFacts } from './hold_facts.js';
import { faultLines, linkLine, provenWords, showFaults, showLink, toothOf } from './hold_head.js';
import { createMarks } from './marks_row.js';
import { digits, layOut, pressKey } from './parts.js';
import { newPresses } from './presses.js';
import { createSlab } from './slab.js';
import { askStands, liveSlab } from './slab_words.js';

/** @typedef {import('./parts.js').HoldApp} HoldApp */
/** @typedef {import('./parts.js').HoldFrame} HoldFrame */
/** @typedef {import('./hold_facts.js').HoldFacts} HoldFacts */

const DEAD_MS = 1000;
/** Presses of the slab that the key between the corners takes back. */
const SLAB_KINDS = new Set(['look', 'asked', 'answered']);

/**
 * @param {HTMLElement} root
 * @param {HoldApp} app
 */
export function mount(root, app) {
  const name = el('span', { class: 'who' });
  const setting = el('span', { class: 'line' });
  const stage = el('span', { class: 'line stage-word' });
  const swatch = el('span', { class: 'swatch' });
  const link = linkLine();
  const clock = digits('hold-clock');
  const faults = el('div', { class: 'faults', role: 'status' });
  let layout = { width: 390, height: 844, axis: 130, sideways: false, small: false, low: false, tape: 184, slab: 422, clock: 124, count: 118, room: 330 };
  const tape = createTape({ kind: 'live', width: layout.width, height: layout.tape });
  let failure = '';

  /** @type {HoldFacts|null} */
  let facts = null;
  const refresh = () => view.update(app.frame());
  const presses = newPresses({
    app,
    refresh,
    failed: (words) => {
      failure = words;
    },
  });
  const slab = createSlab({
    app,
    onPress: async (press, pressed) => {
      if (!facts) return;
      const event = await presses.proof(press.record, pressed, facts.status);
      if (!event) slab.release();
    },
  });
  const left = pressKey('corner left', { app, kind: 'dry', dead_ms: 300, onFire: (p) => presses.record('no-answer', {}, p.down_at) });
  left.face('no\nanswer', 'no');
  left.setMeaning('no answer');
  // An alarm that sounds on here may be one that the history no longer knows: whoever comes up under it is asked all the same.
  const surfaced = (/** @type {import('./parts.js').Pressed} */ p) => presses.record('surfaced', facts?.kept ? { alarm: true } : {}, p.down_at);
  const right = pressKey('corner right', { app, kind: 'up', onFire: surfaced });
  right.face('they’re\nup', 'up');
  right.setMeaning('up');
  /** @type {string|null} */
  let backTarget = null;
  const back = pressKey('slab-back', { app, kind: 'dry', dead_ms: DEAD_MS, onFire: () => backTarget && presses.takeBack(backTarget) });
  const marks = createMarks({ app, record: presses.record, takeBack: presses.takeBack, refresh });
  const alarm = createAlarm({
    app,
    onPress(key, pressed) {
      if (key.does === 'quiet') {
        app.quiet();
        refresh();
      } else if (key.does === 'take-back' && key.target) presses.takeBack(key.target);
      else if (key.record === 'surfaced') surfaced(pressed);
      else if (key.record && facts) presses.proof(key.record, pressed, facts.status);
    },
    onTrouble: (p) => presses.record('incident', { what: 'unknown' }, p.down_at),
  });
  const tooth = toothOf();
  const page = el(
    'div', { class: 'page hold live' },
    el('div', { class: 'hold-axis' }),
    el('div', { class: 'hold-left' }, name, setting, stage, swatch, link),
    el('div', { class: 'hold-right' }, clock.node, faults),
    el('div', { class: 'hold-tape' }, tape.node, marks.choices),
    marks.node, tooth, slab.node, left.node, right.node, back.node, alarm.node,
  );
  root.append(page);

  let widest = '0:00';
  const fit = () => {
    layout = layOut(page, widest);
    tape.resize(layout.width, layout.tape);
  };
  const watcher = new ResizeObserver(() => {
    fit();
    refresh();
  });
  watcher.observe(page);
  fit();

  /** @param {HoldFrame} frame */
  const header = (frame) => {
    if (!facts) return;
    const { status, now } = facts;
    setText(name, facts.diver);
    setText(setting, facts.setting);
    setText(stage, status.stage ?? '');
    setAttr(swatch, 'data-stage', status.stage ?? '');
    const text = clockText(Math.max(0, now - (status.start_at ?? now)));
    const wide = text.length > 4 ? '00:00' : '0:00';
    if (wide !== widest) {
      widest = wide;
      fit();
    }
    clock.set(text);
    showLink(link, frame.link);
    showFaults(faults, faultLines(frame, failure), provenWords(frame.sound, frame.now));
  };

  const view = {
    /** @param {HoldFrame} frame */
    update(frame) {
      facts = holdFacts(frame, { quiet: app.prefs.get('quiet') !== false });
      if (!facts) return false;
      const { status, dry, takeBack } = facts;
      header(frame);
      const face = liveSlab(facts);
      const due = status.standing !== null;
      setAttr(page, 'data-tone', face.tone);
      const own = takeBack.filter((p) => SLAB_KINDS.has(p.kind)).pop() ?? null;
      const showBack = own !== null && (face.tone === 'wait' || face.tone === 'asked') && face.press !== null;
      backTarget = own?.id ?? null;
      setShown(back.node, showBack);
      back.setMeaning(own?.id ?? '');
      if (own) back.face(`take back ${secondsLeft(own)}`, 'back');
      slab.update(showBack ? { ...face, hint: [], soft: '' } : withFoot(face, facts, app), layout);
      for (const key of [left, back]) key.setKind(dry ? 'dry' : 'pool');
      marks.update(facts);
      const model = holdTape(facts.hold, status, facts.now);
      const asked = askStands(facts);
      tape.update({ ...model, asked_ms: asked ? model.asked_ms : null, calm: !due && !asked });
      const red = alarmFace(facts);
      setClass(page, 'in-alarm', red !== null);
      alarm.update(red, layout, app.place());
      return face.moves || (due && red === null);
    },
    unmount() {
      watcher.disconnect();
      for (const part of [slab, left, right, back, marks, alarm]) part.detach();
      page.remove();
    },
  };
  return view;
}

/**
 * The foot of the slab while it waits: how to press, up to a pair's first press; then how long ago the last answer was.
 * @param {import('./slab_words.js').SlabFace} face
 * @param {HoldFacts} facts
 * @param {HoldApp} app
 */
function withFoot(face, facts, app) {
  if (face.tone !== 'wait') return face;
  const { last, dry, status } = facts;
  if (last) return { ...face, hint: [`last ${last.what}`, `${clockText(last.ms_ago)} ago`] };
  if (app.lastHoldOf(status.plan?.diver ?? '')) return face;
  if (face.press?.record === 'look') return { ...face, hint: ['look at them,', 'then press'] };
  return { ...face, hint: dry ? ['press as you tap,', 'press when', 'they answer'] : ['press when', 'they answer'] };
}
