/**
 * The breathe-up: a quiet timer, the cautions, one signal check, and a
 * countdown that runs to the same instant on every phone. The hooked end of
 * the tape comes in from the right; the press at face-in (dry: last breath)
 * starts the hold, and without one it counts from zero 15 s later.
 */

import { el, setAttr, setClass, setShown, setText } from '../app/dom.js';
import { attachPress } from '../press/press.js';
import { BREATHE_MS, CAUTIONS, MORE_MS, breathing, countdownAt } from '../app/countdown.js';
import { clockText, tenthsText } from '../app/clock_text.js';
import { createTape } from '../tape/tape.js';
import { icon } from '../tape/marks.js';
import { digits, layOut } from './parts.js';

/** A press on a corner this soon after its meaning changed was meant for the old one (ms). */
const DEAD_MS = 1000;

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{begin?: boolean}} [params] `begin`: the countdown starts with the view
 */
export function mount(root, app, params = {}) {
  /** @type {any} */
  let frame = app.frame();
  let busy = false;

  const name = el('b', { class: 'name' });
  const setting = el('span');
  const link = el('span', { class: 'live' });
  const elapsed = digits('clock thin');
  const head = el('header', { class: 'b-head' },
    el('div', { class: 'b-left' }, name, setting, el('span', null, 'breathe-up'), link), elapsed.node);

  const tapeBox = el('div', { class: 'b-tape', 'aria-hidden': 'true' });
  const tape = createTape({ kind: 'live', width: Math.max(320, window.innerWidth), height: 184 });
  tapeBox.append(tape.node);
  const cautions = el('ul', { class: 'cautions', 'aria-label': 'cautions' }, CAUTIONS.map((line) => el('li', null, line)));

  const checkWords = el('span', { class: 'check-words' });
  const check = el('button', { type: 'button', class: 'check' }, icon('disc'), checkWords);
  const reminder = el('p', { class: 'reminder' }, 'relaxed tidal breathing', el('br'), 'no hyperventilation');
  const middle = el('div', { class: 'b-mid' }, check, reminder);

  const lead = el('span', { class: 'lead' });
  const count = digits('count');
  const foot = el('span', { class: 'foot' });
  const filling = el('span', { class: 'filling' });
  const surface = el('button', { type: 'button', class: 'slab surface' }, filling, el('span', { class: 'line' }, lead, count.node), foot);
  const stop = el('button', { type: 'button', class: 'corner left' }, el('span', { class: 'face' }, icon('no'), 'stop'));
  const more = el('button', { type: 'button', class: 'corner right', 'aria-label': 'one minute more' },
    el('span', { class: 'face' }, el('span', { class: 'plus' }, '+1:00'), 'more'));
  const said = el('p', { class: 'b-said', role: 'status', hidden: true });
  const page = el('main', { class: 'page breathe', 'aria-label': 'breathe-up' }, head, tapeBox, cautions, middle,
    el('div', { class: 'b-slab' }, el('span', { class: 'tooth', 'aria-hidden': 'true' }), surface, stop, more, said));
  root.append(page);

  const mine = () => ['buddy', 'instructor'].includes(frame.me?.role ?? 'buddy');
  const facts = () => breathing(frame.hold?.events ?? []);

  /** @param {() => Promise<unknown>} what */
  async function attempt(what) {
    if (busy) return;
    busy = true;
    setShown(said, false);
    try {
      await what();
    } catch (err) {
      setText(said, /** @type {any} */ (err)?.reason ?? 'not recorded: press again');
      setShown(said, true);
    } finally {
      busy = false;
    }
  }

  const presses = [
    attachPress(surface, {
      kind: 'dry', now: app.now, dead_ms: DEAD_MS,
      onFill: (part) => filling.style.setProperty('transform', `scaleY(${part})`),
      onFire: ({ down_at }) => attempt(async () => {
        const zero = frame.status?.zero_at ?? null;
        if (zero === null) await app.record('breathe-up', { zero_at: app.now() + BREATHE_MS });
        else await app.record('start', {}, { at: down_at });
      }),
    }),
    attachPress(stop, {
      kind: 'dry', now: app.now,
      onFire: () => attempt(async () => {
        await app.record('breathe-up', { stop: true });
        app.go('plan');
      }),
    }),
    attachPress(more, {
      kind: 'dry', now: app.now,
      onFire: () => attempt(async () => {
        const zero = frame.status?.zero_at;
        if (typeof zero === 'number') await app.record('breathe-up', { zero_at: Math.max(zero, app.now()) + MORE_MS });
      }),
    }),
    attachPress(check, {
      kind: 'dry', now: app.now,
      onFire: ({ down_at }) => attempt(async () => {
        const { asked_at } = facts();
        if (asked_at === null) await app.record('asked', {}, { at: down_at });
        else await app.record('answered', { took_ms: Math.max(0, down_at - asked_at) }, { at: down_at });
      }),
    }),
  ];
  const [surfacePress, stopPress, morePress, checkPress] = presses;

  const fit = () => {
    const layout = layOut(page);
    if (layout.width > 0) tape.resize(layout.width, layout.tape);
  };
  const watcher = new ResizeObserver(fit);
  watcher.observe(page);
  fit();

  function draw() {
    const { status, now } = frame;
    const { begun_at, asked_at, took_ms, answered } = facts();
    const at = countdownAt({ begun_at, zero_at: status?.zero_at ?? null, now });
    const plan = status?.plan;
    const dry = plan?.setting !== 'pool';
    const running = at.to_zero_ms !== null || at.after_ms !== null;

    setText(name, plan?.diver || 'diver');
    setText(setting, plan?.setting ?? '');
    drawLink(link, frame);
    elapsed.set(clockText(at.elapsed_ms));

    setClass(page, 'taped', at.tape);
    setShown(cautions, !at.tape);
    const toZero = at.to_zero_ms ?? (at.after_ms === null ? null : -at.after_ms);
    tape.update({
      now_ms: toZero === null ? -600_000 : -toZero,
      total_ms: null,
      boundaries: status?.boundaries ?? null,
      calm: true,
    });

    setText(checkWords, asked_at !== null ? 'press when they answer' : answered ? `answer ${tenthsText(took_ms ?? 0)}` : 'signal check: press as you tap');
    setClass(check, 'asked', asked_at !== null);
    setAttr(check, 'aria-label', asked_at !== null ? 'press when they answer' : 'signal check: press as you tap');

    const press = dry ? 'press at the last breath' : 'press at face-in';
    if (!running) {
      setText(lead, '');
      count.set('');
      setText(foot, mine() ? 'press to begin the breathe-up' : 'waits for the buddy');
    } else if (at.to_zero_ms !== null) {
      setText(lead, 'hold\nstarts in');
      count.set(clockText(at.to_zero_ms + 999));
      setText(foot, mine() ? `${press}\nto start now` : '');
    } else {
      setText(lead, dry ? 'last\nbreath' : 'face in');
      count.set(clockText(at.after_ms ?? 0));
      setText(foot, `${mine() ? `${press}: ` : ''}counts from\nzero in ${clockText((at.starts_in_ms ?? 0) + 999)}`);
    }
    setClass(page, 'due', at.after_ms !== null);
    surfacePress.setKind(dry ? 'dry' : 'pool');
    surfacePress.setMeaning(running ? 'start' : 'begin');
    stopPress.setMeaning('stop');
    morePress.setMeaning('more');
    checkPress.setMeaning(asked_at !== null ? 'answered' : 'asked');
    for (const [press_, node] of /** @type {const} */ ([[surfacePress, surface], [stopPress, stop], [morePress, more], [checkPress, check]])) {
      press_.setEnabled(mine());
      setAttr(node, 'disabled', mine() ? null : true);
    }
    setShown(stop, mine());
    setShown(more, mine() && running);
    return running && at.tape;
  }

  if (params.begin && mine() && frame.status && frame.status.start_at === null && frame.status.zero_at === null) {
    attempt(() => app.record('breathe-up', { zero_at: app.now() + BREATHE_MS }));
  }
  draw();
  return {
    /** @param {any} next */
    update(next) {
      frame = next;
      return draw();
    },
    unmount() {
      watcher.disconnect();
      for (const press of presses) press.detach();
      page.remove();
    },
  };
}

/**
 * The link in one word and its age, with a dot or the fault hatch.
 * @param {HTMLElement} node
 * @param {any} frame
 */
function drawLink(node, frame) {
  const { state, for_ms } = frame.link ?? { state: 'alone', for_ms: 0 };
  setText(node, state === 'live' ? 'live' : state === 'alone' ? 'alone' : `not live ${clockText(for_ms ?? 0)}`);
  setClass(node, 'off', state === 'not-live');
}
