/**
 * The breathe-up: a quiet timer, the cautions, one signal check, and a
 * countdown that runs to the same instant on every phone. The hooked end of
 * the tape comes in from the right; the press at face-in (dry: last breath)
 * starts the hold, and without one it counts from zero 15 s later.
 */

import { el, setAttr, setClass, setShown, setStyle, setText } from '../app/dom.js';
import { attachPress } from '../press/press.js';
import { BREATHE_MS, CAUTIONS, MORE_MS, breathing, countdownAt } from '../app/countdown.js';
import { clockText, tenthsText } from '../app/clock_text.js';
import { createTape } from '../tape/tape.js';
import { faultLines, linkLine, provenWords, showFaults, showLink, toothOf } from './hold_head.js';
import { digits, layOut, pressKey } from './parts.js';
import { newPresses } from './presses.js';

/** A press on a key this soon after its meaning changed was meant for the old one (ms). */
const DEAD_MS = 1000;
/** A rest that ends sooner leaves no time to breathe up: then the usual breathe-up follows it (ms, own). */
const REST_LEAST_MS = 60_000;
/** The signal check's two presses may follow each other quickly (ms). */
const CHECK_DEAD_MS = 150;

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{begin?: boolean, zero_at?: number | null}} [params] `begin`: the countdown starts with the view; `zero_at`: and
 *   counts to the end of a series' rest, where that is far enough
 */
