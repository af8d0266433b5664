/**
 * The sound check (hazard H04): the phone plays a random number of beeps where
 * it will lie, and a person standing where they will stand says how many.
 * Then two questions the page cannot answer itself: calls, and the screen.
 */

import { el, replace, setAttr, setClass, setShown, setText } from '../app/dom.js';
import { HINTS, createSoundCheck } from '../sound/check.js';
import { EARLIER_OUTING_MS } from '../app/book.js';
import { timeOfDay } from '../app/clock_text.js';
import { icon } from '../tape/marks.js';
import { choice, fitPx, row, strip } from './sheet.js';
import { leaveOutSoundCheck, nextStep } from './next_step.js';

/** From the first press to the beeps: time to stand where one will stand (ms). */
const STAND_MS = 3000;
/** Before the beeps of a phone that was checked before in this outing (ms). */
const SOON_MS = 700;

/** @typedef {'ready' | 'soon' | 'playing' | 'count' | 'settings' | 'without'} Step */
/** @typedef {'on' | 'off' | ''} Said */

/** @type {Record<Step, readonly string[]>} lines of the title */
const TITLES = {
  ready: ['Put it', 'in place'], soon: ['Listen'], playing: ['Listen'], count: ['How many', 'beeps?'],
  settings: ['Two', 'settings'], without: ['Without', 'sound?'],
};

/**
 * Whether this device was checked before in this outing.
 * @param {any} app
 */
function checkedBefore(app) {
  const { me, now } = app.frame();
  return app.holds().some((/** @type {any} */ hold) => hold.events.some((/** @type {any} */ e) =>
    e.kind === 'sound-check' && e.data?.result === 'proven' && e.id.startsWith(`${me?.device}-`) && now - e.at < EARLIER_OUTING_MS));
}

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{back?: string}} [params] `back`: the view to return to
 */
