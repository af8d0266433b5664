/**
 * The rest of the plan sheet: what happens after surfacing, what the diver
 * wants to hear, and this outing's phones, place and log.
 */

import { el, replace, setShown, setText } from '../app/dom.js';
import { HEARS } from '../app/plan_form.js';
import { timeOfDay } from '../app/clock_text.js';
import { choice, field, row, word } from './sheet.js';

/** @typedef {import('../app/plan_form.js').Draft} Draft */

/** Whether the page opens without the host. */
const PAGE_WORDS = {
  none: 'not kept here: needs the host to open',
  keeping: 'being kept on this phone',
  kept: 'kept here: opens without the host',
  failed: 'not kept here: needs the host to open',
};

/**
 * @param {object} on
 * @param {any} on.app
 * @param {(change: Partial<Draft>) => void} on.edit
 * @param {(name: string) => void} on.left
 */
export function moreRows({ app, edit, left }) {
  /** @type {Draft | null} */
  let draft = null;
  const ok = choice('OK sign within', /** @type {const} */ ([[15, '0:15'], [20, '0:20']]), (v) => edit({ ok_within_s: v }));
  /** @param {'recovery' | 'watch'} name */
  const typing = (name) => ({
    name, value: '', class: 'time', mode: 'decimal',
    onInput: (/** @type {string} */ text) => edit({ [name]: text }),
    onDone: () => left(name),
  });
  const recovery = field({ ...typing('recovery'), label: 'recovery', beside: [sub('paced breaths')] });
  const watch = field({ ...typing('watch'), label: 'watch', beside: [sub('after surfacing')] });
  const hears = choice('the diver hears', /** @type {any} */ (HEARS), (v) => {
    const now = draft?.hears ?? [];
    edit({ hears: now.includes(String(v)) ? now.filter((w) => w !== v) : [...now, String(v)] });
  });

  const phones = el('span', { class: 'sub' });
  const sound = el('span', { class: 'sub' });
  const clock = el('span', { class: 'sub' });
  const place = el('span', { class: 'sub' });
  const log = el('span', { class: 'sub' });
  const reads = choice('readings in a hold', /** @type {const} */ ([['no', 'no'], ['yes', 'typed on this phone']]), (v) => app.prefs.set('reads', v === 'yes'));
  const readsRow = row('readings', { class: 'tall' }, reads.node, el('span', { class: 'sub' }, 'while another buddy’s phone asks and watches'));
  const usual = el('ul', { class: 'sub usual' });
  const usualRow = row('usual', { class: 'tall' }, usual);
  const soundWord = word('sound check', () => app.go('soundcheck', { back: 'plan' }));
  const placeWord = word('place card', () => app.go('place', { back: 'plan' }));
  const addPhone = word('add a phone', () => app.go('join', { invite: true }));
  const joinHost = word('join a host', () => app.go('join'));
  const page = el('span', { class: 'sub' });
  const night = choice('screen', /** @type {const} */ ([['day', 'day'], ['night', 'night'], ['auto', 'as the phone']]), (v) => app.prefs.set('night', v === 'auto' ? v : v === 'night'));
  const quiet = choice('early checks', /** @type {const} */ ([['quiet', 'light first'], ['tone', 'tone at once']]), (v) => app.prefs.set('quiet', v === 'quiet'));
  const hand = choice('hand', /** @type {const} */ ([['right', 'right'], ['left', 'left']]), (v) => app.prefs.set('hand', v));
  const node = el('div', { class: 'sheet more' },
    row('OK sign within', null, ok.node), recovery.node, watch.node,
    row('diver hears', null, hears.node, sub('the checks always sound')),
    row('early checks', null, quiet.node),
    row('phones', null, phones, addPhone, joinHost),
    row('sound', null, sound, soundWord),
    row('clock', null, clock), row('page', null, page),
    row('place', null, place, placeWord),
    usualRow,
    row('log', null, log, word('open the log', () => app.go('log'), 'open the log'), word('trends', () => app.go('trends', { diver: draft?.diver ?? '' }))),
    row('series', null, word('several holds on one tape', () => app.go('series'), 'a series: several holds on one tape')),
    readsRow,
    row('people', null, word('profiles', () => app.go('people'), 'profiles of the people')),
    row('screen', null, night.node), row('hand', { plain: true }, hand.node));

  /** @type {['recovery' | 'watch', import('./sheet.js').Field][]} */
  const fields = [['recovery', recovery], ['watch', watch]];
  return {
    node,
    /** @param {any} facts */
    update({ draft: next, errors, frame, holds, usual: lines }) {
      draft = next;
      ok.set(next.ok_within_s);
      hears.set(next.hears);
      for (const [name, f] of fields) {
        f.set(next[name]);
        f.problem(errors[name]);
      }
      setText(phones, phonesWords(frame));
      setShown(addPhone, frame.pair !== null);
      setShown(joinHost, frame.pair === null);
      setText(page, PAGE_WORDS[/** @type {keyof typeof PAGE_WORDS} */ (frame.page?.state ?? 'none')]);
      setText(sound, soundWords(frame));
      setText(clock, (frame.clock?.words ?? '').replace(/^clock /, ''));
      setText(place, frame.place?.number ? `emergency ${frame.place.number}` : 'not set');
      setText(log, holds === 1 ? '1 hold' : `${holds} holds`);
      const second = (frame.present ?? []).some((/** @type {any} */ d) => d.role === 'buddy' && d.device !== frame.me?.device);
      setShown(readsRow, second || app.prefs.get('reads') === true);
      reads.set(app.prefs.get('reads') === true ? 'yes' : 'no');
      setShown(usualRow, lines.length > 0);
      if (usual.textContent !== lines.join('')) replace(usual, lines.map((/** @type {string} */ line) => el('li', null, line)));
      night.set(app.prefs.get('night_mode') ?? 'auto');
      quiet.set(app.prefs.get('quiet') === false ? 'tone' : 'quiet');
      hand.set(app.prefs.get('hand') === 'left' ? 'left' : 'right');
    },
    /** @param {Record<string, string>} errors */
    focusFirst(errors) {
      const found = fields.find(([name]) => errors[name]);
      found?.[1].input.focus();
      return Boolean(found);
    },
  };
}

/** @param {string} text */
const sub = (text) => el('span', { class: 'sub' }, text);

/** @param {any} frame */
function phonesWords(frame) {
  const others = (frame.present ?? []).filter((/** @type {any} */ d) => d.device !== frame.me?.device);
  if (others.length === 0) return 'this one alone';
  return `this one, ${others.map((/** @type {any} */ d) => (d.name ? `${d.name}’s` : d.role)).join(', ')}`;
}

/** @param {any} frame */
function soundWords({ sound, now }) {
  const proven = sound?.state === 'proven' ? `proven ${timeOfDay(sound.proven_at ?? now)}` : 'not proven';
  return sound?.latency_ms > 0 ? `${proven}, ${sound.latency_ms} ms to the speaker` : proven;
}
