// The tape: a strip of time like a tape measure, the same in the hold, the recovery, the plan, the debrief and the log.
// It draws plain facts and decides nothing; facts.js makes the facts out of a hold. All times are whole ms counted from the
// tape's zero: the start of the hold, or the surfacing on a recovery tape.

import { el, replace, setAttr, setClass, setStyle, svg } from '../app/dom.js';
import { diamondPath, octagonPath, path, round, tapHeight, text } from './marks.js';
import { bandTop, drawStrip, laneOf } from './strip.js';
import { BREATH_MS } from '../sound/patterns.js';

/** @typedef {import('./strip.js').Metrics} Metrics */

/**
 * What happened at one instant. Its shape on the tape follows from `mark`:
 * `tap` stem and disc (the slower the answer, the taller), `tap-again` the same stem with a diamond (answered after the
 * second call), `look` hollow lens, `contraction` chevron, `sign` flag, `surfaced` two uprights, `ok` the letters,
 * `plan` and `end` stubs on the band with their word (planned time, agreed end), `no-answer` a cross, `incident` an octagon,
 * `recovered` an upright.
 * @typedef {object} TapeMark
 * @property {number} at_ms
 * @property {'tap'|'tap-again'|'look'|'contraction'|'sign'|'surfaced'|'ok'|'plan'|'end'|'no-answer'|'incident'|'recovered'} mark
 * @property {number|null} [took_ms] answer time of a tap; missing or null draws the shortest stem
 */

/**
 * @typedef {object} TapeModel
 * @property {number|null} [now_ms] instant under the now line of a moving tape (live, recovery, board); negative before
 *   the start, when the hooked end of the tape comes in from the right. A still tape (whole, row) has null.
 * @property {number|null} [total_ms] where the tape is cut off: end of the watch, or of the plan. A still tape needs it;
 *   null on a moving one while it is not known.
 * @property {{struggle_at_ms: number, late_at_ms: number, final_at_ms: number}|null} [boundaries] stages, for the hatch
 * @property {number|null} [glide_end_ms] where the hatch of the late stage is closest; null or missing: at `final_at_ms`
 * @property {number|null} [stages_to_ms] the hatch ends here (surfacing, end of the plan); null: it runs on
 * @property {TapeMark[]} [marks] in any order
 * @property {number[]} [coming] instants of the coming checks: notches in the lower edge
 * @property {number[]} [holes] checks that came due and were not answered: they stay notches
 * @property {{again_ms: number|null, alarm_ms: number|null}|null} [fuse] what follows if nothing happens: amber diamond
 *   and red octagon; give it only while a prompt stands
 * @property {number|null} [asked_ms] a tap that waits for its answer: a disc growing on its stem at the now line
 * @property {number|null} [breaths_to_ms] recovery tape: paced breaths are drawn from 0 up to here
 * @property {number|null} [unknown_from_ms] nothing is known from here on (lost link): fault hatch, leaning the other way
 * @property {boolean} [blank_future] leaves the future without notches and hatch (a board row in alarm)
 * @property {boolean} [calm] nothing is due: the tape is dim and moves in steps of a second
 * @property {number|null} [scale_total_ms] still tapes: the length that fills the width, so that rows share one scale;
 *   missing: `total_ms`
 */

/**
 * @typedef {object} Tape
 * @property {HTMLElement} node put it into the page; it takes its whole width and the given height
 * @property {(model: TapeModel) => void} update complete and idempotent; touches the page only where the facts differ
 * @property {(width: number, height: number) => void} resize CSS px
 * @property {(ms: number) => number} x where an instant stands, in CSS px from the left edge, with the facts given last:
 *   charts below a still tape use it to share one x
 */

/**
 * @typedef {object} TapeOptions
 * @property {'live'|'recovery'|'whole'|'row'|'board'} kind
 *   `live` moves, 4 px a second, now line at a third of the width;
 *   `recovery` moves, 16 px a second, since its breaths need the room;
 *   `whole` stands still, from 14 px to 14 px of the edges (plan 84 px high, debrief 108);
 *   `row` stands still and is small (log row, 54 px high, no notches);
 *   `board` moves, small (48 or 40 px high)
 * @property {number} width CSS px
 * @property {number} height CSS px
 * @property {number} [axis] x of the now line in CSS px; missing: width / 3
 */

