// One series for all pairs.

import { PlainError } from '../app/access.js';
import { SERIES_DRAFT, seriesData, stepsOf } from '../app/board_series.js';
import { clockTextS } from '../app/clock_text.js';
import { el, setText } from '../app/dom.js';
import { sayer } from './board_sheet.js';
import { field, row, word } from './sheet.js';

/**
 * @param {import('../app/board_app.js').BoardApp} app
 * @returns {import('./board.js').Sheet}
 */
export function seriesPart(app) {
  const said = sayer();
  const draft = { ...SERIES_DRAFT };
  const shown = el('p', { class: 'sub' });
  const labels = /** @type {const} */ ([['first', 'first hold'], ['step', 'each longer by'], ['count', 'holds'], ['rest', 'rest']]);
  const fields = labels.map(([name, label]) =>
    field({
      label, name: `series-${name}`, value: draft[name], onInput: (text) => {
        draft[name] = text;
        show();
      },
    }));

  const show = () => {
    const made = stepsOf(draft);
    setText(shown, 'problem' in made ? made.problem : made.steps.map((s) => clockTextS(s.planned_s)).join('  '));
  };

  const give = () => said.run(async () => {
    const made = stepsOf(draft);
    if ('problem' in made) throw new PlainError('bad-series', made.problem);
    const { rows, me, now } = app.frame();
    const able = rows.flatMap((r) => {
      const plan = app.planOf(r.pair);
      return plan ? [{ row: r, plan }] : [];
    });
    for (const { row: r, plan } of able) await app.record(r.pair, 'series', seriesData(plan, made.steps, `${me.device}-${r.number}-${now}`));
    if (able.length === 0) throw new PlainError('no-plan', 'No pair has a plan yet: a series is filed under its diver.');
    return `${able.length} of ${rows.length} pairs have it: their plan sheets propose it.`;
  });

  show();
  return {
    node: el('div', { class: 'sheet' }, fields.map((f) => f.node), row('one series', { class: 'tall' }, shown, word('give it to all pairs', give), said.node)),
    update() {},
  };
}
