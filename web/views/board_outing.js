// The outing's sheet: letting phones in, starting several pairs with one count, what holds for all, devices, and its end.

import { CADENCES } from '../app/plan_form.js';
import { spacedCode } from '../app/join_form.js';
import { timeOfDay } from '../app/clock_text.js';
import { el, replace, setShown, setText } from '../app/dom.js';
import { groupPart } from './board_group.js';
import { devicesPart } from './board_devices.js';
import { endPart } from './board_end.js';
import { importPart } from './board_in.js';
import { seriesPart } from './board_series.js';
import { sayer, sheetHead } from './board_sheet.js';
import { qrPicture } from './join_invite.js';
import { choice, field, row, word } from './sheet.js';

/** @typedef {import('../app/board_app.js').BoardApp} BoardApp */
/** @typedef {import('../app/board_app.js').BoardFrame} BoardFrame */

/**
 * @param {BoardApp} app
 * @param {{close: () => void}} on
 * @returns {import('./board.js').Sheet}
 */
export function outingSheet(app, { close }) {
  const invite = invitePart(app);
  const group = groupPart(app);
  const forAll = forAllPart(app);
  const series = seriesPart(app);
  const devices = devicesPart(app);
  const end = endPart(app);
  const parts = [invite, group, forAll, series, devices, importPart(app), end];
  return {
    node: el('div', { class: 'b-sheet-body' }, sheetHead('outing', close), parts.map((p) => p.node)),
    update(frame) {
      for (const p of parts) p.update(frame);
    },
    unmount() {
      for (const p of parts) p.unmount?.();
    },
  };
}

/** A code that did not come is asked for again after this (ms, own). */
const ASK_AGAIN_MS = 10_000;

/**
 * Code, picture and link for the next phone, and a new pair.
 * @param {BoardApp} app
 * @returns {import('./board.js').Sheet}
 */
function invitePart(app) {
  const said = sayer();
  const picture = el('div', { class: 'qr-box' });
  const code = el('span', { class: 'display code-shown' });
  const until = el('span', { class: 'sub' });
  const url = el('p', { class: 'url' });
  let untilMs = -Infinity;
  const ask = () => said.run(async () => {
    untilMs = app.now() + ASK_AGAIN_MS;
    const got = await app.access.invite();
    replace(picture, qrPicture(got.qr ?? []));
    setText(code, spacedCode(got.code));
    setText(until, `until ${timeOfDay(got.code_until_ms)}`);
    setText(url, got.urls?.[0] ?? '');
    untilMs = got.code_until_ms;
  });
  const name = field({
    label: 'your name', name: 'instructor', value: app.frame().me.name, hint: 'seen when you go', onInput: () => {},
    onDone: () => said.run(() => app.rename(name.input.value.trim())),
  });
  const phone = row('add a phone', { class: 'tall' }, picture, el('div', null, el('p', null, code, ' ', until), url));
  return {
    node: el('div', { class: 'sheet' },
      phone,
      row('a pair', null, word('a new pair', () => said.run(async () => {
        const made = await app.ask('/api/pair', {});
        return `pair ${made.number} is there: its phones join it.`;
      })), el('span', { class: 'sub' }, 'a phone that joins can make one too')),
      name.node, row('', { plain: true }, said.node)),
    update(frame) {
      const open = !frame.outing.ended_ms;
      setShown(phone, open);
      if (open && frame.now >= untilMs) ask();
    },
  };
}

const PLACE = /** @type {const} */ ([
  ['number', 'emergency number', 'as dialled here'], ['address', 'address', 'street, gate, which pool'], ['oxygen', 'oxygen', 'where it is, or none'],
  ['reach', 'in reach', 'lifeguard, instructor, neighbour'],
]);

/**
 * What all pairs get: cadence and place card.
 * @param {BoardApp} app
 * @returns {import('./board.js').Sheet}
 */
function forAllPart(app) {
  const said = sayer();
  const cadence = choice('cadence for all pairs', [...CADENCES.map((c) => /** @type {[string, string]} */ ([c[0], c[1]])), ['', 'as each pair likes']],
    (v) => said.run(() => app.ask('/api/outing', { cadence: v === '' ? null : { cadence: v } }), 'Pairs plan with it from now on.'));
  /** @type {Record<string, string>} */
  const typed = {};
  /** What the outing's card says, as last shown. @type {Record<string, string>} */
  const known = {};
  const told = (/** @type {any} */ place, /** @type {string} */ name) => (typeof place?.[name] === 'string' ? place[name] : '');
  const fields = PLACE.map(([name, label, hint]) => {
    known[name] = typed[name] = told(app.frame().outing.place, name);
    return { name, ...field({ label, name: `place-${name}`, hint, value: typed[name], onInput: (text) => { typed[name] = text.trim(); } }) };
  });
  const keep = word('keep the card for all', () => {
    if (!typed.number || !typed.address) said.say('A place card needs the number to call and the address.', true);
    else said.run(() => app.ask('/api/outing', { place: { ...typed } }), 'All pairs have the card.');
  });
  return {
    node: el('div', { class: 'sheet' }, row('checks for all', { class: 'tall' }, cadence.node), fields.map((f) => f.node), row('', null, keep, said.node)),
    update(frame) {
      cadence.set(String(frame.outing.cadence?.cadence ?? ''));
      // What another instructor keeps comes in wherever nothing else is typed here.
      for (const { name, input } of fields) {
        const now = told(frame.outing.place, name);
        if (now !== known[name] && typed[name] === known[name]) input.value = typed[name] = now;
        known[name] = now;
      }
    },
  };
}
