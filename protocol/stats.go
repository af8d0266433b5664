package protocol

import (
	"math"
	"slices"
)

const (
	linePoints = 6   // a line needs so many points
	lineNewest = 120 // the newest points it is drawn through: its cost grows with the square
	slopeDays  = 30  // slopes are per so many days
)

// medianOr gives the median, or nil of none.
func medianOr(values []int64) *int64 {
	if len(values) == 0 {
		return nil
	}
	m := medianOf(values)
	return &m
}

// quarter gives the smallest value that at least so many quarters of all do not
// exceed, or nil of none.
func quarter(values []int64, quarters int) *int64 {
	if len(values) == 0 {
		return nil
	}
	sorted := slices.Sorted(slices.Values(values))
	return &sorted[(len(sorted)*quarters+3)/4-1]
}

// Point is a point of a series: one a day.
type Point struct {
	Day   int64 `json:"day"`
	Value int64 `json:"value"`
}

// Line is a Theil-Sen line with its 95 % interval. Slopes are whole units per
// 30 days.
type Line struct {
	Per30Days int64  `json:"per_30_days"`
	Low       int64  `json:"low"`
	High      int64  `json:"high"`
	From      Point  `json:"from"` // the line at its first day
	To        Point  `json:"to"`   // and at its last
	Points    int    `json:"points"`
	Direction string `json:"direction"` // more, less, or level where the interval holds zero
}

// outside tells how many of the ordered slopes of n points lie outside each
// limit of the 95 % interval, by Sen (1968): Kendall's S has the variance
// n(n-1)(2n+5)/18, and the limits are the slopes of rank (N ∓ 1.96 √variance)/2,
// taken outwards.
func outside(n int64) int64 {
	slopes := n * (n - 1) / 2
	// ⌈1.96 √(v/18)⌉, that is the smallest whole c with 180,000 c² ≥ 38,416 v.
	v := n * (n - 1) * (2*n + 5)
	c := int64(math.Sqrt(float64(38_416 * v / 180_000)))
	for 180_000*c*c < 38_416*v {
		c++
	}
	return floorDiv(slopes-c, 2)
}

// RobustLine draws the line through a series in order of days, no two points of
// one day; nil under six points.
func RobustLine(points []Point) *Line {
	used := points[max(0, len(points)-lineNewest):]
	n := len(used)
	if n < linePoints {
		return nil
	}
	slopes := make([]int64, 0, n*(n-1)/2)
	for i, p := range used {
		for _, q := range used[i+1:] {
			slopes = append(slopes, floorDiv((q.Value-p.Value)*slopeDays, q.Day-p.Day))
		}
	}
	slices.Sort(slopes)
	out := int(outside(int64(n)))
	l := &Line{Per30Days: medianOf(slopes), Low: slopes[out-1], High: slopes[len(slopes)-out], Points: n, Direction: "level"}
	first, last := used[0].Day, used[n-1].Day
	rise := func(day int64) int64 { return floorDiv(l.Per30Days*(day-first), slopeDays) }
	rests := make([]int64, n)
	for i, p := range used {
		rests[i] = p.Value - rise(p.Day)
	}
	l.From = Point{first, medianOf(rests)}
	l.To = Point{last, l.From.Value + rise(last)}
	switch {
	case l.Low > 0:
		l.Direction = "more"
	case l.High < 0:
		l.Direction = "less"
	}
	return l
}
