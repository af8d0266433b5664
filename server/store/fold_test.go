package store

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

// Ensures that after a large fold, as an import leaves one, holds are still told in the
// order in which their first events came, and when the last event came.
func TestLargeFoldsKeepTheOrderOfArrival(t *testing.T) {
	s := open(t, t.TempDir())
	session, err := s.ContinueSession("session001", 1)
	require.NoError(t, err)
	_, err = s.AddPair("pair593", session.ID) // that of the last one
	require.NoError(t, err)
	require.NoError(t, s.Admit(Device{ID: "device0599", Session: session.ID, Pair: "pair593", Role: "buddy"}, []byte("hash")))
	var rows []*row
	var came []HoldRef
	at := nowMs
	for n := range 600 {
		h := HoldRef{Pair: fmt.Sprintf("pair%03d", n*7%600), Hold: "h1"}
		came = append(came, h)
		for i := range 8 {
			at++
			e := event(t, fmt.Sprintf("device%04d", n), i+1, "look", at)
			r, ok := rowOf(h.Pair, at, &e)
			require.True(t, ok)
			rows = append(rows, &r)
		}
	}
	require.Greater(t, len(rows), foldBusy)
	require.NoError(t, s.fold(rows, 1))
	holds, err := s.Holds(t.Context(), "")
	require.NoError(t, err)
	require.Len(t, holds, len(came))
	for i, h := range holds {
		require.Equal(t, came[i], h, "hold %d", i)
	}
	last, err := s.LastMs(t.Context())
	require.NoError(t, err)
	require.Equal(t, at, last)
}

// Ensures that a fold adds each event once, whatever of it was there before.
func TestFoldsThatBeginAnew(t *testing.T) {
	s := open(t, t.TempDir())
	var rows []*row
	for n := range 3*insertedTogether + 5 {
		e := event(t, "aaaaaaaaaa", n+1, "look", nowMs)
		r, ok := rowOf("p1", nowMs, &e)
		require.True(t, ok)
		rows = append(rows, &r)
	}
	for _, part := range [][]*row{rows[:1], rows[7:9], rows[insertedTogether+2 : insertedTogether+3], rows[10 : len(rows)-2], rows} {
		require.NoError(t, s.fold(part, 1))
	}
	got := bodies(t, s, "p1", "aaaaaaaaaa")
	require.Len(t, got, len(rows))
	sum := map[string]int{}
	for _, body := range got {
		sum[string(body)]++
	}
	for _, r := range rows {
		require.Equal(t, 1, sum[string(r.body)], r.id)
	}
}
