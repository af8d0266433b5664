// Shows one page of a hold at one instant, with a hold made for it, so that a test can look at it.

import { foldEvents } from '../../rules/fold.js';
import { statusAt } from '../../rules/status.js';
import * as diver from '../../views/diver.js';
import * as incident from '../../views/incident.js';
import * as live from '../../views/live.js';
import * as recovery from '../../views/recovery.js';
import * as siren from '../../views/siren.js';

const views = { diver, incident, live, recovery, siren };
const T0 = 1_790_000_000_000;

/** @type {{update: (frame: any) => unknown, unmount: () => void} | null} */
let shown = null;
/** @type {any} */
let lastFrame = null;
const page = /** @type {any} */ (globalThis);

/**
 * @typedef {object} Scene
 * @property {keyof typeof views} view
 * @property {number} at seconds since the start
 * @property {number} calm seconds up to which every 20 s a look or an answer came
 * @property {[string, number, object?][]} events
 * @property {boolean} [dry]
 * @property {boolean} [night]
 * @property {string} [role]
 */

/** @param {Scene} scene */
page.show = ({ view, at, calm, events, dry = false, night = false, role = 'buddy' }) => {
  shown?.unmount();
  document.documentElement.dataset.night = night ? 'on' : 'off';
  let n = 0;
  const made = (/** @type {string} */ kind, /** @type {number} */ s, /** @type {object} */ data = {}) => {
    n += 1;
    return { id: `k7p2qabcde-${String(n).padStart(6, '0')}`, hold: 'k7p2qabcde-h01', kind, at: T0 + Math.round(s * 1000), by: 'buddy', data };
  };
  const plan = {
    diver: 'Ansa', buddy: 'Odo', setting: dry ? 'dry' : 'pool', planned_s: 300, longest_s: 268, onset_s: 155, cadence: 'standard', signal: 'one finger',
  };
  const quiet = [];
  for (let s = 20; s <= calm; s += 20) quiet.push(made(s < 155 ? 'look' : 'answered', s));
  const all = [made('plan', -60, plan), made('start', 0), ...quiet, ...events.map(([kind, s, data]) => made(kind, s, data))];
  const hold = foldEvents('k7p2qabcde-h01', /** @type {any} */ (all));
  const now = T0 + Math.round(at * 1000);
  const frame = {
    now, hold, status: statusAt(hold, now), me: { device: 'k7p2qabcde', role, name: 'Odo' }, pair: { number: 1 },
    link: { state: 'not-live', for_ms: 9000 }, sound: { state: 'unproven', words: 'sound not proven' }, take_back: [], present: [],
  };
  const app = {
    now: () => now, frame: () => frame, record: () => new Promise(() => {}), takeBack: () => new Promise(() => {}), go() {}, quiet() {},
    place: () => ({ number: '112', address: 'Pool hall, Quay Street 4' }), lastHoldOf: () => null,
    prefs: { get: () => null, set() {} }, sound: { arm() {} },
  };
  shown = views[view].mount(/** @type {HTMLElement} */ (document.getElementById('view')), /** @type {any} */ (app));
  lastFrame = frame;
  shown.update(frame);
  return frame.status.phase;
};

/** @returns {[string, Element, Node][]} every text of the page that is not blank, with its holder */
function texts() {
  /** @type {[string, Element, Node][]} */
  const found = [];
  const walk = document.createTreeWalker(/** @type {Node} */ (document.querySelector('.page')), NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const words = (walk.currentNode.textContent ?? '').trim();
    const holder = walk.currentNode.parentElement;
    if (words !== '' && holder) found.push([words, holder, walk.currentNode]);
  }
  return found;
}

/** Every visible text of the page with the contrast between it and what lies behind it. */
page.contrasts = () => {
  const channel = (/** @type {number} */ v) => (v / 255 <= 0.03928 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
  const luminance = (/** @type {number[]} */ [r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const read = (/** @type {string} */ css) => {
    const [r, g, b, a = 1] = (css.match(/[\d.]+/g) ?? []).map(Number);
    return { rgb: [r, g, b], a };
  };
  const found = [];
  for (const [words, holder] of texts()) {
    const box = holder.getBoundingClientRect();
    const style = getComputedStyle(holder);
    if (box.width === 0 || style.visibility === 'hidden' || holder.closest('.spoken')) continue;
    const inSvg = holder.closest('svg') !== null;
    let opacity = 1;
    /** @type {number[] | null} */
    let behind = null;
    const tape = holder.closest('.tape');
    if (tape) behind = read(getComputedStyle(/** @type {Element} */ (tape.querySelector(box.left < innerWidth / 3 ? '.tp-past' : '.tp-tape'))).fill).rgb;
    for (let node = /** @type {Element | null} */ (holder); node; node = node.parentElement) {
      const css = getComputedStyle(node);
      opacity *= Number(css.opacity);
      const colour = read(css.backgroundColor);
      if (behind === null && colour.a > 0.99) behind = colour.rgb;
    }
    const ground = behind ?? [255, 255, 255];
    const front = read(inSvg ? style.fill : style.color).rgb.map((v, i) => v * opacity + ground[i] * (1 - opacity));
    const [light, dark] = [luminance(front), luminance(ground)].sort((a, b) => b - a);
    found.push({ words, ratio: (light + 0.05) / (dark + 0.05) });
  }
  return found;
};

/** Texts that stick out of the screen. The tape is cut off at its sides on purpose. */
page.cutOff = () => {
  const out = [];
  for (const [words, holder, node] of texts()) {
    if (holder.closest('.tape, .spoken')) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects()) {
      // A line's box is taller than its letters where the line height is less than 1: a fifth at both ends is air.
      const air = box.height / 5;
      if (box.width > 0 && (box.left < -1 || box.right > innerWidth + 1 || box.top < -air || box.bottom > innerHeight + air)) out.push(words);
    }
  }
  return out;
};

/** Stops every animation at an instant of its own time, so that a picture shows just that. */
page.freezeAt = (/** @type {number} */ ms) => {
  const running = document.getAnimations();
  for (const animation of running) {
    animation.pause();
    animation.currentTime = ms;
  }
  return running.length;
};

page.boxOf = (/** @type {string} */ selector) => {
  const { left, top, width, height } = /** @type {Element} */ (document.querySelector(selector)).getBoundingClientRect();
  return { left, top, width, height };
};

page.showAgain = () => shown?.update(lastFrame);

page.sceneReady = true;