const PX_PER_MS = { live: 0.004, board: 0.004, recovery: 0.016 };
/** Still tapes keep this much free at both ends, px. */
const INSET = 14;
/** The drawn stretch of a moving tape is laid anew each time this much has gone by. */
const RELAY_MS = 16_000;
/** Half the room a breath's word takes, px. */
const WORD_HALF = 26;
/** Clear room on either side of the now line, px from its middle. */
const CASING = 4;

/**
 * @param {TapeOptions['kind']} kind
 * @param {number} height
 * @returns {Metrics}
 */
function metricsOf(kind, height) {
  const common = { height, scale: 0, still: kind === 'whole' || kind === 'row', recovery: kind === 'recovery' };
  if (kind === 'whole') return { ...common, band: 18, k: 0.62, notchHalf: 5, notchDepth: 12, numeral: 20, tens: false };
  if (kind === 'row') return { ...common, band: 12, k: 0.5, notchHalf: 0, notchDepth: 0, numeral: 18, tens: false };
  if (kind === 'board') return { ...common, band: height < 46 ? 12 : 14, k: 0.5, notchHalf: 6, notchDepth: 10, numeral: 18, tens: false };
  if (height >= 120) return { ...common, band: 36, k: 1, notchHalf: 11, notchDepth: 27, numeral: 54, tens: true };
  return { ...common, band: 26, k: 1, notchHalf: 9, notchDepth: 17, numeral: height >= 100 ? 36 : 34, tens: true };
}

/**
 * @param {TapeOptions} options
 * @returns {Tape}
 */
export function createTape({ kind, width, height, axis }) {
  const still = kind === 'whole' || kind === 'row';
  const node = el('div', { class: `tape tape-${kind}`, 'aria-hidden': 'true' });
  return still ? stillTape(node, kind, width, height) : movingTape(node, kind, width, height, axis);
}

/**
 * @param {HTMLElement} node
 * @param {TapeOptions['kind']} kind
 * @param {number} width
 * @param {number} height
 * @returns {Tape}
 */
function stillTape(node, kind, width, height) {
  const sheet = svg('svg', { class: 'tape-strip' });
  node.append(sheet);
  let shown = '';
  /** @type {TapeModel} */
  let model = { marks: [] };
  const scaleOf = () => (width - 2 * INSET) / Math.max(1000, model.scale_total_ms ?? model.total_ms ?? 1000);
  const x = (/** @type {number} */ ms) => INSET + ms * scaleOf();

  const draw = () => {
    const key = JSON.stringify([model, width, height]);
    if (key === shown) return;
    shown = key;
    const m = metricsOf(kind, height);
    m.scale = scaleOf();
    sizeSvg(sheet, 0, width, height);
    setStyle(node, 'height', `${height}px`);
    const total = model.total_ms ?? 0;
    replace(
      sheet,
      svg('rect', { x: INSET, y: 0, width: Math.max(0, x(total) - INSET), height, class: 'tp-tape' }),
      drawStrip(m, model, 0, total, x),
    );
  };
  return {
    node,
    x,
    update(next) {
      model = next;
      draw();
    },
    resize(w, h) {
      width = w;
      height = h;
      draw();
    },
  };
}

/**
 * @param {SVGSVGElement} node
 * @param {number} left
 * @param {number} width
 * @param {number} height
 */
function sizeSvg(node, left, width, height) {
  setAttr(node, 'viewBox', `${left} 0 ${width} ${height}`);
  setAttr(node, 'width', width);
  setAttr(node, 'height', height);
}

/**
 * @param {HTMLElement} node
 * @param {TapeOptions['kind']} kind
 * @param {number} width
 * @param {number} height
 * @param {number} [fixedAxis]
 * @returns {Tape}
 */
