package store

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Ensures that a large fold keeps each pair's order of arrival, which
// need not be that of its counters, loses nothing, and tells afterwards when the last
// event came.
func TestLargeFoldsKeepThePairsOrder(t *testing.T) {
	s := open(t, t.TempDir())
	const pairs, each = 7, sortedFrom/7 + 1
	var rows []*row
	came := make([][]string, pairs)
	at := nowMs
	for i := range each {
		for pair := pairs - 1; pair >= 0; pair-- {
			at++
			e := event(t, deviceOf(pair), (i^1)+1, "look", nowMs)
			r, ok := rowOf(pairOf(pair), at, &e)
			require.True(t, ok)
			rows = append(rows, &r)
			came[pair] = append(came[pair], string(e.Raw))
		}
	}
	require.NoError(t, s.fold(rows, 1))
	last, err := s.LastMs(t.Context())
	require.NoError(t, err)
	require.Equal(t, at, last)
	for pair := range pairs {
		events, err := s.Hold(t.Context(), pairOf(pair), "h1")
		require.NoError(t, err)
		var got []string
		for _, e := range events {
			got = append(got, string(e.Raw))
		}
		require.Equal(t, came[pair], got)
	}
}

func deviceOf(n int) string { return fmt.Sprintf("device%06d", n) }
func pairOf(n int) string   { return fmt.Sprintf("pair%06d", n) }

// BenchmarkFold compares the work of folding what thousands of pairs did in ten
// seconds into a file with ten times as much, with that into an empty file.
func BenchmarkFold(b *testing.B) {
	const pairs, seconds, times = 5_000, 10, 11
	s := open(b, b.TempDir())
	var first, last time.Duration
	for n := range times {
		var rows []*row
		for second := range seconds {
			for pair := range pairs {
				e := event(b, deviceOf(pair), n*seconds+second+1, "look", nowMs)
				r, ok := rowOf(pairOf(pair), nowMs, &e)
				require.True(b, ok)
				rows = append(rows, &r)
			}
		}
		begun := time.Now()
		require.NoError(b, s.fold(rows, int64(n)))
		if last = time.Since(begun); n == 0 {
			first = last
		}
	}
	b.Logf("an event: %s in an empty file, %s in one of %d events", first/(pairs*seconds), last/(pairs*seconds), (times-1)*pairs*seconds)
	b.ReportMetric(float64(last)/float64(first), "full-over-empty")
}
