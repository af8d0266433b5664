/**
 * The series a pair is in: the newest that neither is done nor was ended.
 */

import { isNoHold } from './device.js';
import { seriesAt, seriesOf } from '../rules/series.js';
import { nameKey } from '../rules/people.js';
import { clockText, timeOfDay } from './clock_text.js';

/** @typedef {import('../rules/series.js').Series} Series */
/** @typedef {import('../rules/series.js').SeriesNow} SeriesNow */

/** A series that was not gone on with for so long is over (ms, own). */
const FORGOTTEN_MS = 6 * 3_600_000;

/**
 * @param {import('../rules/event.js').HoldEvent[]} events of kind `series`, of the pair, in any order
 * @param {import('../rules/log.js').LogHold[]} lines
 * @param {number} nowMs
 * @returns {{series: Series, at: SeriesNow} | null}
 */
export function seriesNow(events, lines, nowMs) {
  const made = events.filter((e) => e.kind === 'series');
  if (made.length === 0) return null;
  let newest = null;
  for (const series of seriesOf(made)) {
    const begun = Math.max(...made.filter((e) => e.data?.series === series.series && e.data?.steps).map((e) => e.at));
    if (!newest || begun > newest.begun) newest = { series, begun };
  }
  if (!newest) return null;
  const { series } = newest;
  const mine = lines.filter((l) => l.series === series.series);
  const last = Math.max(newest.begun, ...mine.map((l) => l.end_at ?? l.start_at));
  const at = seriesAt(series, mine, nowMs);
  if (at.state === 'done' || at.state === 'ended' || nowMs - last > FORGOTTEN_MS) return null;
  return { series, at };
}

/** Events of a pair that tell of series. @param {{hold: import('../rules/fold.js').Hold, pair: string}[]} entries @param {string} pair */
export function seriesEvents(entries, pair) {
  return entries.filter((e) => e.pair === pair && isNoHold(e.hold.id)).flatMap((e) => e.hold.events.filter((x) => x.kind === 'series'));
}

/**
 * Where the series stands, in a line for both phones.
 * @param {{series: Series, at: SeriesNow}} now
 */
export function seriesWords({ series, at }) {
  const no = `hold ${(at.next ?? 0) + 1} of ${series.steps.length}`;
  switch (at.state) {
    case 'resting':
      return at.rest_left_ms > 0 ? `rest ${clockText(at.rest_left_ms + 999)}, until ${timeOfDay(Number(at.rest_until_at))}, then ${no}` : no;
    case 'holding':
      return `${no}, now`;
    default:
      return no;
  }
}

/**
 * The plan's part of a series, for a hold of these two.
 * @param {{series: Series, at: SeriesNow} | null} now
 * @param {string} diver
 */
export function seriesStep(now, diver) {
  if (!now || now.at.next === null || now.at.state === 'holding' || nameKey(diver) !== now.series.diver_key) return null;
  return { series: now.series.series, series_no: now.at.next, planned_s: now.series.steps[now.at.next].planned_s };
}
