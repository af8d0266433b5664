// Shapes: what stands on the tape and, the same shapes, what stands on the buttons. Learn one, read both.

import { svg } from '../app/dom.js';

/** @typedef {import('./tape.js').TapeMark} TapeMark */

/**
 * Room and scale of the lane above the band, for drawing marks.
 * @typedef {object} Lane
 * @property {number} top y below which marks may stand
 * @property {number} band y of the band's upper edge, where marks stand
 * @property {number} bottom y of the tape's lower edge
 * @property {number} k size of marks against the live tape's
 * @property {number} perSecond px of stem for each second of an answer
 */

/**
 * Octagon around (x, y); `r` is half its width.
 * @param {number} x @param {number} y @param {number} r
 */
export function octagonPath(x, y, r) {
  const c = r * 0.4142;
  const at = [[-c, -r], [c, -r], [r, -c], [r, c], [c, r], [-c, r], [-r, c], [-r, -c]];
  return `M${at.map(([dx, dy]) => `${round(x + dx)} ${round(y + dy)}`).join('L')}Z`;
}

/** @param {number} x @param {number} y @param {number} r */
export function diamondPath(x, y, r) {
  return `M${round(x)} ${round(y - r)}L${round(x + r)} ${round(y)}L${round(x)} ${round(y + r)}L${round(x - r)} ${round(y)}Z`;
}

/** @param {number} n */
export function round(n) {
  return Math.round(n * 100) / 100;
}

/**
 * @param {string} d
 * @param {string} cls
 * @param {number} [width] stroke, px
 */
export function path(d, cls, width) {
  return svg('path', { d, class: cls, 'stroke-width': width });
}

/**
 * @param {number} x @param {number} y
 * @param {string} words
 * @param {{size: number, bold?: boolean, anchor?: string}} how
 */
export function text(x, y, words, { size, bold = false, anchor }) {
  return svg(
    'text',
    { x: round(x), y: round(y), class: bold ? 'tp-text bold' : 'tp-text', 'font-size': size, 'text-anchor': anchor },
    words,
  );
}

/**
 * Height of a tap's head above the band: the slower the answer, the taller, up to the lane's own height.
 * @param {number|null|undefined} tookMs
 * @param {Lane} lane
 */
export function tapHeight(tookMs, { top, band, k, perSecond }) {
  const wanted = 12 * k + (perSecond * Math.min(tookMs ?? 0, 60_000)) / 1000;
  return Math.min(wanted, band - top - 6 * k);
}

/**
 * Draws one mark.
 * @param {TapeMark} mark
 * @param {number} x
 * @param {Lane} lane
 * @returns {SVGElement[]}
 */
export function drawMark(mark, x, lane) {
  const { band, bottom, k } = lane;
  switch (mark.mark) {
    case 'tap':
    case 'tap-again': {
      const y = band - tapHeight(mark.took_ms, lane);
      const stem = path(`M${round(x)} ${round(band)}V${round(y)}`, 'tp-line', k < 1 ? 2 : 3);
      if (mark.mark === 'tap') return [stem, svg('circle', { cx: round(x), cy: round(y), r: round(6 * k), class: 'tp-fill' })];
      return [stem, path(diamondPath(x, y, 9 * k), 'tp-fill')];
    }
    case 'look':
      return [
        svg('ellipse', {
          cx: round(x), cy: round(band - 10 * k), rx: round(7.5 * k), ry: round(4.8 * k), class: 'tp-hollow',
          'stroke-width': k < 1 ? 1.5 : 2,
        }),
      ];
    case 'contraction': {
      const w = 6 * k;
      const foot = band - 3 * k;
      return [path(`M${round(x - w)} ${round(foot)}L${round(x)} ${round(foot - 9 * k)}L${round(x + w)} ${round(foot)}`, 'tp-line', k < 1 ? 1.5 : 2)];
    }
    case 'sign': {
      const h = 30 * k;
      const w = 15 * k;
      const y = band - h;
      return [
        path(`M${round(x)} ${round(band)}V${round(y)}`, 'tp-line', 2),
        path(`M${round(x)} ${round(y)}h${round(w)}l${round(-w / 3)} ${round(h / 5)}l${round(w / 3)} ${round(h / 5)}H${round(x)}Z`, 'tp-fill'),
      ];
    }
    case 'surfaced':
      return [path(`M${round(x)} 0V${bottom}M${round(x + 3.5)} 0V${bottom}`, 'tp-line', 1.5)];
    case 'ok':
      return [text(x + 3, band - (k < 1 ? 11 : 18), 'OK', { size: k < 0.6 ? 12 : k < 1 ? 15 : 20, bold: true })];
    case 'plan':
    case 'end':
      return [
        path(`M${round(x)} ${round(band)}v${round(-26 * k)}`, 'tp-line', 5 * Math.max(k, 0.7)),
        ...(k < 1 ? [] : [text(x + 8, band - 8, mark.mark, { size: 17 })]),
      ];
    case 'no-answer': {
      const r = 6 * k;
      const y = band - 12 * k;
      return [path(`M${round(x - r)} ${round(y - r)}l${round(2 * r)} ${round(2 * r)}m0 ${round(-2 * r)}l${round(-2 * r)} ${round(2 * r)}`, 'tp-line', k < 1 ? 2 : 3)];
    }
    case 'incident': {
      const y = band - 34 * k;
      return [path(`M${round(x)} ${round(band)}V${round(y)}`, 'tp-line', 2), path(octagonPath(x, y, 10 * k), 'tp-alarm', k < 1 ? 1.5 : 2)];
    }
    default:
      return [path(`M${round(x)} 0V${bottom}`, 'tp-line', 1.5)];
  }
}

