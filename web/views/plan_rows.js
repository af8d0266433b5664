/**
 * The rows of the plan sheet that everybody reads before every hold.
 */

import { el, replace, setAttr, setShown, setStyle, setText } from '../app/dom.js';
import { longestOrigin, onsetOrigin } from '../app/expected.js';
import { CADENCES, STEP_S, stepped } from '../app/plan_form.js';
import { marginS } from '../app/guards.js';
import { clockTextS, dayWords, parseDay } from '../app/clock_text.js';
import { choice, field, fitPx, row, word } from './sheet.js';

/** @typedef {import('../app/plan_form.js').Draft} Draft */

/** A key kept down goes on stepping after this long, then this often (ms). */
const HOLD_FIRST_MS = 500;
const HOLD_EVERY_MS = 120;

/**
 * @param {object} on
 * @param {(change: Partial<Draft>) => void} on.edit
 * @param {(name: string) => void} on.left a field was left
 * @param {() => void} on.swap
 * @param {(people: {diver?: string, buddy?: string}) => void} on.choose known people were tapped
 * @param {() => void} on.endSeries
 * @param {HTMLElement} on.phones whose phone is whose, where that is to change
 */
export function planRows({ edit, left, swap, choose, endSeries, phones }) {
  /** @param {keyof Draft} name */
  const typing = (name) => ({
    name,
    value: '',
    onInput: (/** @type {string} */ text) => edit({ [name]: text }),
    onDone: () => left(name),
  });
  const diver = field({
    ...typing('diver'), label: 'diver', class: 'who', hint: 'name',
    beside: [word('swap', swap, 'swap diver and buddy')],
  });
  const diverSub = el('p', { class: 'sub told' });
  diver.value.append(diverSub);
  const others = word('others', () => {
    choosing = choosing === null ? 'diver' : null;
    edit({});
  }, 'other people');
  const buddy = field({ ...typing('buddy'), label: 'buddy', class: 'strong', hint: 'name', beside: [others] });
  /** Whom the next tap on a name is for. @type {'diver' | 'buddy' | null} */
  let choosing = null;
  let shownPeople = '';
  const pairsPick = el('div', { class: 'pick column' });
  const pairsRow = row('before', { class: 'tall' }, pairsPick);
  const peoplePick = el('div', { class: 'pick' });
  const peopleRow = row('who dives?', { class: 'tall' }, peoplePick);
  const peopleLabel = /** @type {Element} */ (peopleRow.firstElementChild);
  /** @param {string} name */
  const tapped = (name) => {
    const whom = choosing ?? 'diver';
    choosing = whom === 'diver' ? 'buddy' : null;
    choose({ [whom]: name });
  };
  /**
   * Known people, to be chosen with two taps; who dived together before, with one.
   * @param {Draft} draft
   * @param {{people: string[], pairs: {diver: string, buddy: string}[]}} known
   */
  const drawPeople = (draft, { people, pairs }) => {
    const [noDiver, noBuddy] = [draft.diver.trim() === '', draft.buddy.trim() === ''];
    const whom = choosing ?? (noDiver ? 'diver' : noBuddy ? 'buddy' : null);
    const names = people.filter((name) => whom !== 'buddy' || name !== draft.diver);
    setShown(others, people.length > 0 && !noDiver && !noBuddy);
    setText(others, choosing === null ? 'others' : 'done');
    setShown(peopleRow, whom !== null && names.length > 0);
    setShown(pairsRow, whom === 'diver' && pairs.length > 0);
    setText(peopleLabel, whom === 'buddy' ? 'who watches?' : 'who dives?');
    const key = JSON.stringify([whom, names, pairs]);
    if (key === shownPeople) return;
    shownPeople = key;
    replace(peoplePick, names.map((name) => word(name, () => {
      choosing = whom;
      tapped(name);
    }, `${name} ${whom === 'buddy' ? 'watches' : 'dives'}`)));
    replace(pairsPick, pairs.map((pair) => word(`${pair.diver}, ${pair.buddy} watches`, () => {
      choosing = null;
      choose(pair);
    })));
  };
  const seriesLine = el('span');
  const seriesRow = row('series', { class: 'tall' }, seriesLine, word('end it', endSeries, 'end the series'));
  const setting = choice('setting', /** @type {const} */ ([['pool', 'pool'], ['dry', 'dry']]), (v) => edit({ setting: v }));

  let plannedText = '';
  const step = (/** @type {-1 | 1} */ by) => edit({ planned: stepped(plannedText, by) });
  const steps = el('span', { class: 'steps' },
    stepKey('−', `${STEP_S} seconds less`, () => step(-1)), stepKey('+', `${STEP_S} seconds more`, () => step(1)));
  const planned = field({
    ...typing('planned'), label: 'planned', class: 'planned', mode: 'decimal',
    beside: [steps],
  });
  const endSub = el('span', { class: 'sub' });
  const end = field({ ...typing('end_by'), label: 'agreed end', class: 'time', mode: 'decimal', beside: [endSub] });
  const onsetSub = el('span', { class: 'sub' });
  const onsetSpread = el('p', { class: 'sub told' });
  const onset = field({
    ...typing('onset'), label: 'first contraction', class: 'time', mode: 'decimal', hint: 'usual', beside: [onsetSub, onsetSpread],
  });

  const longestSub = el('span', { class: 'sub' });
  const dayInput = el('input', {
    type: 'date', class: 'entry day', name: 'longest_on', 'aria-label': 'day of the longest clean hold',
    oninput: () => edit({ longest_on: dayInput.value }),
    onchange: () => left('longest_on'),
    onblur: () => {
      picking = false;
      left('longest_on');
    },
  });
  let picking = false;
  const dayWord = word('', () => {
    picking = true;
    edit({});
    dayInput.focus();
  });
  dayWord.classList.add('day-word');
  const longest = field({
    ...typing('longest'), label: 'longest clean', class: 'time', mode: 'decimal', hint: 'none yet',
    beside: [dayWord, dayInput, longestSub],
  });

  const signal = field({ ...typing('signal'), label: 'signal', hint: 'tap and answer', grows: true });
  const checks = choice('checks', /** @type {any} */ (CADENCES), (v) => edit({ cadence: /** @type {any} */ (v) }));
  const judged = el('p', { class: 'sub warn' }, 'looser: up to 45 s from an answer to the alarm');
  const node = el('div', { class: 'sheet' },
    diver.node, buddy.node, phones, pairsRow, peopleRow, seriesRow, row('setting', null, setting.node), planned.node, end.node, onset.node, longest.node,
    signal.node, row('checks', { plain: true, class: 'checks' }, checks.node, judged));

  /** @type {[keyof Draft, import('./sheet.js').Field][]} */
  const fields = [
    ['diver', diver], ['buddy', buddy], ['planned', planned], ['end_by', end], ['onset', onset], ['longest', longest],
    ['signal', signal],
  ];

  return {
    node,
    /** @param {any} facts */
    update({ draft, sheet, errors, log, now, met, told, series }) {
      setText(seriesLine, series);
      setShown(seriesRow, series !== '');
      drawPeople(draft, met);
      setText(diverSub, told.join('; '));
      setShown(diverSub, told.length > 0);
      plannedText = draft.planned;
      for (const [name, f] of fields) {
        f.set(String(draft[name]));
        f.problem(errors[name]);
      }
      setting.set(draft.setting);
      checks.set(draft.cadence);
      setShown(judged, draft.cadence === 'announced');

      const margin = sheet.planned_s === null ? null : marginS(sheet.planned_s);
      setAttr(end.input, 'placeholder', margin === null ? '' : clockTextS(sheet.planned_s + margin));
      const over = sheet.end_by_s !== null && sheet.planned_s !== null ? sheet.end_by_s - sheet.planned_s : null;
      setText(endSub, over === null ? '' : over === 0 ? 'at the planned time' : `${clockTextS(over)} later`);

      const [origin, spread = ''] = draft.diver.trim() === '' ? [''] : onsetOrigin(log.onset, draft.onset);
      setText(onsetSub, origin);
      setText(onsetSpread, spread);
      setShown(onsetSpread, spread !== '');
      setText(longestSub, draft.diver.trim() === '' ? '' : longestOrigin(log.longest, draft.longest, draft.setting));

      const day = parseDay(draft.longest_on);
      const known = draft.longest.trim() !== '';
      const pickDay = known && (picking || day === null || Boolean(errors.longest_on));
      setShown(dayInput, pickDay);
      setShown(dayWord, known && !pickDay);
      setText(dayWord, day === null ? '' : dayWords(day, now));
      setAttr(dayWord, 'aria-label', day === null ? null : `day of the longest clean hold: ${dayWords(day, now)}, change`);
      if (document.activeElement !== dayInput && dayInput.value !== draft.longest_on) dayInput.value = draft.longest_on;
      longest.problem(errors.longest ?? errors.longest_on);

      const box = planned.value.clientWidth;
      if (box > 0) {
        const long = [...draft.planned].length > 4 ? '00:00' : '0:00';
        setStyle(planned.input, 'font-size', `${fitPx(long, box - 24 - steps.clientWidth - 8, 64)}px`);
      }
    },
    /**
     * Puts the caret into the first field that has a sentence beside it.
     * @param {Record<string, string>} errors
     */
    focusFirst(errors) {
      const found = fields.find(([name]) => errors[name]);
      if (!found && errors.longest_on) {
        dayInput.focus();
        return true;
      }
      found?.[1].input.focus();
      return Boolean(found);
    },
  };
}

/**
 * A − or + key: one step a press, and on and on while it is kept down.
 * @param {string} sign
 * @param {string} label
 * @param {() => void} step
 */
function stepKey(sign, label, step) {
  let timer = 0;
  let repeated = false;
  const stop = () => clearTimeout(timer);
  const again = () => {
    repeated = true;
    step();
    timer = window.setTimeout(again, HOLD_EVERY_MS);
  };
  return el('button', {
    type: 'button',
    class: 'key step',
    'aria-label': label,
    onpointerdown: () => {
      repeated = false;
      stop();
      timer = window.setTimeout(again, HOLD_FIRST_MS);
    },
    onpointerup: stop,
    onpointercancel: stop,
    onpointerleave: stop,
    onclick: () => {
      stop();
      if (!repeated) step();
    },
  }, sign);
}
