// An incident: the full alarm, then, with somebody at the diver, a quieter screen with the step that is up, the number to
// call and the place. One second's press on [awake and breathing] ends it.

import { clockText } from '../app/clock_text.js';
import { dialAddress } from '../app/dial.js';
import { el, replace, setAttr, setClass, setShown, setStyle, setText } from '../app/dom.js';
import { icon } from '../tape/marks.js';
import { secondsLeft } from './alarm_words.js';
import { holdFacts } from './hold_facts.js';
import { silentPhone } from './hold_head.js';
import { stepAt, stepsFor } from './incident_steps.js';
import { digits, layOut, pressKey } from './parts.js';
import { newPresses } from './presses.js';
import { fitPx } from './sheet.js';

/** @typedef {import('./parts.js').HoldApp} HoldApp */
/** @typedef {import('./parts.js').HoldFrame} HoldFrame */
/** @typedef {import('../rules/fold.js').Hold} Hold */

/** The press that called trouble stands where these keys stand: doubled, it must not land on one. */
const DEAD_MS = 1000;
/** A rescue breath each so often, while that step is up (common practice). */
const BREATH_EVERY_MS = 5000;

/**
 * @param {HTMLElement} root
 * @param {HoldApp} app
 */
export function mount(root, app) {
  const refresh = () => view.update(app.frame());
  let failure = '';
  const presses = newPresses({ app, refresh, failed: (words) => { failure = words; } });
  const time = digits('incident-time');
  const head = el('span', { class: 'display incident-head' }, 'TROUBLE');
  const who = el('span', { class: 'incident-who' });
  const big = el('div', { class: 'display incident-big' });
  const more = el('div', { class: 'incident-more' });
  const next = el('div', { class: 'incident-next' });
  const rule = el('div', { class: 'incident-rule' }, 'your training, local rules first');
  const number = el('a', { class: 'display incident-number' });
  const address = el('span', { class: 'incident-address' });
  const near = el('span', { class: 'incident-near' });
  const said = el('div', { class: 'incident-said', role: 'status' });
  /** @type {string|null} */
  let backTarget = null;
  let stepWhat = '';
  const left = pressKey('alarm-key outline', {
    app, kind: 'alarm', dead_ms: DEAD_MS,
    onFire(p) {
      if (backTarget) presses.takeBack(backTarget);
      else presses.record('recovered', {}, p.down_at);
    },
  });
  let withThem = false;
  const right = pressKey('alarm-key fill', {
    app, kind: 'dry', dead_ms: DEAD_MS,
    onFire(p) {
      if (withThem) presses.record('step', { what: stepWhat }, p.down_at);
      else presses.record('with-them', {}, p.down_at);
    },
  });
  const page = el(
    'div', { class: 'page hold incident' },
    el('div', { class: 'alarm-frame' }),
    el('div', { class: 'incident-top' }, icon('octagon'), el('div', { class: 'incident-title' }, head, who), time.node),
    el('div', { class: 'incident-card', 'aria-live': 'assertive' }, big, more, next, rule),
    el('div', { class: 'incident-call' }, number, address, near),
    said,
    el('div', { class: 'alarm-keys' }, left.node, right.node),
  );
  root.append(page);
  let layout = layOut(page);
  const watcher = new ResizeObserver(() => {
    layout = layOut(page);
    drawn = '';
    refresh();
  });
  watcher.observe(page);
  let drawn = '';

  /**
   * @param {import('./incident_steps.js').Step} step
   * @param {string} nextWords
   */
  const drawCard = (step, nextWords) => {
    const key = `${step.what} ${nextWords}`;
    if (key === drawn) return;
    drawn = key;
    replace(big, step.big.map((line) => el('span', { class: 'line' }, line)));
    replace(more, step.more.map((line) => el('span', { class: 'line' }, line)));
    setText(next, nextWords);
    const box = (layout.sideways ? layout.width * 0.56 : layout.width) - (layout.small ? 48 : 68);
    setStyle(page, '--step-px', `${Math.min(layout.small ? 56 : layout.sideways ? 62 : layout.low ? 66 : 78, ...step.big.map((line) => fitPx(line, box, 400)))}px`);
  };

  const view = {
    /** @param {HoldFrame} frame */
    update(frame) {
      const facts = holdFacts(frame, { quiet: false });
      const incident = facts?.status.incident;
      if (!facts || !incident) return false;
      const since = Math.max(0, facts.now - incident.at);
      withThem = incident.with_them;
      setClass(page, 'calmer', withThem);
      setText(head, withThem ? 'WITH THEM' : 'TROUBLE');
      setText(who, `${facts.diver}, ${facts.setting || 'static'}`);
      time.set(clockText(since));
      const steps = stepsFor(facts.dry);
      const at = stepAt(steps, since, tickedSteps(facts.hold, incident.at));
      const step = steps[at];
      stepWhat = step.what;
      const after = steps[at + 1];
      drawCard(step, after ? `then: ${after.big.join(' ').toLowerCase().replace('cpr', 'CPR')}` : '');
      const beat = step.what === 'rescue-breath' ? Math.floor((since - step.from_ms) / BREATH_EVERY_MS) % 2 : 0;
      setAttr(big, 'data-beat', beat);

      const place = app.place();
      setText(number, place?.number ? `call ${place.number}` : 'call for help');
      setAttr(number, 'href', dialAddress(place?.number));
      setText(address, place?.address ? String(place.address) : 'no address on the place card');
      setText(near, nearWords(place));
      setStyle(page, '--call-px', `${fitPx(number.textContent ?? '', layout.width * (layout.sideways ? 0.3 : 0.8), layout.small ? 40 : 54)}px`);
      setText(said, failure || silentPhone(frame));

      const own = facts.takeBack.filter((p) => p.kind === 'incident' && p.at === incident.at).pop() ?? null;
      backTarget = own?.id ?? null;
      const mayEnd = frame.me.role === 'buddy';
      setShown(left.node, own !== null || mayEnd);
      left.face(own ? 'take\nback' : 'awake and\nbreathing', own ? 'back' : '', own ? secondsLeft(own) : 'press 1 s');
      left.setMeaning(own ? `back ${own.id}` : 'recovered');
      const last = at === steps.length - 1;
      right.face(withThem ? 'step done' : 'with them', withThem ? 'ok' : '');
      right.setMeaning(withThem ? `step ${step.what}` : 'with them');
      right.setKind(facts.dry ? 'dry' : 'pool');
      setShown(right.node, !(withThem && last));
      return false;
    },
    unmount() {
      watcher.disconnect();
      left.detach();
      right.detach();
      page.remove();
    },
  };
  return view;
}

/**
 * What and who is near, from the place card, a line each.
 * @param {any} place
 */
function nearWords(place) {
  const oxygen = String(place?.oxygen ?? '').trim();
  const reach = String(place?.reach ?? '').trim();
  return [oxygen && `oxygen: ${oxygen}`, reach && `in reach: ${reach}`].filter(Boolean).join('\n');
}

/**
 * Steps ticked since the incident began, on any device.
 * @param {Hold} hold
 * @param {number} sinceAt shared ms
 */
function tickedSteps(hold, sinceAt) {
  /** @type {Set<string>} */
  const ticked = new Set();
  for (const e of hold.events) {
    if (e.kind === 'step' && e.at >= sinceAt && typeof e.data?.what === 'string') ticked.add(e.data.what);
  }
  return ticked;
}