/** @type {Record<string, {box: string, d: string, stroke?: number}>} drawn in the colour of the words they stand with */
const ICONS = {
  contraction: { box: '0 0 24 18', d: 'M3 15L12 4.5L21 15', stroke: 3.6 },
  sign: { box: '0 0 20 20', d: 'M1.5 1H19L13.5 6.8L19 12.6H4V20H1.5Z' },
  trouble: { box: '0 0 22 22', d: `${octagonPath(11, 11, 10.5)}M6.2 8.3L8.3 6.2L11 8.9L13.7 6.2L15.8 8.3L13.1 11L15.8 13.7L13.7 15.8L11 13.1L8.3 15.8L6.2 13.7L8.9 11Z` },
  octagon: { box: '0 0 84 84', d: `${octagonPath(42, 42, 42)}M22.5 31.5L31.5 22.5L42 33L52.5 22.5L61.5 31.5L51 42L61.5 52.5L52.5 61.5L42 51L31.5 61.5L22.5 52.5L33 42Z` },
  no: { box: '0 0 20 20', d: 'M2.5 2.5L17.5 17.5M17.5 2.5L2.5 17.5', stroke: 4 },
  up: { box: '0 0 22 26', d: 'M11 25V4M2 12.5L11 3.2L20 12.5', stroke: 4 },
  back: { box: '0 0 20 18', d: 'M7.5 1.5L2.5 6.5L7.5 11.5M2.5 6.5H12.5A4.7 4.7 0 0 1 12.5 16H7', stroke: 3 },
  lens: { box: '0 0 94 60', d: 'M4 30Q47 -16 90 30Q47 76 4 30ZM47 19A11 11 0 1 0 47.01 19', stroke: 7 },
  disc: { box: '0 0 94 94', d: 'M47 0A47 47 0 1 0 47.01 0Z' },
  diamond: { box: '0 0 62 62', d: diamondPath(31, 31, 31) },
  ok: { box: '0 0 24 18', d: 'M3 9.5L9.5 15.5L21 3', stroke: 3.6 },
  breath: { box: '0 0 26 18', d: 'M1 15.5H6L10 3.5H16L20 15.5H25', stroke: 3 },
  play: { box: '0 0 18 20', d: 'M1 1L17 10L1 19Z' },
  lock: { box: '0 0 18 22', d: 'M1 9.5H3.8V6.8A5.2 5.2 0 0 1 14.2 6.8V9.5H17V21H1ZM6.3 9.5H11.7V6.8A2.7 2.7 0 0 0 6.3 6.8Z' },
};

/**
 * A shape for a button or a signal, in the colour of its words; size it by its class `icon` (height in em) or its own class.
 * @param {keyof typeof ICONS & string} name
 * @param {string} [cls] further classes
 * @returns {SVGSVGElement}
 */
export function icon(name, cls = '') {
  const { box, d, stroke } = ICONS[name];
  return svg(
    'svg',
    { viewBox: box, class: `icon icon-${name} ${cls}`.trim(), 'aria-hidden': 'true', focusable: 'false' },
    stroke
      ? svg('path', { d, fill: 'none', stroke: 'currentColor', 'stroke-width': stroke })
      : svg('path', { d, fill: 'currentColor', 'fill-rule': 'evenodd' }),
  );
}
