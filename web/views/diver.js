// The diver's phone: dark and dim, one touch surface. Two touches answer the buddy's tap (dry only); no digits unless
// the diver wants them.

import { clockText } from '../app/clock_text.js';
import { holdId } from '../app/device.js';
import { seriesWords } from '../app/series_now.js';
import { el, setAttr, setClass, setShown, setStyle, setText } from '../app/dom.js';
import { attachTwice } from '../press/press.js';
import { icon } from '../tape/marks.js';
import { createAlarm } from './alarm.js';
import { alarmFace, onlookerFace } from './alarm_words.js';
import { diverWords } from './diver_words.js';
import { holdFacts } from './hold_facts.js';
import { clockFault, deviceFault, linkFault, soundFault } from './hold_head.js';
import { digits, layOut } from './parts.js';
import { newPresses } from './presses.js';
import { fitPx } from './sheet.js';

/** @typedef {import('./parts.js').HoldApp} HoldApp */
/** @typedef {import('./parts.js').HoldFrame} HoldFrame */

/**
 * @param {HTMLElement} root
 * @param {HoldApp} app
 */
export function mount(root, app) {
  const refresh = () => view.update(app.frame());
  let failure = '';
  let first = false;
  const presses = newPresses({ app, refresh, failed: (words) => { failure = words; } });
  const axis = el('div', { class: 'diver-axis' });
  const disc = icon('disc', 'diver-disc');
  const big = el('span', { class: 'display diver-big' });
  const lines = el('div', { class: 'diver-lines words' });
  const time = digits('diver-time');
  const foot = el('div', { class: 'diver-foot words', role: 'status' });
  const check = el('button', { type: 'button', class: 'diver-key', onclick: () => app.go('soundcheck') }, 'sound check');
  const show = el('button', {
    type: 'button', class: 'diver-key',
    onclick() {
      app.prefs.set('digits', app.prefs.get('digits') !== true);
      refresh();
    },
  });
  const roles = el('button', { type: 'button', class: 'diver-key', onclick: () => app.go('join') }, 'roles');
  const endSeries = el('button', {
    type: 'button', class: 'diver-key',
    onclick() {
      const now = app.series();
      if (now) app.record('series', { series: now.series.series, ended: true }, { hold: holdId(app.frame().me.device, 0) }).catch(reportError);
    },
  }, 'end the series');
  const keys = el('div', { class: 'diver-keys' }, check, show, roles, endSeries);
  const below = el('div', { class: 'diver-below' }, keys, foot);
  const surface = el('div', { class: 'diver-surface' }, disc, big, lines, time.node);
  const alarm = createAlarm({
    app,
    onPress(key, pressed) {
      if (key.does === 'quiet') {
        app.quiet();
        refresh();
      } else presses.record('incident', { what: 'unknown' }, pressed.down_at);
    },
    onTrouble: (pressed) => presses.record('incident', { what: 'unknown' }, pressed.down_at),
  });
  const page = el('div', { class: 'page hold diver' }, axis, surface, below, alarm.node);
  root.append(page);
  let layout = layOut(page);
  const watcher = new ResizeObserver(() => {
    layout = layOut(page);
    refresh();
  });
  watcher.observe(page);

  const touch = attachTwice(surface, {
    now: app.now,
    onFire(pressed) {
      app.sound.arm();
      const { status } = app.frame();
      if (status) presses.proof('answered', pressed, status);
    },
    onFirst(waiting) {
      first = waiting;
      refresh();
    },
  });

  const view = {
    /** @param {HoldFrame} frame */
    update(frame) {
      const facts = holdFacts(frame, { quiet: false });
      const face = diverWords(facts, { first, takes: frame.voice?.takes === true });
      setAttr(page, 'data-asked', face.asked);
      setClass(disc, 'gone', !face.asked);
      setText(big, face.big);
      setShown(big, face.big !== '');
      if (face.big) setStyle(big, 'font-size', `${fitPx(face.big, (layout.width * 2) / 3 - 26, 84)}px`);
      setText(lines, face.lines.join('\n'));
      setClass(lines, 'many', face.lines.length > 2);
      const wants = app.prefs.get('digits') === true;
      const ms = facts ? shownTime(facts) : null;
      setShown(time.node, ms !== null && (wants || face.shows_time));
      if (ms !== null) time.set(clockText(ms));
      const series = face.rest ? app.series() : null;
      setShown(endSeries, series !== null);
      setText(foot, [failure || faultLine(frame), series ? seriesWords(series) : '', face.foot].filter(Boolean).join('\n'));
      setShown(keys, face.rest);
      setClass(page, 'rests', face.rest);
      setText(show, wants ? 'time: shown' : 'time: hidden');
      touch.setMeaning(face.touch ? `answer ${facts?.status.asked_at ?? ''}` : 'nothing');
      touch.setEnabled(face.touch);
      alarm.update(facts ? onlookerFace(alarmFace({ ...facts, takeBack: [] }), true) : null, layout, app.place());
      return false;
    },
    unmount() {
      watcher.disconnect();
      touch.detach();
      alarm.detach();
      page.remove();
    },
  };
  return view;
}

/**
 * The time this page may show, or null.
 * @param {import('./hold_facts.js').HoldFacts} facts
 */
function shownTime({ status, now }) {
  switch (status.phase) {
    case 'breathe-up':
      return status.zero_at === null ? null : Math.ceil(Math.max(0, status.zero_at - now) / 1000) * 1000;
    case 'hold':
      return status.start_at === null ? null : now - status.start_at;
    case 'recovery':
    case 'watch':
      return now - (status.recovered_at ?? status.surfaced_at ?? now);
    default:
      return null;
  }
}

/**
 * Whether this phone hears the others, then the buddy's phone, then this one's sound and clock.
 * @param {HoldFrame} frame
 */
function faultLine({ link, sound, clock, present = [] }) {
  const alone = linkFault(link);
  if (alone !== '') return alone;
  const buddy = present.filter((p) => p.role === 'buddy').map(deviceFault).find((words) => words !== '');
  return buddy ?? (soundFault(sound) || clockFault(clock));
}