function movingTape(node, kind, width, height, fixedAxis) {
  const scale = PX_PER_MS[/** @type {'live'|'board'|'recovery'} */ (kind)];
  const past = svg('rect', { y: 0, class: 'tp-past' });
  const future = svg('rect', { y: 0, class: 'tp-tape' });
  const ground = svg('svg', { class: 'tape-ground' }, past, future);
  const strip = svg('svg', { class: 'tape-strip' });
  const over = newOver(kind);
  node.append(ground, strip, over.node);
  const steady = matchMedia('(prefers-reduced-motion: reduce)');

  let laid = '';
  let from = 0;
  /** @type {TapeModel} */
  let model = { now_ms: 0 };
  let now = 0;
  const axisX = () => fixedAxis ?? width / 3;
  const x = (/** @type {number} */ ms) => axisX() + (ms - now) * scale;

  const lay = () => {
    const stretch = Math.floor(now / RELAY_MS);
    const { now_ms: _now, calm: _calm, asked_ms: _asked, fuse, ...facts } = model;
    const key = JSON.stringify([stretch, width, height, facts, kind === 'recovery' ? fuse : null]);
    if (key === laid) return;
    laid = key;
    const m = metricsOf(kind, height);
    m.scale = scale;
    from = stretch * RELAY_MS - axisX() / scale - 4000;
    const to = (stretch + 1) * RELAY_MS + (width - axisX()) / scale + 4000;
    sizeSvg(strip, from * scale, (to - from) * scale, height);
    sizeSvg(ground, 0, width, height);
    setStyle(node, 'height', `${height}px`);
    replace(strip, drawStrip(m, model, from, to, (ms) => ms * scale));
    over.lay(m, model, width, axisX());
  };

  const draw = () => {
    const at = model.now_ms ?? 0;
    now = model.calm || steady.matches ? Math.floor(at / 1000) * 1000 : at;
    lay();
    setStyle(strip, 'transform', `translateX(${round(x(from))}px)`);
    setClass(node, 'calm', model.calm === true);
    const begin = Math.max(0, x(0));
    const line = axisX();
    const end = Math.min(width, model.total_ms === null || model.total_ms === undefined ? width : x(model.total_ms));
    stretchRect(past, Math.min(begin, line), Math.min(line, end), height);
    stretchRect(future, Math.max(begin, line), end, height);
    over.move(model, x, scale);
  };
  return {
    node,
    x,
    update(next) {
      model = next;
      draw();
    },
    resize(w, h) {
      width = w;
      height = h;
      draw();
    },
  };
}

/**
 * @param {SVGRectElement} rect
 * @param {number} x0 @param {number} x1
 * @param {number} height
 */
function stretchRect(rect, x0, x1, height) {
  setAttr(rect, 'x', round(x0));
  setAttr(rect, 'width', round(Math.max(0, x1 - x0)));
  setAttr(rect, 'height', height);
}

/**
 * What lies over the moving strip: the casing that keeps the now line clear, the line itself, the fuse, a tap that waits
 * for its answer, and the breaths of a recovery, thick where breathed and thin where to come.
 * @param {TapeOptions['kind']} kind
 */
