/**
 * The debrief in words: what each ruled row says. Pure.
 */

import { clockText, tenthsText } from './clock_text.js';

/** @typedef {import('./log_facts.js').HoldRecord} HoldRecord */

/** What the pair may tick about a hold. */
export const CONDITIONS = Object.freeze([
  'stressed', 'cold', 'tired', 'worried', 'slept badly', 'hungry', 'full', 'no warm-up', 'unwell', 'noisy', 'new place',
]);

/** What the diver may say they felt. */
export const FELT = Object.freeze(['numbness', 'warmth', 'throat spasms', 'sight changed']);

/** The three words a debrief opens with. */
export const VERDICTS = Object.freeze([
  Object.freeze(['clean', 'clean', 'came up by themselves, OK sign in time']),
  Object.freeze(['shaky', 'shaky', 'head or hands shook, slow, or needed a word']),
  Object.freeze(['passed-out', 'passed out', 'gone, however short']),
]);

/** @param {string | null} verdict */
export function verdictWords(verdict) {
  return VERDICTS.find(([value]) => value === verdict)?.[1] ?? '';
}

/**
 * Why the final stage began when it did, or null where it did not begin.
 * @param {HoldRecord} record
 * @returns {{at_ms: number, why: string} | null}
 */
export function finalFrom({ hold, status, summary }) {
  const plan = status.plan;
  const start = status.start_at;
  const at = status.boundaries?.final_at_ms ?? null;
  if (start === null || at === null || (summary.hold_ms !== null && at > summary.hold_ms)) return null;
  if (plan && plan.longest_s !== null && at === plan.longest_s * 1000) return { at_ms: at, why: 'longest clean hold' };
  if (plan && at === plan.planned_s * 1000) return { at_ms: at, why: 'planned time' };
  const cause = hold.events.filter((e) => e.at === start + at);
  if (cause.some((e) => e.kind === 'sign')) return { at_ms: at, why: 'blue' };
  const answer = cause.find((e) => e.kind === 'answered');
  if (answer) {
    const after = summary.answers.find((a) => a.at_ms === at)?.after;
    if (after === 'alarm') return { at_ms: at, why: 'answer under the alarm' };
    return { at_ms: at, why: after === 'again' ? 'answer on again' : 'slow answer' };
  }
  return { at_ms: at, why: cause.some((e) => e.kind === 'asked') ? 'second tap' : '' };
}

/** @param {number} n @param {string} one @param {string} many */
const count = (n, one, many) => `${n} ${n === 1 ? one : many}`;

/** @param {number | null} ms since surfacing */
function sinceSurfacing(ms) {
  if (ms === null) return '';
  return ms < 0 ? `${clockText(-ms)} before surfacing` : `${clockText(ms)} after surfacing`;
}

/**
 * How many of each rung the devices say they sounded.
 * @param {HoldRecord} record
 */
export function soundedWords({ hold }) {
  /** @type {Map<string, Set<string>>} */
  const dues = new Map();
  for (const event of hold.events) {
    if (event.kind !== 'sounded') continue;
    const rung = String(event.data?.rung);
    if (!['prompt', 'again', 'alarm'].includes(rung)) continue;
    if (!dues.has(rung)) dues.set(rung, new Set());
    dues.get(rung)?.add(String(event.data?.due));
  }
  if (dues.size === 0) return 'nothing';
  return ['prompt', 'again', 'alarm'].map((rung) => `${rung} ${dues.get(rung)?.size ?? 0}`).join(', ');
}

/**
 * The rows of a debrief, label and words; what is not known has no row.
 * @param {HoldRecord} record
 * @param {import('../rules/debrief.js').Debrief | null} [told]
 * @param {import('../rules/expect.js').Figure | null} [usual] the diver's usual answer time before this hold
 * @returns {{label: string, words: string, sub?: string}[]}
 */