export function mount(root, app, params = {}) {
  const before = checkedBefore(app);
  const check = createSoundCheck(app.sound);
  /** @type {Step} */
  let step = before ? 'soon' : 'ready';
  let timer = 0;
  /** @type {string[]} */
  let hints = [];
  let words = '';
  /** @type {Said} */
  let calls = '';
  /** @type {Said} */
  let screen = '';
  let tries = 0;
  /** @type {any} */
  let frame = app.frame();

  const title = el('h1', { class: 'display' });
  const devices = el('div', { class: 'devices' });
  const hintBox = el('div', { class: 'hints', role: 'status' });
  const strips = el('div', null);
  const keys = [2, 3, 4, 5].map((n) => el('button', { type: 'button', class: 'beep-key display', 'aria-label': `${n} beeps`, onclick: () => count(n) }, String(n)));
  const none = el('button', { type: 'button', class: 'corner left', onclick: () => count(0) },
    el('span', { class: 'face' }, icon('no'), el('span', null, 'heard', el('br'), 'none')));
  const again = el('button', { type: 'button', class: 'corner right', onclick: () => play(SOON_MS) },
    el('span', { class: 'face' }, icon('play'), el('span', null, 'play', el('br'), 'again')));
  const foot = el('p', { class: 'foot' });
  const without = el('button', { type: 'button', class: 'foot-key', onclick: () => to('without') }, 'start without sound');
  const counting = el('section', { class: 'slab counting', 'aria-label': 'how many beeps' },
    el('div', { class: 'beep-keys' }, keys), el('div', { class: 'foot-box' }, foot, without), none, again);
  const playKey = el('button', { type: 'button', class: 'slab whole', onclick: () => play(STAND_MS) },
    icon('play'), el('span', { class: 'display' }, 'play the beeps'), el('span', { class: 'small' }, `${STAND_MS / 1000} s after the press`));
  const settings = settingsSheet();
  const alone = el('section', { class: 'slab alone' });
  const page = el('main', { class: 'page soundcheck' },
    el('div', { class: 'upper' },
      el('div', { class: 'sheet' }, row('sound check', null, title), devices, hintBox), strips),
    counting, playKey, settings.node, alone);
  root.append(page);

  /** @param {Step} next */
  function to(next) {
    step = next;
    draw();
  }

  /** @param {number} waitMs */
  function play(waitMs) {
    clearTimeout(timer);
    app.sound.arm();
    words = '';
    to('soon');
    timer = window.setTimeout(async () => {
      to('playing');
      try {
        await check.play();
        to('count');
      } catch (err) {
        words = String(/** @type {any} */ (err)?.message ?? err);
        hints = [...HINTS];
        to('count');
      }
    }, waitMs);
  }

  /** @param {number} n */
  async function count(n) {
    if (step !== 'count') return;
    const verdict = check.answer(n);
    tries += verdict.result === 'wrong' ? 1 : 0;
    if (verdict.result === 'proven') {
      hints = [];
      keep({ result: 'proven', beeps: verdict.beeps });
      if (before) finish();
      else to('settings');
      return;
    }
    hints = verdict.hints.length > 0 || n === 0 ? [...HINTS] : [];
    words = verdict.result === 'not-played' ? 'The sound did not run. Press play again.' : n === 0 ? 'None heard.' : 'Not that many.';
    // Once wrong may be a slip of the finger: the beeps come again by themselves.
    if (verdict.result === 'wrong' && n !== 0 && tries < 2) play(1500);
    draw();
  }

  /** @param {Record<string, any>} data */
  function keep(data) {
    Promise.resolve(app.record('sound-check', data)).catch(() => {
      // Without a store the check still holds for this page; the frame's store line says that nothing is kept.
    });
  }

  function finish() {
    const role = frame.me?.role ?? 'buddy';
    if (params.back) app.go(params.back);
    else if (role === 'diver' || role === 'siren') app.go(role);
    else nextStep(app);
  }

  /** The two questions the browser cannot answer. */
  function settingsSheet() {
    const callsPick = choice('calls', /** @type {const} */ ([['off', 'they stay silent'], ['on', 'they may come']]), (v) => {
      calls = v;
      draw();
    });
    const screenPick = choice('screen', /** @type {const} */ ([['on', 'it stays on'], ['off', 'it may go dark']]), (v) => {
      screen = v;
      draw();
    });
    const screenRow = row('screen', { class: 'tall' }, el('p', null, 'Set the screen to stay on.'), screenPick.node);
    const go = el('button', {
      type: 'button',
      class: 'go fill',
      onclick: () => {
        keep({ result: 'proven', calls, screen: frame.wake?.held || frame.wake === true ? 'kept' : screen });
        finish();
      },
    }, el('span', { class: 'display' }, 'go on'));
    const node = el('section', { class: 'settings' },
      el('div', { class: 'sheet' },
        row('calls', { class: 'tall' }, el('p', null, 'Switch on do not disturb.'), callsPick.node), screenRow),
      el('div', { class: 'go-bar' }, go));
    return { node, callsPick, screenPick, screenRow, go };
  }

  function drawAlone() {
    const plan = frame.status?.plan;
    const names = [...new Set([plan?.buddy, plan?.diver, frame.me?.name].filter(Boolean))].slice(0, 2);
    const shown = names.join('|');
    if (alone.dataset.names === shown) return;
    alone.dataset.names = shown;
    replace(alone,
      el('p', { class: 'big' }, 'Nobody has heard this phone.'),
      el('p', null, 'The checks would only show, and in a pouch be felt or not. Whoever starts so says so by name.'),
      el('div', { class: 'ways' }, names.map((name) => el('button', {
        type: 'button',
        class: 'key',
        onclick: () => {
          keep({ result: 'skipped', name });
          leaveOutSoundCheck();
          finish();
        },
      }, `${name}: start without`))),
      el('button', { type: 'button', class: 'key fill', onclick: () => play(SOON_MS) }, 'play again'));
  }

  /** @param {readonly string[]} parts */
  function drawTitle(parts) {
    const shown = parts.join(' ');
    if (title.dataset.shown !== shown) {
      title.dataset.shown = shown;
      replace(title, parts.map((part) => el('span', null, part)));
    }
    const width = page.clientWidth;
    const short = page.clientHeight < 420;
    title.style.fontSize = `${short ? fitPx(shown, width / 2, 44) : Math.min(...parts.map((part) => fitPx(part, (width * 2) / 3 - 22, 58)))}px`;
  }

  function draw() {
    const kept = Boolean(frame.wake?.held || frame.wake === true);
    const asking = step === 'soon' || step === 'playing' || step === 'count';
    drawTitle(TITLES[step]);
    setShown(counting, asking);
    setShown(playKey, step === 'ready');
    setShown(settings.node, step === 'settings');
    setClass(page, 'asks-settings', step === 'settings');
    setShown(alone, step === 'without');
    for (const key of keys) setAttr(key, 'disabled', step === 'count' ? null : true);
    setAttr(none, 'disabled', step === 'count' ? null : true);
    setClass(counting, 'waits', step !== 'count');
    setText(foot, 'the number you heard proves the sound');
    setShown(foot, tries === 0 && hints.length === 0);
    setShown(without, tries > 0 || hints.length > 0);
    settings.callsPick.set(calls || null);
    settings.screenPick.set(screen || null);
    setShown(settings.screenRow, !kept);
    setAttr(settings.go, 'disabled', calls !== '' && (kept || screen !== '') ? null : true);
    if (step === 'without') drawAlone();

    const lines = step === 'ready'
      ? ['In its pouch, where it will be in the hold.', 'Then stand where you will stand, and count.']
      : step === 'count' || step === 'without' ? [words, ...hints].filter(Boolean) : [];
    setShown(devices, hints.length === 0 && step !== 'without');
    const hint = lines.join('\n');
    if (hintBox.dataset.shown !== hint) {
      hintBox.dataset.shown = hint;
      replace(hintBox, lines.length > 0 ? row('', { class: 'tall' }, el('div', null, lines.map((l) => el('p', null, l)))) : null);
    }
    const late = frame.sound?.latency_ms > 120 ? [`Sound comes ${(frame.sound.latency_ms / 1000).toFixed(1)} s late here: a headset?`] : [];
    const lacks = [...(app.lacks ?? []), ...late].join('\n');
    if (strips.dataset.shown !== lacks) {
      strips.dataset.shown = lacks;
      replace(strips, lacks ? strip(...lacks.split('\n')) : null);
    }
    drawDevices(devices, frame);
  }

  draw();
  if (before) play(SOON_MS);
  return {
    /** @param {any} next */
    update(next) {
      frame = next;
      draw();
    },
    unmount() {
      clearTimeout(timer);
      page.remove();
    },
  };
}

