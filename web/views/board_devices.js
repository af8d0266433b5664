// Every device of the outing: who it is, whether it is here, and taking it out.

import { el, setText } from '../app/dom.js';
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
  const unread = sayer();
  const note = el('p', { class: 'sub' }, 'A laptop with a speaker can be a siren, for one pair or for all: open the link there and choose siren.');
  let asked = -Infinity;
  /** @type {Map<string, ReturnType<typeof itemOf>>} by device; each stays as it is while others come and go, as its key may be pressed */
  const items = new Map();

  /** @param {string} device */
  function itemOf(device) {
    const who = el('span');
    const place = el('span', { class: 'sub' });
    const remove = pressKey('key b-remove', {
      app: /** @type {any} */ (app), kind: 'alarm',
      onFire: () => {
        const name = items.get(device)?.name;
        said.run(async () => {
          await app.ask('/api/remove', { device });
          asked = -Infinity;
        }, `${name || 'The device'} is out: it can send nothing more.`);
      },
    });
    remove.face('remove', '', 'press 1 s');
    const node = el('li', { class: 'b-device', dataset: { device } }, who, place, device === app.frame().me.device ? null : remove.node);
    return { node, who, place, remove, name: '' };
  }

  /** @param {string} device */
  function drop(device) {
    const item = items.get(device);
    if (!item) return;
    const next = item.node.nextElementSibling ?? item.node.previousElementSibling;
    if (item.node.contains(document.activeElement)) next?.querySelector('button')?.focus({ preventScroll: true });
    item.remove.detach();
    item.node.remove();
    items.delete(device);
  }

  /** @param {any[]} devices */
  function draw(devices) {
    const me = app.frame().me.device;
    for (const device of [...items.keys()].filter((id) => !devices.some((d) => d.device === id))) drop(device);
    devices.forEach((d, i) => {
      const item = items.get(d.device) ?? itemOf(d.device);
      items.set(d.device, item);
      item.name = d.name;
      setText(item.who, `${d.name || 'no name'}, ${roleWords(d.role)}, ${d.number ? `pair ${d.number}` : 'all pairs'}`);
      setText(item.place, d.device === me ? 'this one' : d.here ? 'here' : 'not here');
      if (list.children[i] !== item.node) list.insertBefore(item.node, list.children[i] ?? null);
    });
  }

  return {
    node: el('div', { class: 'sheet' }, row('devices', { class: 'tall' }, list, unread.node, note, said.node)),
    update(frame) {
      if (frame.now - asked < AGAIN_MS || frame.lost_ms > 0) return;
      asked = frame.now;
      app.ask('/api/devices', {}).then((got) => {
        unread.say('');
        draw(got.devices ?? []);
      }, (err) => unread.say(`The list is not new: ${err?.reason ?? err}`, true));
    },
    unmount() {
      for (const { remove } of items.values()) remove.detach();
    },
  };
}
