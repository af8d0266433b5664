package protocol

import (
	"cmp"
	"slices"
)

// conditionHolds is from how many holds on each side a condition is spoken of.
const conditionHolds = 8

// trendFields are what is followed over weeks, and the figure of a hold that it
// is read from.
var trendFields = map[string]func(*LogHold) *int64{
	"onset":    func(h *LogHold) *int64 { return h.FirstContractionMs },
	"hold":     func(h *LogHold) *int64 { return h.HoldMs },
	"easy":     func(h *LogHold) *int64 { return h.EasyPermille },
	"answer":   func(h *LogHold) *int64 { return h.AnswerMedianMs },
	"recovery": func(h *LogHold) *int64 { return h.BackTo95Ms },
}

// DayPoint is a day of a trend: the median of that day's holds, rounded down,
// and their count.
type DayPoint struct {
	Day   int64 `json:"day"`
	Value int64 `json:"value"`
	Count int   `json:"count"`
}

// Trend is one series over weeks.
type Trend struct {
	Points []DayPoint `json:"points"`
	Line   *Line      `json:"line"`
}

type fieldValue struct {
	hold  *LogHold
	value int64
}

func valuesOf(log []LogHold, setting, field string) (values []fieldValue) {
	read := trendFields[field]
	for i := range log {
		h := &log[i]
		if v := read(h); v != nil && h.Over && h.Setting != nil && *h.Setting == setting {
			values = append(values, fieldValue{h, *v})
		}
	}
	return values
}

// TrendsOf follows one diver's holds in a setting: onset, hold, easy, answer
// and recovery.
func TrendsOf(log []LogHold, setting string) map[string]Trend {
	trends := map[string]Trend{}
	for field := range trendFields {
		days := map[int64][]int64{}
		for _, v := range valuesOf(log, setting, field) {
			days[v.hold.Day] = append(days[v.hold.Day], v.value)
		}
		t := Trend{Points: []DayPoint{}}
		for day, values := range days {
			t.Points = append(t.Points, DayPoint{day, medianOf(values), len(values)})
		}
		slices.SortFunc(t.Points, func(a, b DayPoint) int { return cmp.Compare(a.Day, b.Day) })
		points := make([]Point, len(t.Points))
		for i, p := range t.Points {
			points[i] = Point{p.Day, p.Value}
		}
		t.Line = RobustLine(points)
		trends[field] = t
	}
	return trends
}

// Side is one side of a comparison.
type Side struct {
	Count  int   `json:"count"`
	Median int64 `json:"median"`
}

// Condition is what goes with a condition. It tells of no cause.
type Condition struct {
	Condition  string `json:"condition"`
	With       Side   `json:"with"`
	Without    Side   `json:"without"`
	Difference int64  `json:"difference"` // of the medians, with minus without
}

// ConditionsOf gives the conditions that stood in at least eight holds and did
// not in at least eight, the greatest difference first. Only holds of which
// something was said count, since silence is no "without".
func ConditionsOf(log []LogHold, setting, field string) []Condition {
	values := slices.DeleteFunc(valuesOf(log, setting, field), func(v fieldValue) bool {
		return len(v.hold.Conditions) == 0 && len(v.hold.Felt) == 0
	})
	seen := map[string]bool{}
	found := []Condition{}
	for _, v := range values {
		for _, word := range v.hold.Conditions {
			if seen[word] {
				continue
			}
			seen[word] = true
			var with, without []int64
			for _, w := range values {
				if slices.Contains(w.hold.Conditions, word) {
					with = append(with, w.value)
				} else {
					without = append(without, w.value)
				}
			}
			if len(with) < conditionHolds || len(without) < conditionHolds {
				continue
			}
			c := Condition{word, Side{len(with), medianOf(with)}, Side{len(without), medianOf(without)}, 0}
			c.Difference = c.With.Median - c.Without.Median
			found = append(found, c)
		}
	}
	slices.SortFunc(found, func(a, b Condition) int {
		return cmp.Or(cmp.Compare(abs(b.Difference), abs(a.Difference)), cmp.Compare(a.Condition, b.Condition))
	})
	return found
}

func abs(v int64) int64 { return max(v, -v) }
