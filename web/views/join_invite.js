/**
 * The sheet that lets another phone in: picture, code, link, and who is here.
 */

import { el, replace, setShown, setText, svg } from '../app/dom.js';
import { rolesFor } from '../app/board_offers.js';
import { joinProblem, spacedCode } from '../app/join_form.js';
import { timeOfDay } from '../app/clock_text.js';
import { row, word } from './sheet.js';

/** White margin round the picture, in its own squares: scanners need four. */
const QUIET = 4;

/**
 * The server's rows of `0` and `1` as a picture, all dark squares in one path.
 * @param {string[]} rows
 */
export function qrPicture(rows) {
  const size = rows.length + 2 * QUIET;
  let d = '';
  rows.forEach((line, y) => {
    for (let x = 0; x < line.length; x++) {
      if (line[x] !== '1') continue;
      let run = 1;
      while (line[x + run] === '1') run++;
      d += `M${x + QUIET} ${y + QUIET}h${run}v1h-${run}z`;
      x += run - 1;
    }
  });
  return svg('svg', { viewBox: `0 0 ${size} ${size}`, class: 'qr', role: 'img', 'aria-label': 'picture to scan with the other phone', 'shape-rendering': 'crispEdges' },
    svg('rect', { width: size, height: size, fill: '#fff' }), svg('path', { d, fill: '#101316' }));
}

/** @param {HTMLElement} root @param {any} app */
export function mount(root, app) {
  const picture = el('div', { class: 'qr-box' });
  const code = el('span', { class: 'display code-shown' });
  const until = el('span', { class: 'sub' });
  const link = el('p', { class: 'url' });
  const said = el('p', { class: 'problem', role: 'status', hidden: true });
  const here = el('div', { class: 'here' });
  const asked = el('p', { class: 'sub', role: 'status' });
  const copied = el('span', { class: 'sub', role: 'status' });
  let untilMs = 0;
  let asking = false;
  let gone = false;

  async function ask() {
    if (asking || gone) return;
    asking = true;
    try {
      const got = await app.access.invite();
      if (gone) return;
      replace(picture, qrPicture(got.qr ?? []));
      setText(code, spacedCode(got.code));
      untilMs = got.code_until_ms;
      setText(until, `until ${timeOfDay(untilMs)}`);
      setText(link, (got.urls ?? [])[0] ?? '');
      setShown(said, false);
    } catch (err) {
      setText(said, joinProblem(/** @type {any} */ (err)));
      setShown(said, true);
      untilMs = 0;
    } finally {
      asking = false;
    }
  }

  const copy = word('copy', async () => {
    try {
      await navigator.clipboard.writeText(link.textContent ?? '');
      setText(copied, 'copied');
    } catch {
      // No clipboard on plain http: the link is marked, so that the system's own menu can copy it.
      const range = document.createRange();
      range.selectNodeContents(link);
      getSelection()?.removeAllRanges();
      getSelection()?.addRange(range);
      setText(copied, 'marked: copy it');
    }
  }, 'copy the link');

  const page = el('main', { class: 'page scroll join' }, el('div', { class: 'invite' },
    el('div', { class: 'sheet head' }, row('add a phone', { plain: true }, el('p', null, 'Scan with its camera, or open the link, or type the code.'))),
    picture, said,
    el('div', { class: 'sheet' },
      row('code', { class: 'tall' }, code, until, word('new code', ask)),
      row('link', { class: 'tall' }, link, copy, copied),
      row('here now', { plain: true, class: 'tall' }, here, asked)),
    el('div', { class: 'go-bar' },
      el('button', { type: 'button', class: 'go fill', onclick: () => app.go('plan') }, el('span', { class: 'display' }, 'plan')))));
  root.append(page);
  ask();
  let shown = '';

  /** Who is here, and what each may be asked to become between holds. @param {any} frame */
  function showHere(frame) {
    const devices = frame.present ?? [];
    const pair = frame.pair?.pair ?? '';
    const mine = frame.me?.role;
    const key = JSON.stringify([devices.map((/** @type {any} */ d) => [d.device, d.role, d.name]), pair, mine]);
    if (key === shown) return;
    shown = key;
    replace(here, devices.length === 0 ? 'this one alone' : devices.map((/** @type {any} */ d) => {
      const own = d.device === frame.me?.device;
      const offer = (/** @type {string} */ label, /** @type {object} */ what) => word(label, () => {
        app.tell({ type: 'offer', to: d.device, pair, ...what });
        setText(asked, `${d.name || 'the other phone'} is asked`);
      }, `${label}: ${d.name || d.role}`);
      const swaps = (mine === 'buddy' && d.role === 'diver') || (mine === 'diver' && d.role === 'buddy');
      return el('p', null, `${d.name || 'no name'}, ${d.role}${own ? ' (this one)' : ''} `,
        own || d.role === 'instructor' ? null : [swaps ? offer('swap roles', { role: mine, swap: true }) : null, ' ',
          ...rolesFor(d.role).map((role) => [offer(`make it ${role}`, { role }), ' '])]);
    }));
  }

  return {
    /** @param {any} frame */
    update(frame) {
      showHere(frame);
      if (untilMs > 0 && frame.now >= untilMs) {
        untilMs = 0;
        ask();
      }
    },
    unmount() {
      gone = true;
      page.remove();
    },
  };
}