export function debriefRows(record, told = null, usual = null) {
  const { status, summary: s } = record;
  /** @type {{label: string, words: string, sub?: string}[]} */
  const rows = [];
  const add = (/** @type {string} */ label, /** @type {string} */ words, /** @type {string} */ sub = '') =>
    rows.push(sub ? { label, words, sub } : { label, words });

  if (status.plan) add('planned', clockText(status.plan.planned_s * 1000), `agreed end ${clockText(status.plan.end_by_s * 1000)}`);
  if (s.first_contraction_ms !== null) {
    add('first contraction', [clockText(s.first_contraction_ms), s.first_contraction_site].filter(Boolean).join(', '));
  } else add('first contraction', 'none marked');
  if (s.easy_ms !== null && s.struggle_ms !== null && s.easy_permille !== null && s.struggle_permille !== null) {
    const easy = Math.round(s.easy_permille / 10);
    add('easy', clockText(s.easy_ms), `${easy} %`);
    add('struggle', clockText(s.struggle_ms), `${100 - easy} %`);
  }
  const final = finalFrom(record);
  add('final from', final ? [clockText(final.at_ms), final.why].filter(Boolean).join(', ') : 'not reached');
  if (s.answer_median_ms !== null && s.answer_slowest_ms !== null) {
    add('answers', `${tenthsText(s.answer_median_ms)} median, ${tenthsText(s.answer_slowest_ms)} slowest`,
      [s.answer_trend_ms_per_min === null ? '' : trendWords(s.answer_trend_ms_per_min), againstUsual(s.answer_slowest_ms, usual)].filter(Boolean).join('; '));
  } else if (s.answers.length > 0) add('answers', String(s.answers.length), 'not timed');
  if (s.longest_silence_ms !== null) add('longest silence', clockText(s.longest_silence_ms));
  const { prompt, again, alarm } = s.rungs_reached;
  const answered = s.answers.filter((a) => a.after === 'alarm').length;
  add('checks', `${count(prompt, 'prompt', 'prompts')}, ${again} again, ${count(alarm, 'alarm', 'alarms')}`, [
    s.rungs_missed === 0 ? '' : `${count(s.rungs_missed, 'prompt', 'prompts')} met late or not`,
    answered === 0 ? '' : `${count(answered, 'alarm', 'alarms')} lifted by an answer`,
  ].filter(Boolean).join(', '));
  if (told) add('asked', `looks ${told.looks}, taps ${told.asked}, answers ${told.answered}`, told.no_answer > 0 ? `no answer seen ${told.no_answer}` : '');
  add('sounded', soundedWords(record));
  if (told && told.sites.length > 1) add('moved', told.sites.map((x) => `${x.site} ${clockText(x.at_ms)}`).join(', '));
  if (s.signs.length > 0) add('signs', s.signs.map((x) => `${x.what} ${clockText(x.at_ms)}`).join(', '));
  if (s.ok_ms !== null) add('OK sign', sinceSurfacing(s.ok_ms));
  else if (status.surfaced_at !== null) add('OK sign', 'none');
  if (s.spo2_lowest !== null) {
    add('lowest SpO₂', [`${s.spo2_lowest}`, sinceSurfacing(s.spo2_lowest_ms)].filter(Boolean).join(', '),
      s.back_to_95_ms === null ? '' : `95 again ${sinceSurfacing(s.back_to_95_ms)}`);
  }
  if (s.hr_lowest !== null) add('lowest pulse', [`${s.hr_lowest}`, sinceSurfacing(s.hr_lowest_ms)].filter(Boolean).join(', '));
  if (s.forced_end) add('watch', 'ended by hand before its time');
  return rows;
}

/**
 * @param {number} slowestMs
 * @param {import('../rules/expect.js').Figure | null} usual
 */
function againstUsual(slowestMs, usual) {
  if (usual === null) return '';
  if (usual.value === null) return 'the diver’s usual is not known yet';
  const times = (Math.round((slowestMs * 10) / Math.max(1, usual.value)) / 10).toFixed(1);
  return `the diver’s usual ${tenthsText(usual.value)}, median of ${usual.count} holds: the slowest took ${times} times that`;
}

/**
 * What was said of a hold and later said anew, the newest first: the words as
 * they were, and when.
 * @param {import('../rules/fold.js').Hold} hold
 * @returns {{at: number, words: string}[]}
 */
export function saidBefore(hold) {
  /** @type {{at: number, words: string}[]} */
  const earlier = [];
  /** @type {Set<string>} */
  const newer = new Set();
  for (let i = hold.events.length - 1; i >= 0; i--) {
    const { kind, at, data = {} } = hold.events[i];
    if (kind !== 'verdict' && kind !== 'note') continue;
    if (data.lifts !== undefined) continue;
    const about = kind === 'note' ? (data.about === 'buddy' ? 'the buddy’s note' : 'note') : 'verdict';
    if (newer.has(about)) {
      const list = (/** @type {unknown} */ v) => (Array.isArray(v) ? v.map(String) : []);
      const words = kind === 'verdict' ? [verdictWords(String(data.what))] : [...list(data.conditions), ...list(data.felt), String(data.text ?? '')];
      earlier.push({ at, words: `${about}: ${words.filter(Boolean).join(', ') || 'nothing'}` });
    }
    newer.add(about);
  }
  return earlier;
}

/** @param {number} msPerMin */
export function trendWords(msPerMin) {
  const tenths = Math.round(msPerMin / 100) / 10;
  if (tenths === 0) return 'level over the hold';
  return `${Math.abs(tenths).toFixed(1)} s ${tenths > 0 ? 'slower' : 'faster'} each minute`;
}

/**
 * A hold in a few words, for its row of the log: the gravest thing first.
 * @param {HoldRecord} record
 * @param {boolean} [over] it runs no more, though it may have been left without an end
 */
export function logWords({ hold, status, summary: s, grave: said }, over = status.phase === 'over') {
  const grave = lineWords({ ...s, ...said, over });
  if (grave !== CLEAN && grave !== LATE) return grave;
  if (s.answers.some((a) => a.after === 'alarm')) return 'answer under the alarm';
  if (s.answers.some((a) => a.after === 'again')) return 'answer on again';
  if (hold.events.some((e) => e.kind === 'end-hold')) return 'called up';
  return grave;
}

const CLEAN = 'clean';
const LATE = 'OK sign late';

/**
 * A hold in a few words by its line alone, without its events.
 * @param {{over: boolean, verdict: string | null, passed_out: boolean, incident: string | null, hold_ms: number | null, clean: boolean}} line
 */
export function lineWords({ over, verdict, passed_out, incident, hold_ms, clean }) {
  if (!over) return 'not over';
  if (verdict === 'passed-out' || passed_out || incident === 'blackout') return 'passed out';
  if (incident === 'lmc') return 'LMC';
  if (incident !== null) return 'trouble';
  if (verdict === 'shaky') return 'shaky';
  if (verdict === null) return 'no verdict yet';
  if (hold_ms === null) return 'no end in the log';
  return clean ? CLEAN : LATE;
}
