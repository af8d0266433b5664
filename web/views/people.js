/**
 * The people of this phone: one profile each, filled in once and used by every
 * plan. The same person may dive or watch.
 */

import { el, replace, setShown, setText } from '../app/dom.js';
import { newDeviceId, holdId } from '../app/device.js';
import { PROFILE_DAYS, profileDraft, readProfileDraft } from '../app/profile_form.js';
import { HEARS } from '../app/plan_form.js';
import { dayWords } from '../app/clock_text.js';
import { nameKey } from '../rules/people.js';
import { choice, field, row, word } from './sheet.js';

/** @typedef {import('../app/profile_form.js').ProfileDraft} ProfileDraft */

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{name?: string}} [params] whose profile opens at once; a name nobody has begins a new one
 */
export function mount(root, app, params = {}) {
  /** @type {any} */
  let frame = app.frame();
  /** @type {ProfileDraft | null} */
  let draft = null;
  let saved = '';
  /** @type {string | null} */
  let trouble = null;
  let shown = '';

  const list = el('div', { class: 'sheet' });
  /** @param {keyof ProfileDraft} name @param {string} label @param {Partial<Parameters<typeof field>[0]>} [more] */
  const typed = (name, label, more = {}) => field({
    name: `profile_${name}`, label, value: '',
    onInput: (text) => edit({ [name]: text }),
    onDone: () => draw(),
    ...more,
  });
  const name = typed('name', 'name', { class: 'who', hint: 'or nickname' });
  const signal = typed('signal', 'signal', { hint: 'tap and answer', grows: true });
  const number = typed('number', 'emergency', { hint: 'local number', mode: 'tel' });
  const hears = choice('what they want to hear', /** @type {any} */ (HEARS), (v) => {
    const now = draft?.hears ?? [];
    edit({ hears: now.includes(String(v)) ? now.filter((w) => w !== v) : [...now, String(v)] });
    draw();
  });
  const days = PROFILE_DAYS.map(([key, label]) => typed(key, label, { type: 'date', class: 'day-row' }));
  const remarks = typed('remarks', 'for a buddy', { hint: 'what a buddy should know', grows: true });
  const form = el('div', { class: 'sheet profile', hidden: true },
    name.node, signal.node, number.node, row('wants to hear', null, hears.node, el('span', { class: 'sub' }, 'the checks always sound')),
    days.map((d) => d.node), remarks.node);
  const said = el('p', { class: 'said', role: 'status', hidden: true });
  const erase = el('button', { type: 'button', class: 'key', onclick: () => app.go('files', { diver: draft?.name ?? '', erase: true }) }, 'erase');
  const keep = el('button', { type: 'button', class: 'key fill', onclick: press });
  const page = el('main', { class: 'page scroll people', 'aria-label': 'people' },
    list, form, el('div', { class: 'go-bar two' }, said, erase, keep));
  root.append(page);

  /** @type {[keyof ProfileDraft, import('./sheet.js').Field][]} */
  const fields = [['name', name], ['signal', signal], ['number', number], ['remarks', remarks],
    ...PROFILE_DAYS.map(([key], i) => /** @type {[keyof ProfileDraft, import('./sheet.js').Field]} */ ([key, days[i]]))];

  /** @param {Partial<ProfileDraft>} change */
  function edit(change) {
    if (draft) draft = { ...draft, ...change };
    trouble = null;
  }

  /** @param {string} who */
  function open(who) {
    const profile = app.log.profiles().find((/** @type {any} */ p) => nameKey(p.name) === nameKey(who)) ?? null;
    draft = profileDraft(profile, newDeviceId((bytes) => crypto.getRandomValues(bytes)), who);
    saved = profile ? JSON.stringify(draft) : '';
    for (const [key, f] of fields) {
      f.input.value = String(draft[key]);
      f.problem(null);
    }
    draw();
    scrollTo(0, 0);
  }

  async function press() {
    if (!draft || JSON.stringify(draft) === saved) {
      if (draft) draft = null;
      else app.go('plan');
      draw();
      return;
    }
    const { data, errors } = readProfileDraft(draft, frame.now, app.log.profiles());
    for (const [key, f] of fields) f.problem(errors[key]);
    if (data === null) {
      fields.find(([key]) => errors[key])?.[1].input.focus();
      return;
    }
    try {
      await app.record('profile', data, { hold: holdId(frame.me.device, 0) });
      draft = null;
    } catch (err) {
      trouble = /** @type {any} */ (err)?.reason ?? 'not kept: this page could not store it';
    }
    draw();
  }

  function draw() {
    setShown(form, draft !== null);
    setShown(list, draft === null);
    setShown(erase, draft !== null);
    setText(keep, draft === null ? 'plan' : JSON.stringify(draft) === saved ? 'back' : 'keep');
    setText(said, trouble ?? '');
    setShown(said, trouble !== null);
    if (draft) {
      hears.set(draft.hears);
      for (const [key, f] of fields) f.set(String(draft[key]));
      return;
    }
    const profiles = app.log.profiles();
    /** @type {import('../app/people.js').Known[]} */
    const people = app.log.people();
    const key = JSON.stringify([people.map((p) => [p.name, p.last_at]), profiles.map((/** @type {any} */ p) => p.at)]);
    if (key === shown) return;
    shown = key;
    replace(list, row('people', null, el('h1', { class: 'display' }, people.length === 0 ? 'nobody yet' : String(people.length)), word('new', () => open(''), 'a new profile')),
      people.map((p) => {
        const profile = profiles.find((/** @type {any} */ f) => f.diver_id === p.id);
        const words = [profile ? null : 'no profile', `last ${dayWords(p.last_at, frame.now)}`].filter(Boolean).join(', ');
        return row('', null, word(p.name, () => open(p.name), `${p.name}: open the profile`), el('span', { class: 'sub' }, words));
      }));
  }

  if (params.name !== undefined) open(params.name);
  draw();
  return {
    /** @param {any} next */
    update(next) {
      frame = next;
      draw();
    },
    unmount: () => page.remove(),
  };
}
