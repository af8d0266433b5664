package protocol

import "math"

// Exchange is one exchange of time stamps in ms, fractions allowed: T1 and T4
// by the device's clock, T2 and T3 by the server's.
type Exchange struct{ T1, T2, T3, T4 float64 }

// ClockReading is what is known of the offset at some instant.
type ClockReading struct {
	OffsetMs float64 // server minus device, in steps of 0.001 ms
	DoubtMs  float64 // the offset lies within this of the truth
	Known    bool    // false while nothing is known; the numbers then mean nothing
	Synced   bool    // enough exchanges agree
}

// How many exchanges a ClockEstimate keeps, and how many must agree before it
// counts as synchronised.
const (
	keptExchanges   = 128
	enoughExchanges = 4
)

// Two clocks may drift apart by WorstDriftPpm, which cheap and hot or cold
// quartz stays within; usualDriftPpm is what most pairs of them do.
const (
	WorstDriftPpm = 200
	usualDriftPpm = 30
)

// ClockEstimate bounds the offset between a device and the server by
// intersecting what each exchange proves (Marzullo's intersection, as used in
// RFC 5905). All work is in whole µs, so that every side that follows these
// steps gets the same numbers:
//
//  1. A time stamp of t ms becomes floor(t × 1000 + 0.5) µs.
//  2. An exchange proves offset ≥ t3 − t4 − step = lo at t4, and offset ≤
//     t2 − t1 + step = hi at t1, where step is the device clock's step. One with
//     a stamp that is not finite, or with t4 < t1, t3 < t2 or hi < lo, is not
//     taken.
//  3. At device time d its lo is lowered by ceil(|d − t4| × ppm / 1,000,000), and
//     its hi raised by ceil(|d − t1| × ppm / 1,000,000).
//  4. A clock id other than that of the exchanges kept voids them all.
//  5. When an exchange comes in, go from it to ever older ones at d = its own
//     t4, intersecting, while the intersection is not empty; the first that
//     does not fit and all older ones are forgotten. At most 128 are kept.
//  6. The reading at d intersects all that are kept: [lo, hi]. With four or
//     more it is synchronised. Then they are intersected once more, in the
//     order of step 5, with the smaller of ppm and 30 for ppm, up to the first
//     that does not fit; the offset is the middle of that, floor((lo + hi) / 2),
//     moved into [lo, hi]. With fewer it is not synchronised, and the offset is
//     that of the exchange with the smallest delay (of equal ones the newest),
//     floor((its lo + its hi) / 2), moved into [lo, hi].
//  7. The doubt is the larger of hi − offset and offset − lo.
//
// So the offset supposes clocks as they usually are, and the doubt the worst.
//
// Exchanges are to be added in the order of their t4. A device that knows its
// own clock has jumped makes a new estimate.
type ClockEstimate struct {
	stepUs   int64
	driftPpm int64
	clockID  string
	kept     []clockSample // newest first
}

// clockSample is what one exchange tells, in whole µs.
type clockSample struct{ lo, hi, asked, heard, delay int64 }

// NewClockEstimate gives an estimate that knows nothing yet. stepMs is the step
// of the device's clock, driftPpm how far the two clocks may drift apart.
func NewClockEstimate(stepMs float64, driftPpm int64) *ClockEstimate {
	return &ClockEstimate{stepUs: micros(stepMs), driftPpm: driftPpm}
}

// Add takes an exchange with the clock named clockID, or returns false.
func (c *ClockEstimate) Add(e Exchange, clockID string) bool {
	for _, t := range []float64{e.T1, e.T2, e.T3, e.T4} {
		// Beyond this a µs is no longer a whole number in every language.
		if math.IsNaN(t) || math.Abs(t) > MaxWhole/1000 {
			return false
		}
	}
	t1, t2, t3, t4 := micros(e.T1), micros(e.T2), micros(e.T3), micros(e.T4)
	s := clockSample{lo: t3 - t4 - c.stepUs, hi: t2 - t1 + c.stepUs, asked: t1, heard: t4, delay: t4 - t1 - (t3 - t2)}
	if t4 < t1 || t3 < t2 || s.hi < s.lo {
		return false
	}
	if clockID != c.clockID {
		c.kept = nil
	}
	c.clockID = clockID
	c.kept = append([]clockSample{s}, c.kept[:min(len(c.kept), keptExchanges-1)]...)
	_, _, count := c.intersect(t4, c.driftPpm)
	c.kept = c.kept[:count]
	return true
}

// At gives the reading at a time of the device's clock, ms.
func (c *ClockEstimate) At(deviceMs float64) ClockReading {
	if len(c.kept) == 0 {
		return ClockReading{}
	}
	d := micros(deviceMs)
	lo, hi, _ := c.intersect(d, c.driftPpm)
	synced := len(c.kept) >= enoughExchanges
	var bestLo, bestHi int64
	if synced {
		bestLo, bestHi, _ = c.intersect(d, min(c.driftPpm, usualDriftPpm))
	} else {
		best := c.kept[0]
		for _, s := range c.kept[1:] {
			if s.delay < best.delay {
				best = s
			}
		}
		bestLo, bestHi = best.lo, best.hi
	}
	offset := min(max(floorDiv(bestLo+bestHi, 2), lo), hi)
	return ClockReading{
		OffsetMs: float64(offset) / 1000,
		DoubtMs:  float64(max(hi-offset, offset-lo)) / 1000,
		Known:    true,
		Synced:   synced,
	}
}

// intersect gives what the kept exchanges prove at device time d (µs) if the
// clocks drift apart by at most ppm, newest first, and how many took part
// before one did not fit.
func (c *ClockEstimate) intersect(d, ppm int64) (lo, hi int64, count int) {
	lo, hi = math.MinInt64, math.MaxInt64
	for _, s := range c.kept {
		nextLo, nextHi := max(lo, s.lo-drifted(d-s.heard, ppm)), min(hi, s.hi+drifted(d-s.asked, ppm))
		if nextLo > nextHi {
			break
		}
		lo, hi = nextLo, nextHi
		count++
	}
	return lo, hi, count
}

// drifted is how far the clocks may have drifted apart in a time, µs.
func drifted(age, ppm int64) int64 {
	return int64(math.Ceil(math.Abs(float64(age)) * float64(ppm) / 1e6))
}

func micros(ms float64) int64 { return int64(math.Floor(ms*1000 + 0.5)) }