/**
 * The sound of every device of the pair, this one first.
 * @param {HTMLElement} node
 * @param {any} frame
 */
function drawDevices(node, frame) {
  const rows = [{ label: 'this phone', ...soundWords(frame.sound?.state, frame.sound?.proven_at, frame.now) }];
  for (const d of frame.present ?? []) {
    if (d.device === frame.me?.device) continue;
    const label = d.role === 'siren' ? d.name || 'siren' : d.role === 'instructor' ? 'board' : `${d.name || d.role}’s phone`;
    rows.push({ label, ...soundWords(d.state?.sound, d.state?.proven_at, frame.now) });
  }
  const shown = JSON.stringify(rows);
  if (node.dataset.shown === shown) return;
  node.dataset.shown = shown;
  replace(node, rows.map((r) => row(r.label, null, r.proven ? null : el('span', { class: 'fault', 'aria-hidden': 'true' }),
    r.proven ? r.words : el('b', null, r.words))));
}

/**
 * @param {string | undefined} state
 * @param {number | null | undefined} provenAt
 * @param {number} now
 */
function soundWords(state, provenAt, now) {
  if (state === 'proven') return { proven: true, words: provenAt ? `proven ${timeOfDay(provenAt)}` : `proven ${timeOfDay(now)}` };
  return { proven: false, words: state === 'fault' ? 'sound fault' : 'not proven' };
}
