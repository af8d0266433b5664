// Parts of the head of a hold page: whether it is live, what is amiss, and the tooth that points to the tape.

import { clockText } from '../app/clock_text.js';
import { FAULT_DOUBT_MS } from '../app/time.js';
import { el, replace, setClass, setShown, setText, svg } from '../app/dom.js';

/** @typedef {import('./parts.js').HoldFrame} HoldFrame */

/** A line for `showLink`. */
export function linkLine() {
  return el('span', { class: 'line link' }, el('span', { class: 'dot' }), el('span', { class: 'fault small' }), el('span'), el('span'));
}

/** The stem and the tooth that point from the slab to the now line. */
export function toothOf() {
  return el(
    'div', { class: 'stem', 'aria-hidden': 'true' },
    svg('svg', { class: 'tooth', viewBox: '0 0 25 28' }, svg('path', { d: 'M12.5 1.5L23.5 27H1.5Z' })),
  );
}

/**
 * @param {HTMLElement} node
 * @param {HoldFrame['link']} link
 */
export function showLink(node, link) {
  const [dot, hatch, words, since] = /** @type {HTMLElement[]} */ ([...node.children]);
  const live = link.state === 'live';
  setShown(dot, link.state !== 'not-live');
  setClass(dot, 'hollow', !live);
  setShown(hatch, link.state === 'not-live');
  setText(words, live ? 'live' : link.state === 'alone' ? 'alone' : 'not live');
  setShown(since, link.state === 'not-live');
  setText(since, clockText(link.for_ms));
}

/** A device not heard of for this long is shown as not live (PROTOCOL.md, 6: `stale` after 3 s), ms. */
const STALE_MS = 3000;
/** One that has been gone for longer than this has gone home, ms (own). */
const GONE_MS = 600_000;

/**
 * What another device of the pair lacks, in words; '' where nothing matters. Only a buddy's phone prompts, so only of it
 * more than its silence is told.
 * @param {any} device as presence tells of it
 */
export function deviceFault(device) {
  const who = device.name ? `${device.name}’s phone` : `the ${device.role}’s phone`;
  const age = device.age_ms ?? 0;
  if (age > GONE_MS) return '';
  if (device.link ? device.link !== 'live' : age > STALE_MS) return `${who}: not live ${clockText(age)}`;
  if (device.role !== 'buddy' || !device.state) return '';
  if (device.state.visible === false) return `${who}: page hidden`;
  if (device.state.simulated === true) return `${who}: simulated, no sound`;
  if (device.state.sound !== 'proven') return `${who}: sound not proven`;
  return (device.state.doubt_ms ?? 0) > FAULT_DOUBT_MS ? `${who}: its clock may be off` : '';
}

/**
 * That this phone is not live, in words; '' while it is, or where it is alone by choice.
 * @param {HoldFrame['link']} link
 */
export function linkFault(link) {
  return link?.state === 'not-live' ? `not live ${clockText(link.for_ms)}` : '';
}

/**
 * Which of the pair's phones cannot be heard, in words; this one first, '' while all can.
 * @param {HoldFrame} frame
 */
export function silentPhone({ link, present = [], me }) {
  const others = present.filter((p) => p.device !== me.device && p.role !== 'instructor');
  return linkFault(link) || (others.map(deviceFault).find((words) => words.includes('not live')) ?? '');
}

/**
 * This phone's clock where it may be too far from the others', in words; else ''.
 * @param {HoldFrame['clock']} clock
 */
export function clockFault(clock) {
  return clock?.fault ? clock.words : '';
}

/**
 * This phone's own sound, in words; lower case, as all that is no signal.
 * @param {HoldFrame['sound']} sound
 */
export function soundFault({ state, words }) {
  if (state === 'proven') return '';
  const said = words || (state === 'off' ? 'sound off: touch' : 'sound not proven');
  return said.charAt(0).toLowerCase() + said.slice(1);
}

/**
 * How long ago somebody counted this phone's beeps, in words; '' where its sound is not proven.
 * @param {HoldFrame['sound']} sound
 * @param {number} now shared ms
 */
export function provenWords({ state, proven_at = null }, now) {
  if (state !== 'proven') return '';
  const minutes = proven_at === null ? 0 : Math.floor((now - proven_at) / 60_000);
  return minutes < 1 ? 'sound proven' : `sound proven ${minutes} min ago`;
}

/**
 * What is amiss in a hold, gravest first: a press not recorded, this phone's sound, the other phones, the clock, the
 * screen.
 * @param {HoldFrame} frame
 * @param {string} failure
 */
export function faultLines(frame, failure) {
  const { sound, awake_lock: lock, present = [], me } = frame;
  const lines = [failure, soundFault(sound), frame.several ? 'two holds run: end the one that is not true' : ''];
  const others = present.filter((p) => p.device !== me.device && p.role !== 'instructor');
  lines.push(...others.filter((p) => p.role === 'buddy').map(deviceFault), ...others.filter((p) => p.role !== 'buddy').map(deviceFault));
  lines.push(clockFault(frame.clock));
  if (lock && !lock.held) lines.push(lock.words);
  return lines.filter((line) => line !== '').slice(0, 2);
}

/**
 * @param {HTMLElement} node
 * @param {string[]} lines
 * @param {string} [calm] what to say, without a fault's sign, where nothing is amiss
 */
export function showFaults(node, lines, calm = '') {
  const text = lines.join('\n') || calm;
  if (node.dataset.text === text) return;
  node.dataset.text = text;
  const faults = lines.map((line) => el('span', { class: 'fault-line' }, el('span', { class: 'fault small' }), el('span', null, line)));
  const said = calm === '' ? [] : [el('span', { class: 'fault-line' }, el('span', null, calm))];
  replace(node, lines.length > 0 ? faults : said);
}
