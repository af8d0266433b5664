// A laptop or speaker joined only to make noise: says that it can be heard, whom it listens for, and what it sounds now.

import { clockText } from '../app/clock_text.js';
import { el, setShown, setText } from '../app/dom.js';
import { createAlarm } from './alarm.js';
import { alarmFace, onlookerFace } from './alarm_words.js';
import { holdFacts } from './hold_facts.js';
import { linkLine, provenWords, showLink } from './hold_head.js';
import { layOut } from './parts.js';

/** @typedef {import('./parts.js').HoldApp} HoldApp */
/** @typedef {import('./parts.js').HoldFrame} HoldFrame */

/** @type {Record<string, string>} */
const PHASE_WORDS = {
  planned: 'before the hold', 'breathe-up': 'breathe-up', hold: 'hold', recovery: 'recovery', watch: 'watch', over: 'after the hold',
  incident: 'trouble',
};
/** @type {Record<string, string>} */
const RUNG_WORDS = { prompt: 'prompt', again: 'second call', alarm: 'ALARM' };

/**
 * Whether nothing can be heard here until somebody touches the screen.
 * @param {HoldFrame['sound']} sound
 */
function isSilent({ state, needs_touch }) {
  return state === 'off' || needs_touch === true;
}

/**
 * What this device sounds, in words.
 * @param {Pick<HoldFrame, 'sound' | 'voice'>} frame
 */
export function partWords({ sound, voice }) {
  if (isSilent(sound)) return 'nothing: it cannot be heard yet';
  return voice?.takes ? 'sounds every prompt now' : 'sounds the alarm, and every prompt if the buddy’s phone cannot';
}

/**
 * @param {HTMLElement} root
 * @param {HoldApp} app
 */
export function mount(root, app) {
  const row = (/** @type {string} */ label, /** @type {Node[]} */ ...value) =>
    el('div', { class: 'row' }, el('span', { class: 'label' }, label), el('div', { class: 'value' }, value));
  const title = el('span', { class: 'display siren-title' }, 'Siren');
  const pair = el('b');
  const phase = el('span');
  const time = el('span', { class: 'sub' });
  const part = el('span');
  const hatch = el('span', { class: 'fault' });
  const sound = el('span');
  const check = el('button', { type: 'button', class: 'word', onclick: () => app.go('soundcheck') }, 'sound check');
  const link = linkLine();
  const arm = el('button', {
    type: 'button', class: 'key fill siren-arm',
    onclick() {
      app.sound.arm();
      view.update(app.frame());
    },
  }, 'press once: let this device sound');
  const roles = el('button', { type: 'button', class: 'word', onclick: () => app.go('join') }, 'change role');
  const alarm = createAlarm({
    app,
    onPress(key) {
      if (key.does === 'quiet') app.quiet();
      view.update(app.frame());
    },
    onTrouble() {},
  });
  const page = el(
    'div', { class: 'page hold siren' },
    el('div', { class: 'sheet' },
      row('', title), row('pair', pair), row('now', phase, time), row('here', part), row('sound', hatch, sound, check), row('link', link), row('', roles)),
    arm, alarm.node,
  );
  root.append(page);
  let layout = layOut(page);
  const watcher = new ResizeObserver(() => {
    layout = layOut(page);
    view.update(app.frame());
  });
  watcher.observe(page);

  const view = {
    /** @param {HoldFrame} frame */
    update(frame) {
      const facts = holdFacts(frame, { quiet: false });
      const status = facts?.status ?? null;
      const names = [status?.plan?.diver, status?.plan?.buddy].filter(Boolean).join(' / ');
      setText(pair, [frame.pair?.number, names].filter(Boolean).join('  ') || 'no pair yet');
      const rung = status?.standing ? `, ${RUNG_WORDS[status.standing.rung]}` : '';
      setText(phase, status ? `${PHASE_WORDS[status.phase]}${rung}` : 'waits for a plan');
      const from = status ? (status.phase === 'hold' ? status.start_at : (status.recovered_at ?? status.surfaced_at)) : null;
      const running = status && ['hold', 'recovery', 'watch', 'incident'].includes(status.phase) && from !== null;
      setText(time, running ? clockText(frame.now - from) : '');
      setText(part, partWords(frame));
      const proven = frame.sound.state === 'proven';
      setShown(hatch, !proven);
      setText(sound, provenWords(frame.sound, frame.now).replace('sound ', '') || frame.sound.words || 'not proven');
      setShown(arm, isSilent(frame.sound));
      showLink(link, frame.link);
      const red = facts && (alarmFace({ ...facts, takeBack: [] }) ?? incidentFace(facts));
      alarm.update(onlookerFace(red, false), layout, app.place());
      return false;
    },
    unmount() {
      watcher.disconnect();
      alarm.detach();
      page.remove();
    },
  };
  return view;
}

/**
 * @param {import('./hold_facts.js').HoldFacts} facts
 * @returns {import('./alarm_words.js').AlarmFace|null}
 */
function incidentFace({ status, now }) {
  if (!status.incident) return null;
  return {
    head: 'TROUBLE', since: clockText(now - status.incident.at), big: ['GO TO', 'THEM'], steps: [status.incident.with_them ? 'somebody is with them' : 'call for help'],
    left: null, right: null, trouble: false, meaning: 'incident',
  };
}
