package demo

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// play has a pair live through its first hold without a network, and gives it.
func play(t *testing.T, p part, seed uint64, pace float64) (*protocol.Hold, *pair) {
	t.Helper()
	sheet := newPaper()
	pr := newPair(p, sheet.phone("aaaaaaaaaa", protocol.RoleBuddy), sheet.phone("bbbbbbbbbb", protocol.RoleDiver), seed, pace)
	pr.cut = func(bool) {}
	const from = int64(1_790_000_000_000)
	pr.begin(from)
	now := from
	for ; pr.holds == 0 || pr.h != nil; now += 200 {
		require.Less(t, now, from+900_000, "the hold does not end")
		pr.step(now)
	}
	return sheet.hold("aaaaaaaaaa-h01"), pr
}

// Ensures of each pair, at any pace and by any chance, that its hold is whole,
// keeps to the rules, and ends as its story says.
func TestStoriesEndAsTold(t *testing.T) {
	for _, pace := range []float64{1, 10} {
		for seed := range uint64(3) {
			for i, p := range cast {
				h, pr := play(t, p, seed, pace)
				last, _ := h.LastAt()
				sum := protocol.Summarize(h, last)
				what := fmt.Sprintf("pair %d, pace %v, seed %d", i+1, pace, seed)
				require.Equal(t, protocol.Over, h.StatusAt(last).Phase, what)
				require.False(t, sum.ForcedEnd, what)
				require.NotNil(t, sum.SpO2Lowest, what)
				require.NotNil(t, sum.Verdict, what)
				require.Equal(t, p.Story == noAnswer, sum.Incident != nil, what)
				require.Equal(t, p.Story == noAnswer, pr.outOf, what)
				switch p.Story {
				case noAnswer:
					require.NotNil(t, first(h, protocol.KindNoAnswer), what)
					require.NotNil(t, first(h, protocol.KindRecovered), what)
					require.Equal(t, "passed-out", *sum.Verdict, what)
				case forgets:
					require.Positive(t, sum.RungsReached.Alarm, what)
					require.Positive(t, sum.RungsReached.Again, what)
					require.Equal(t, "clean", *sum.Verdict, what)
				default:
					require.Equal(t, "clean", *sum.Verdict, what)
				}
			}
		}
	}
}

// Ensures that answers of a diver who runs out of oxygen become slower, and that
// the heart slows: what a buddy is to notice.
func TestDiversTireAsTheyShould(t *testing.T) {
	p := cast[4]
	early, late := 0.0, 0.0
	c := NewCourse(p.Body)
	for c.Seconds() < p.PlannedS {
		c.Second()
		if c.Seconds() == 30 {
			early = c.AnswerIn()
		}
	}
	late = c.AnswerIn()
	require.Equal(t, p.Body.AnswerMs, early)
	require.Greater(t, late, 1.2*early)
	_, hr := c.Finger()
	require.Less(t, float64(hr), p.Body.RestHR-15)
}

// Ensures that somebody who joins a pair and presses before its own people do
// does not bring them out of step.
func TestSomebodyElsePresses(t *testing.T) {
	sheet := newPaper()
	pr := newPair(cast[2], sheet.phone("aaaaaaaaaa", protocol.RoleBuddy), sheet.phone("bbbbbbbbbb", protocol.RoleDiver), 1, 1)
	visitor := sheet.phone("cccccccccc", protocol.RoleBuddy)
	const from = int64(1_790_000_000_000)
	pr.cut = func(bool) {}
	pr.begin(from)
	for now := from; now < from+200_000; now += 100 {
		switch pr.step(now); now - from {
		case 3_000:
			visitor.Record(pr.h.id, protocol.KindStart, now, nil)
		case 5_000:
			visitor.Record(pr.h.id, protocol.KindSurfaced, now, nil)
		}
	}
	require.Equal(t, 2, pr.holds)
	require.NotNil(t, first(sheet.hold("aaaaaaaaaa-h01"), protocol.KindVerdict))
}

// Ensures that a pair starts by the count that an instructor sets, sooner or later
// than its own, and counts anew where that is called off.
func TestPairsGoByTheInstructorsCount(t *testing.T) {
	const from = int64(1_790_000_000_000)
	zero := func(at int64) map[string]any { return map[string]any{"zero_at": at} }
	for what, c := range map[string]struct {
		counts      map[int64]map[string]any // by the ms at which the instructor sets them
		after, most int64                    // when the hold then starts
	}{
		"later":      {map[int64]map[string]any{3_000: zero(from + 90_000)}, 90_000, 92_000},
		"sooner":     {map[int64]map[string]any{3_000: zero(from + 5_000)}, 5_000, 7_000},
		"called off": {map[int64]map[string]any{3_000: zero(from + 30_000), 8_000: {}}, 8_000 + breatheUpMs, 11_000 + breatheUpMs},
	} {
		sheet := newPaper()
		pr := newPair(cast[2], sheet.phone("aaaaaaaaaa", protocol.RoleBuddy), sheet.phone("bbbbbbbbbb", protocol.RoleDiver), 1, 1)
		board := sheet.phone("cccccccccc", protocol.RoleInstructor)
		pr.cut = func(bool) {}
		pr.begin(from)
		for now := from; now < from+140_000; now += 100 {
			pr.step(now)
			if data, is := c.counts[now-from]; is {
				board.Record(pr.h.id, protocol.KindBreatheUp, now, data)
			}
		}
		start := first(sheet.hold("aaaaaaaaaa-h01"), protocol.KindStart)
		require.NotNil(t, start, what)
		require.GreaterOrEqual(t, start.At, from+c.after, what)
		require.LessOrEqual(t, start.At, from+c.most, what)
	}
}
