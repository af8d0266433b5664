// One pair's sheet: ending its hold, its devices with roles by offer, and its holds to be read.

import { clockText, timeOfDay } from '../app/clock_text.js';
import { el, refill, replace, setShown, setText } from '../app/dom.js';
import { recordOf } from '../app/log_facts.js';
import { logWords } from '../app/debrief_facts.js';
import { holdTape } from '../tape/facts.js';
import { createTape } from '../tape/tape.js';
import { offerWords, rolesFor } from '../app/board_offers.js';
import { blockPart } from './board_block.js';
import { roleWords, sayer, sheetHead } from './board_sheet.js';
import { pressKey } from './parts.js';
import { row, word } from './sheet.js';

/** @typedef {import('../app/board_app.js').BoardApp} BoardApp */
/** @typedef {import('../app/board_app.js').BoardFrame} BoardFrame */

const TAPE_PX = 54;

/**
 * @param {BoardApp} app
 * @param {string} pair
 * @param {{close: () => void}} on
 * @returns {import('./board.js').Sheet}
 */
export function pairSheet(app, pair, { close }) {
  const said = sayer();
  const number = app.frame().rows.find((r) => r.pair === pair)?.number ?? 0;
  const end = pressKey('key b-end-hold', {
    app: /** @type {any} */ (app), kind: 'alarm',
    onFire: (p) => said.run(() => app.record(pair, 'end-hold', {}, { at: p.down_at }), 'The hold is ended: the pair’s phones say so.'),
  });
  end.face('end this hold', '', 'press 1 s');
  const trouble = pressKey('key b-trouble', {
    app: /** @type {any} */ (app), kind: 'alarm',
    onFire: (p) => said.run(() => app.record(pair, 'incident', { what: 'unknown' }, { at: p.down_at }), 'Trouble is called on all its phones.'),
  });
  trouble.face('trouble', '', 'press 1 s');
  const acts = row('hold', { plain: true, class: 'tall' }, end.node, trouble.node);
  const devices = el('div', { class: 'b-devices' });
  const others = el('div', { class: 'b-devices' });
  const bring = row('from other pairs', { plain: true, class: 'tall' }, others);
  const holds = el('ol', { class: 'b-holds' });
  const block = blockPart(app, pair);
  const node = el('div', { class: 'b-sheet-body' }, sheetHead(`pair ${number}`, close),
    el('div', { class: 'sheet' }, acts, row('', { plain: true }, said.node), row('devices', { plain: true, class: 'tall' }, devices), bring), block.node, holds);
  let shown = '';
  let listed = '';
  let asked = '';

  /**
   * What became of the newest offer to a device.
   * @param {BoardFrame['offers']} offers
   * @param {string} device
   */
  const offered = (offers, device) => {
    const offer = offers.find((o) => o.to === device);
    return offer ? el('span', { class: 'sub', role: 'status' }, offerWords(offer)) : null;
  };

  /** @param {BoardFrame} frame */
  const showDevices = (frame) => {
    const facts = frame.rows.find((r) => r.pair === pair);
    const present = (facts?.devices ?? []).filter((d) => d.role !== 'instructor');
    const free = !facts?.running;
    const offers = frame.offers.filter((o) => o.pair === pair || present.some((d) => d.device === o.to));
    const key = JSON.stringify([present.map((d) => [d.device, d.role, d.name, d.link]), free, offers]);
    if (key === shown) return;
    shown = key;
    refill(devices, present.length === 0 ? 'none has joined' : present.map((d) =>
      el('div', { class: 'b-device', dataset: { device: d.device } },
        el('span', null, `${d.name || 'no name'}, ${roleWords(d.role)}`),
        el('span', { class: 'sub' }, d.link === 'live' || d.link === undefined ? '' : 'not live'),
        offered(offers, d.device),
        free ? rolesFor(d.role).map((role) =>
          word(`offer ${roleWords(role)}`, () => app.tell({ type: 'offer', to: d.device, pair, role }), `offer ${d.name || 'this device'} the role ${roleWords(role)}`)) : null)));
  };

  /** Phones of other pairs, that may be asked to come into this one between holds. @param {BoardFrame} frame */
  const showOthers = (frame) => {
    const here = frame.rows.find((r) => r.pair === pair);
    const free = here?.running === true ? [] : frame.rows.filter((r) => r.pair !== pair && !r.running);
    const phones = free.flatMap((r) => r.devices.filter((d) => d.role === 'buddy' || d.role === 'diver').map((d) => ({ ...d, number: r.number })));
    const offers = frame.offers.filter((o) => phones.some((d) => d.device === o.to));
    const key = JSON.stringify([phones.map((d) => [d.device, d.role, d.name, d.number]), offers]);
    if (key === asked) return;
    asked = key;
    refill(others, phones.map((d) => el('div', { class: 'b-device' }, el('span', null, `${d.name || 'no name'}, pair ${d.number}`), offered(offers, d.device),
      ['buddy', 'diver'].map((role) => word(`ask to be ${role} here`, () => app.tell({ type: 'offer', to: d.device, pair, role }),
        `ask ${d.name || 'this phone'} to be ${role} in pair ${number}`)))));
    setShown(bring, phones.length > 0);
  };

  /** @param {BoardFrame} frame */
  const showHolds = (frame) => {
    const records = app.holds(pair).map((hold) => recordOf(hold, frame.now)).filter((r) => r.status.start_at !== null && r.status.phase === 'over').reverse();
    const width = holds.clientWidth || innerWidth;
    const key = records.map((r) => `${r.hold.id}:${r.hold.events.length}`).join(' ') + width;
    if (key === listed) return;
    listed = key;
    const scale = Math.max(1000, ...records.map((r) => Number(r.status.over_at) - Number(r.status.start_at)));
    replace(holds, records.map((r) => {
      const tape = createTape({ kind: 'row', width, height: TAPE_PX });
      const at = Number(r.status.over_at);
      tape.update({ ...holdTape(r.hold, r.status, at, { still: true }), scale_total_ms: scale });
      return el('li', { class: 'b-hold' },
        el('p', null, el('b', null, clockText(r.summary.hold_ms ?? 0)), ` ${timeOfDay(Number(r.status.start_at))}, ${r.status.plan?.diver ?? ''}, ${logWords(r)}`), tape.node);
    }));
  };

  app.fetchHolds(pair).catch(() => {
    // Without a host those that are known have to do.
  });

  return {
    node,
    update(frame) {
      const facts = frame.rows.find((r) => r.pair === pair);
      setShown(acts, facts?.running === true && frame.me.role === 'instructor');
      setShown(end.node, facts?.status?.phase === 'hold' && facts.status.bring_up === null);
      setShown(trouble.node, facts?.running === true && facts.status?.incident === null);
      end.setMeaning(`${facts?.status?.hold}`);
      trouble.setMeaning(`${facts?.status?.hold}`);
      block.update(frame);
      showDevices(frame);
      showOthers(frame);
      showHolds(frame);
    },
    unmount() {
      end.detach();
      trouble.detach();
      setText(said.node, '');
    },
  };
}
