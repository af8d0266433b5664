// Starting several pairs with one count: each pair's phones count down to their own zero, 20 to 30 s apart.

import { APART, canGo, finalsTogether, groupOf, isCounting, LEAD_MS } from '../app/board_group.js';
import { maybeInHold, MOST_PAIRS } from '../app/board_facts.js';
import { clockText } from '../app/clock_text.js';
import { el, refill, setAttr, setClass, setShown, setText } from '../app/dom.js';
import { sayer } from './board_sheet.js';
import { choice, row } from './sheet.js';

/** @typedef {import('../app/board_app.js').BoardApp} BoardApp */
/** @typedef {import('../app/board_app.js').BoardFrame} BoardFrame */

/** @type {[number, string][]} */
const LEADS = [[60_000, '1:00'], [120_000, '2:00'], [LEAD_MS, '3:00'], [300_000, '5:00']];
/** @type {[number, string][]} */
const APARTS = [20, 25, 30].map((s) => [s, `${s} s`]);

/**
 * @param {BoardApp} app
 * @returns {import('./board.js').Sheet}
 */
export function groupPart(app) {
  const said = sayer();
  /** @type {Map<string, boolean>} pairs chosen or left out by hand; of the others those that are not counting are chosen */
  const picked = new Map();
  /** @param {BoardFrame['rows'][number]} r */
  const isIn = (r) => picked.get(r.pair) ?? !isCounting(r);
  /** @type {number} */
  let apart = APART.usual;
  let lead = LEAD_MS;
  const who = el('div', { class: 'pick' });
  const apartPick = choice('seconds apart', APARTS, (v) => {
    apart = v;
    draw(app.frame());
  });
  const leadPick = choice('until the first start', LEADS, (v) => {
    lead = v;
    draw(app.frame());
  });
  const warn = el('p', { class: 'problem', hidden: true });
  const start = el('button', { type: 'button', class: 'key fill b-group-start', onclick: go }, '');
  const cancel = el('button', { type: 'button', class: 'key b-group-cancel', onclick: stop }, 'call the count off');
  const counting = el('p', { class: 'b-counting', role: 'status' });
  let shown = '';

  /** @param {BoardFrame} frame */
  const members = (frame) => groupOf(frame.rows, { now: frame.now, lead_ms: lead, apart_s: apart, chosen: new Set(frame.rows.filter(isIn).map((r) => r.pair)) });

  async function go() {
    const group = members(app.frame());
    const id = `${app.frame().me.device}-${group[0]?.zero_at ?? 0}`;
    await said.run(async () => {
      for (const m of group) await app.record(m.pair, 'breathe-up', { zero_at: m.zero_at, group: id }, { hold: m.hold });
      picked.clear();
    });
  }

  async function stop() {
    const { rows } = app.frame();
    await said.run(async () => {
      for (const r of rows.filter(isCounting)) await app.record(r.pair, 'breathe-up', {}, { hold: r.hold?.id });
    }, 'The count is called off: their phones say so.');
  }

  /** @param {BoardFrame} frame */
  function draw(frame) {
    apartPick.set(apart);
    leadPick.set(lead);
    const able = frame.rows.filter(canGo);
    const key = JSON.stringify([able.map((r) => [r.pair, r.number, r.diver, isIn(r)])]);
    if (key !== shown) {
      shown = key;
      refill(who, able.length === 0 ? 'no pair has a plan and is ready' : able.map((r) =>
        el('button', {
          type: 'button', class: 'word', 'aria-pressed': String(isIn(r)),
          onclick: () => {
            picked.set(r.pair, !isIn(r));
            draw(app.frame());
          },
        }, `${r.number} ${r.diver}`)));
    }
    const group = members(frame);
    const now = frame.rows.filter(isCounting);
    const again = now.some((r) => group.some((m) => m.pair === r.pair));
    const many = group.length === 1 ? '1 pair' : `${group.length} pairs`;
    setText(start, group.length === 0 ? 'choose pairs' : again ? `count anew for ${many}` : `count for ${many}`);
    setClass(start, 'fill', !again);
    setAttr(start, 'disabled', group.length === 0);
    const inHold = new Set([...frame.rows.filter(maybeInHold), ...now, ...group].map((r) => r.pair)).size;
    const together = finalsTogether(frame.rows, group);
    const warnings = group.length === 0 ? [] : [
      inHold > MOST_PAIRS ? `${inHold} pairs would be in holds at once: more than ${MOST_PAIRS} is more than one person can watch.` : '',
      together ? `Pairs ${together[0]} and ${together[1]} would come into their final stage together: leave one of them out, and count it in later.` : '',
    ].filter(Boolean);
    setText(warn, warnings.join(' '));
    setShown(warn, warnings.length > 0);
    setShown(cancel, now.length > 0);
    setText(counting, now.map((r) => `${r.number} in ${clockText(Number(r.status?.zero_at) - frame.now)}`).join('   '));
  }

  return {
    node: el('div', { class: 'sheet' },
      row('start together', { class: 'tall' }, who),
      row('apart', null, apartPick.node), row('first start in', null, leadPick.node),
      row('', { class: 'tall' }, start, cancel, counting, warn, said.node)),
    update: draw,
  };
}