function newOver(kind) {
  const casing = [svg('rect', { class: 'tp-casing-past' }), svg('rect', { class: 'tp-casing' })];
  const line = svg('path', { class: 'tp-line tp-now', 'stroke-width': 3 });
  const again = svg('g', { class: 'tp-fuse' });
  const alarm = svg('g', { class: 'tp-fuse' });
  const asked = svg('g', { class: 'tp-asked' });
  const clips = [svg('rect', { y: -10 }), svg('rect', { y: -10 })];
  const breathed = svg('g', null);
  const toCome = svg('g', null);
  const pastId = `tape-past-${overs}`;
  const futureId = `tape-future-${overs++}`;
  const breaths = kind === 'recovery'
    ? [
      svg('clipPath', { id: pastId }, clips[0]),
      svg('clipPath', { id: futureId }, clips[1]),
      svg('g', { 'clip-path': `url(#${futureId})` }, toCome),
      svg('g', { 'clip-path': `url(#${pastId})` }, breathed),
    ]
    : [];
  const node = svg('svg', { class: 'tape-over' }, casing, breaths, line, again, alarm, asked);
  /** @type {Metrics} */
  let m = metricsOf(kind, 184);
  let axis = 0;
  let askedTop = '';
  /** @type {{ms: number, nodes: Element[]}[]} words of the breaths; the now line does not run through one */
  let words = [];

  return {
    node,
    /**
     * @param {Metrics} metrics
     * @param {TapeModel} model
     * @param {number} width
     * @param {number} axisX
     */
    lay(metrics, model, width, axisX) {
      m = metrics;
      axis = axisX;
      sizeSvg(node, 0, width, m.height);
      casing.forEach((rect, i) => {
        setAttr(rect, 'x', round(axis + (i ? 0 : -CASING)));
        setAttr(rect, 'y', 1.5);
        setAttr(rect, 'width', CASING);
        setAttr(rect, 'height', m.height - 1.5);
      });
      setAttr(line, 'd', `M${round(axis)} 0V${m.height}`);
      const top = bandTop(m);
      const tall = m.height >= 160;
      const [low, high] = m.recovery ? [2, 2] : tall ? [30, 64] : [14, 34];
      const r = m.k < 1 ? 5 : 10;
      replace(again, m.recovery ? null : path(`M0 ${round(top)}V${round(top - low)}`, 'tp-line', 2), path(diamondPath(0, top - low, r + 1), 'tp-again', 2));
      replace(alarm, m.recovery ? null : path(`M0 ${round(top)}V${round(top - high)}`, 'tp-line', 2), path(octagonPath(0, top - high, r), 'tp-alarm', 2));
      clips.forEach((rect, i) => {
        setAttr(rect, 'x', round(i ? axis : 0));
        setAttr(rect, 'width', round(i ? width - axis : axis));
        setAttr(rect, 'height', m.height + 20);
      });
      if (m.recovery) layBreaths(model.breaths_to_ms ?? 0);
    },
    /**
     * @param {TapeModel} model
     * @param {(ms: number) => number} x
     * @param {number} scale
     */
    move(model, x, scale) {
      const onTape = x(0) <= axis;
      casing.forEach((rect) => setAttr(rect, 'visibility', onTape ? null : 'hidden'));
      place(again, model.fuse?.again_ms, x);
      place(alarm, model.fuse?.alarm_ms, x);
      const zero = round(x(0));
      setAttr(breathed, 'transform', `translate(${zero} 0)`);
      setAttr(toCome, 'transform', `translate(${zero} 0)`);
      for (const { ms, nodes } of words) {
        for (const word of nodes) setAttr(word, 'visibility', Math.abs(x(ms) - axis) < WORD_HALF ? 'hidden' : null);
      }
      const since = model.asked_ms === null || model.asked_ms === undefined ? null : Math.max(0, (model.now_ms ?? 0) - model.asked_ms);
      setAttr(asked, 'visibility', since === null ? 'hidden' : null);
      if (since === null) return;
      const y = bandTop(m) - tapHeight(since, laneOf(m)) - 3;
      const key = `${round(y)} ${axis} ${scale}`;
      if (key === askedTop) return;
      askedTop = key;
      replace(
        asked,
        path(`M${round(axis)} ${round(bandTop(m))}V${round(y)}`, 'tp-line', 6),
        svg('circle', { cx: round(axis), cy: round(y), r: 9, class: 'tp-asked-head', 'stroke-width': 3 }),
      );
    },
  };

  /** @param {number} toMs */
  function layBreaths(toMs) {
    const top = m.height >= 160 ? 57 : 42;
    const low = bandTop(m) - (m.height >= 160 ? 15 : 8);
    const { in: inMs, keep: keepMs, out: outMs, cycle } = BREATH_MS;
    const px = (/** @type {number} */ ms) => round(ms * m.scale);
    let d = `M0 ${low}`;
    words = [];
    for (let t = 0; t < toMs; t += cycle) {
      d += `L${px(t + inMs)} ${top}H${px(t + inMs + keepMs)}L${px(t + inMs + keepMs + outMs)} ${low}`;
      if (low - top < 50) continue;
      const ms = t + inMs + keepMs / 2;
      const word = text(ms * m.scale, top + 26, 'keep', { size: 16, anchor: 'middle' });
      words.push({ ms, nodes: [word, /** @type {Element} */ (word.cloneNode(true))] });
    }
    replace(toCome, path(toMs > 0 ? d : '', 'tp-line', 2.5), words.map((w) => w.nodes[0]));
    replace(breathed, path(toMs > 0 ? d : '', 'tp-line tp-round', m.height >= 160 ? 8 : 6), words.map((w) => w.nodes[1]));
  }
}

let overs = 0;

/**
 * @param {SVGElement} group
 * @param {number|null|undefined} ms
 * @param {(ms: number) => number} x
 */
function place(group, ms, x) {
  const shown = ms !== null && ms !== undefined;
  setAttr(group, 'visibility', shown ? null : 'hidden');
  if (shown) setAttr(group, 'transform', `translate(${round(x(ms))} 0)`);
}