export function mount(root, app, params = {}) {
  /** @type {any} */
  let frame = app.frame();
  let failure = '';
  const refresh = () => {
    frame = app.frame();
    draw();
  };
  const { record } = newPresses({
    app,
    refresh,
    failed: (words) => {
      failure = words;
    },
  });

  const name = el('span', { class: 'who' });
  const setting = el('span', { class: 'line' });
  const link = linkLine();
  const elapsed = digits('hold-clock thin');
  const faults = el('div', { class: 'faults', role: 'status' });
  const tape = createTape({ kind: 'live', width: Math.max(320, window.innerWidth), height: 184 });
  const cautions = el('ul', { class: 'cautions', 'aria-label': 'cautions' },
    CAUTIONS.map(([what, words]) => el('li', null, el('span', { class: 'sub' }, what), ' ', el('b', null, words))));
  const reminder = el('p', { class: 'mark info reminder' }, el('span', { class: 'face' }, 'relaxed tidal breathing', el('br'), 'no hyperventilation'));

  const label = el('span', { class: 'count-label words' });
  const count = digits('count');
  const hint = el('span', { class: 'slab-hint words' });
  const filling = el('span', { class: 'filling' });
  const surface = el('button', { type: 'button', class: 'slab press-surface' }, filling, label, count.node, hint);
  const surfacePress = attachPress(surface, {
    kind: 'dry',
    now: app.now,
    dead_ms: DEAD_MS,
    onFill: (part) => setStyle(filling, 'transform', part > 0 ? `scaleY(${part.toFixed(3)})` : null),
    onFire: ({ down_at }) => {
      app.sound.arm();
      if (frame.status?.zero_at === null) begin();
      else record('start', {}, down_at);
    },
  });

  const stop = pressKey('corner left', {
    app, kind: 'dry', dead_ms: DEAD_MS,
    onFire: async ({ at }) => {
      if (await record('breathe-up', { stop: true }, at)) app.go('plan');
    },
  });
  stop.face('stop', 'no');
  const more = pressKey('corner right more-time', {
    app, kind: 'dry', dead_ms: DEAD_MS,
    onFire: ({ at }) => {
      const zero = frame.status?.zero_at;
      if (typeof zero === 'number') record('breathe-up', { zero_at: Math.max(zero, at) + MORE_MS }, at);
    },
  });
  more.face('+1:00\nmore');
  const check = pressKey('mark check', {
    app, kind: 'dry', dead_ms: CHECK_DEAD_MS,
    onFire: ({ down_at }) => {
      const { asked_at } = breathing(frame.hold?.events ?? []);
      if (asked_at === null) record('asked', {}, down_at);
      else record('answered', { took_ms: Math.max(0, down_at - asked_at) }, down_at);
    },
  });

  const page = el('main', { class: 'page hold breathe', 'aria-label': 'breathe-up' },
    el('div', { class: 'hold-axis' }),
    el('div', { class: 'hold-left' }, name, setting, el('span', { class: 'line' }, 'breathe-up'), link),
    el('div', { class: 'hold-right' }, elapsed.node, faults),
    el('div', { class: 'hold-tape' }, tape.node), cautions,
    el('div', { class: 'marks' }, check.node, reminder),
    toothOf(), surface, stop.node, more.node);
  root.append(page);

  // A doubled press on the plan sheet's key must not land here: nothing counts in this view's first second.
  for (const press of [surfacePress, stop, more, check]) press.setMeaning('');

  const mine = () => ['buddy', 'instructor'].includes(frame.me?.role ?? 'buddy');
  const begin = () => {
    const now = app.now();
    const rested = params.zero_at ?? 0;
    record('breathe-up', { zero_at: rested - now >= REST_LEAST_MS ? rested : now + BREATHE_MS }, now);
  };

  let widest = '0:00';
  const fit = () => {
    const layout = layOut(page, widest);
    if (layout.width > 0) tape.resize(layout.width, layout.tape);
  };
  const watcher = new ResizeObserver(fit);
  watcher.observe(page);
  fit();

  function draw() {
    const { status, now } = frame;
    const { begun_at, asked_at, took_ms, answered } = breathing(frame.hold?.events ?? []);
    const at = countdownAt({ begun_at, zero_at: status?.zero_at ?? null, now });
    const dry = status?.plan?.setting !== 'pool';
    const running = at.to_zero_ms !== null || at.after_ms !== null;

    setText(name, status?.plan?.diver || 'the diver');
    setText(setting, status?.plan?.setting ?? '');
    showLink(link, frame.link);
    // What a phone of the pair cannot do is said before the hold, not found out in it.
    showFaults(faults, faultLines(frame, failure), provenWords(frame.sound, frame.now));
    const gone = clockText(at.elapsed_ms);
    const wide = gone.length > 4 ? '00:00' : '0:00';
    if (wide !== widest) {
      widest = wide;
      fit();
    }
    elapsed.set(gone);

    setClass(page, 'taped', at.tape);
    setShown(cautions, !at.tape);
    if (at.tape) {
      tape.update({ now_ms: at.to_zero_ms !== null ? -at.to_zero_ms : at.after_ms, total_ms: null, boundaries: status?.boundaries ?? null });
    }

    const waits = asked_at !== null;
    check.face(waits ? 'press when\nthey answer' : answered ? `answer ${tenthsText(took_ms ?? 0)}` : 'signal\ncheck', waits ? '' : 'disc');
    setClass(check.node, 'asked', waits);
    setAttr(check.node, 'aria-label', waits ? 'press when they answer' : 'signal check: press as you tap');
    check.setMeaning(waits ? 'answered' : 'asked');

    const press = dry ? 'press at the\nlast breath' : 'press at face-in';
    if (!running) {
      setText(label, mine() ? 'press\nto begin' : 'waits for\nthe buddy');
      count.set('');
      setText(hint, mine() ? 'the breathe-up' : '');
    } else if (at.to_zero_ms !== null) {
      setText(label, 'hold\nstarts in');
      count.set(clockText(at.to_zero_ms + 999));
      setText(hint, mine() ? press + (dry ? '' : '\nto start now') : '');
    } else {
      setText(label, !mine() ? 'zero\nwas' : dry ? 'press at\nlast breath' : 'press at\nface-in');
      count.set(clockText(at.after_ms ?? 0));
      setText(hint, `counts from zero\nin ${clockText((at.starts_in_ms ?? 0) + 999)}`);
    }
    surfacePress.setKind(dry ? 'dry' : 'pool');
    surfacePress.setMeaning(running ? 'start' : 'begin');
    surfacePress.setEnabled(mine());
    stop.setMeaning('stop');
    more.setMeaning('more');
    setAttr(surface, 'disabled', mine() ? null : true);
    for (const key of [stop, more, check]) key.setEnabled(mine());
    setShown(stop.node, mine());
    setShown(more.node, mine() && running);
    return running && at.tape;
  }

  if (params.begin && mine() && frame.status?.start_at === null && frame.status.zero_at === null) begin();
  draw();
  return {
    /** @param {any} next */
    update(next) {
      frame = next;
      return draw();
    },
    unmount() {
      watcher.disconnect();
      surfacePress.detach();
      for (const key of [stop, more, check]) key.detach();
      page.remove();
    },
  };
}
