/**
 * The place card: what somebody has to tell a dispatcher, and who can help.
 * Once a session; the incident page shows it large.
 */

import { el, setShown, setText } from '../app/dom.js';
import { TEXT_CHARS } from '../app/plan_form.js';
import { field, row } from './sheet.js';
import { nextStep } from './next_step.js';

/** @type {readonly {name: 'number' | 'address' | 'oxygen' | 'reach', label: string, hint: string, missing: string | null, mode?: string}[]} */
const FIELDS = [
  { name: 'number', label: 'emergency number', hint: 'as dialled here', missing: 'the number to call', mode: 'tel' },
  { name: 'address', label: 'address', hint: 'street, gate, which pool', missing: 'where help has to come to' },
  { name: 'oxygen', label: 'oxygen', hint: 'where it is, or none', missing: null },
  { name: 'reach', label: 'in reach', hint: 'lifeguard, instructor, neighbour', missing: null },
];

/**
 * @param {HTMLElement} root
 * @param {any} app
 * @param {{back?: string}} [params]
 */
export function mount(root, app, params = {}) {
  const known = app.frame().place ?? {};
  /** @type {Record<string, string>} */
  const typed = Object.fromEntries(FIELDS.map((f) => [f.name, typeof known[f.name] === 'string' ? known[f.name] : '']));
  const said = el('p', { class: 'said', role: 'status', hidden: true });
  const fields = FIELDS.map((f) => {
    const entry = field({
      label: f.label, name: f.name, hint: f.hint, mode: f.mode, value: typed[f.name], class: f.name,
      onInput: (text) => {
        typed[f.name] = text;
        entry.problem(null);
      },
    });
    return entry;
  });
  const go = el('button', { type: 'button', class: 'go fill', onclick: keep }, el('span', { class: 'display' }, 'keep the card'));
  const page = el('main', { class: 'page scroll place' },
    el('div', { class: 'sheet' },
      row('place card', null, el('h1', { class: 'display' }, 'If help is', el('br'), 'needed')),
      fields.map((f) => f.node),
      row('', { plain: true }, el('p', { class: 'sub' }, 'Shown large in an incident. Once a session.'))),
    el('div', { class: 'go-bar' }, said, go));
  root.append(page);

  async function keep() {
    let first = -1;
    FIELDS.forEach((f, i) => {
      const text = typed[f.name].trim();
      const chars = [...text].length;
      const wrong = text === '' ? f.missing : chars > TEXT_CHARS ? `${chars} characters: ${TEXT_CHARS} at most` : null;
      fields[i].problem(wrong);
      if (wrong && first < 0) first = i;
    });
    if (first >= 0) {
      fields[first].input.focus();
      return;
    }
    const data = Object.fromEntries(FIELDS.map((f) => [f.name, typed[f.name].trim()]));
    try {
      await app.record('place', data);
    } catch (err) {
      setText(said, /** @type {any} */ (err)?.reason ?? 'not kept: try again');
      setShown(said, true);
      return;
    }
    if (params.back) app.go(params.back);
    else nextStep(app);
  }

  return {
    update() {},
    unmount: () => page.remove(),
  };
}
