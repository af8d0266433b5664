// Medians, quarters and the robust line, in whole numbers, so that every implementation gets the same.

/** A line needs so many points. */
export const LINE_POINTS = 6;
/** The newest points a line is drawn through: its cost grows with the square. */
export const LINE_NEWEST = 120;
/** With fewer values a typed array is not worth its making. */
const FEW = 32;
/** Slopes are per so many days. */
export const SLOPE_DAYS = 30;

/** @param {number} a @param {number} b */
export const floorDiv = (a, b) => Math.floor(a / b);

/** @param {number[]} values @returns {ArrayLike<number>} */
const ascending = (values) => (values.length < FEW ? [...values].sort((a, b) => a - b) : Float64Array.from(values).sort());

/**
 * The middle value of ascending ones; of an even count, the mean of the middle two, rounded down. Null of none.
 * @param {ArrayLike<number>} sorted
 */
export function middle(sorted) {
  if (sorted.length === 0) return null;
  const half = sorted.length >> 1;
  return sorted.length % 2 === 1 ? sorted[half] : floorDiv(sorted[half - 1] + sorted[half], 2);
}

/** The middle value of values in any order. @param {number[]} values */
export const median = (values) => middle(ascending(values));

/**
 * The smallest value that at least `quarters` quarters of all do not exceed. Null of none.
 * @param {number[]} values
 * @param {1 | 2 | 3} quarters
 */
export function quarter(values, quarters) {
  if (values.length === 0) return null;
  return ascending(values)[Math.ceil((values.length * quarters) / 4) - 1];
}

/**
 * A point of a series: one a day.
 * @typedef {{day: number, value: number}} Point
 */

/**
 * Theil–Sen with its interval.
 * @typedef {object} Line
 * @property {number} per_30_days median slope, units per 30 days
 * @property {number} low 95 % interval of the slope
 * @property {number} high
 * @property {Point} from the line at its first day
 * @property {Point} to the line at its last day
 * @property {number} points
 * @property {'more' | 'less' | 'level'} direction level where the interval holds zero
 */

/**
 * How many of the ordered slopes lie outside each limit of the 95 % interval, by Sen (1968): Kendall's S has the variance
 * n(n−1)(2n+5)/18, and the limits are the slopes of rank (N ∓ 1.96 √variance) / 2, taken outwards.
 * @param {number} n points
 */
function outside(n) {
  const slopes = (n * (n - 1)) / 2;
  // ⌈1.96 √(v/18)⌉, that is the smallest whole c with 180,000 c² ≥ 38,416 v.
  const v = n * (n - 1) * (2 * n + 5);
  let c = Math.floor(Math.sqrt((38416 * v) / 180000));
  while (180000 * c * c < 38416 * v) c++;
  return floorDiv(slopes - c, 2);
}

/**
 * The line through a series, or null under six points. Slopes are rounded down to whole units per 30 days.
 * @param {Point[]} points by day, no two of one day
 * @returns {Line | null}
 */
export function robustLine(points) {
  const used = points.slice(-LINE_NEWEST);
  const n = used.length;
  if (n < LINE_POINTS) return null;
  const slopes = new Float64Array((n * (n - 1)) / 2);
  let pairs = 0;
  for (let i = 0; i < n; i++) {
    for (let j = i + 1; j < n; j++) {
      slopes[pairs++] = floorDiv((used[j].value - used[i].value) * SLOPE_DAYS, used[j].day - used[i].day);
    }
  }
  slopes.sort();
  const slope = Number(middle(slopes));
  const out = outside(n);
  const low = slopes[out - 1];
  const high = slopes[slopes.length - out];
  const first = used[0].day;
  const last = used[n - 1].day;
  const rise = (/** @type {number} */ day) => floorDiv(slope * (day - first), SLOPE_DAYS);
  const base = Number(median(used.map((p) => p.value - rise(p.day))));
  return {
    per_30_days: slope, low, high,
    from: { day: first, value: base }, to: { day: last, value: base + rise(last) },
    points: n,
    direction: low > 0 ? 'more' : high < 0 ? 'less' : 'level',
  };
}
