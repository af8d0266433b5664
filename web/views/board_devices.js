// Every device of the outing: who it is, whether it is here, and taking it out.

import { el, replace, setText } from '../app/dom.js';
import { roleWords, sayer } from './board_sheet.js';
import { pressKey } from './parts.js';
import { row } from './sheet.js';

/** How often the list is asked for while it is looked at (ms). */
const AGAIN_MS = 5000;

/**
 * @param {import('../app/board_app.js').BoardApp} app
 * @returns {import('./board.js').Sheet}
 */
export function devicesPart(app) {
  const said = sayer();
  const list = el('ul', { class: 'b-devices' });
  const note = el('p', { class: 'sub' }, 'A laptop with a speaker can be a siren, for one pair or for all: open the link there and choose siren.');
  let asked = -Infinity;
  let shown = '';
  /** @type {{detach: () => void}[]} */
  let keys = [];
  /** @type {Map<string, HTMLElement>} where it says whether a device is here, which changes while a key is pressed */
  let places = new Map();
  const drop = () => {
    for (const k of keys) k.detach();
    keys = [];
  };

  /** @param {any[]} devices */
  const draw = (devices) => {
    const me = app.frame().me.device;
    const here = (/** @type {any} */ d) => (d.device === me ? 'this one' : d.here ? 'here' : 'not here');
    for (const d of devices) {
      const at = places.get(d.device);
      if (at) setText(at, here(d));
    }
    const key = JSON.stringify(devices.map((d) => [d.device, d.role, d.name, d.number]));
    if (key === shown) return;
    shown = key;
    drop();
    places = new Map(devices.map((d) => [d.device, el('span', { class: 'sub' }, here(d))]));
    replace(list, devices.map((d) => {
      const remove = pressKey('key b-remove', {
        app: /** @type {any} */ (app), kind: 'alarm',
        onFire: () => said.run(async () => {
          await app.ask('/api/remove', { device: d.device });
          asked = -Infinity;
        }, `${d.name || 'The device'} is out: it can send nothing more.`),
      });
      remove.face('remove', '', 'press 1 s');
      keys.push(remove);
      const where = d.number ? `pair ${d.number}` : 'all pairs';
      return el('li', { class: 'b-device', dataset: { device: d.device } },
        el('span', null, `${d.name || 'no name'}, ${roleWords(d.role)}, ${where}`), places.get(d.device),
        d.device === me ? null : remove.node);
    }));
  };

  return {
    node: el('div', { class: 'sheet' }, row('devices', { class: 'tall' }, list, note, said.node)),
    update(frame) {
      if (frame.now - asked < AGAIN_MS || frame.lost_ms > 0) return;
      asked = frame.now;
      app.ask('/api/devices', {}).then((got) => draw(got.devices ?? []), (err) => {
        if (shown === '') setText(list, String(err?.reason ?? err));
      });
    },
    unmount: drop,
  };
}
