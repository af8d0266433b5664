package demo

import (
	"context"
	"encoding/json"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// Ensures that a seed tells the whole of what people do: the same holds come out
// again, whoever runs them.
func TestEarlierHoldsFollowTheSeed(t *testing.T) {
	ids := map[string]string{protocol.RoleBuddy: "aaaaaaaaaa", protocol.RoleDiver: "bbbbbbbbbb"}
	play := func(seed uint64) []protocol.Event { return earlier(cast[0], ids, 1_790_000_000_000, 0.5, 1, seed) }
	require.Equal(t, play(7), play(7))
	require.NotEqual(t, play(7), play(8))
}

// Ensures that the earlier outings are whole holds in a sound data file, that
// each says that it is simulated, and that divers came on in the weeks.
func TestEarlierOutings(t *testing.T) {
	const now = int64(1_790_000_000_000)
	dir := t.TempDir()
	st, err := store.Open(dir, func() int64 { return now - 1 })
	require.NoError(t, err)
	require.NoError(t, Remember(st, now, 1, 3))
	require.NoError(t, st.Close())
	report, err := store.Inspect(context.Background(), filepath.Join(dir, store.FileName))
	require.NoError(t, err)
	require.True(t, report.Sound(), "%v", report.Findings)
	require.Empty(t, report.Gaps)
	require.Less(t, report.LastStoredMs, now)
	require.EqualValues(t, len(earlierDays)*len(cast), report.Pairs)
	for i, p := range cast {
		ids := map[string]string{protocol.RoleBuddy: "aaaaaaaaaa", protocol.RoleDiver: "bbbbbbbbbb"}
		var held [2]int64
		for k, trained := range []float64{0, 1} {
			holds := map[string]*protocol.Hold{}
			for _, e := range earlier(p, ids, now-dayMs, trained, 1, uint64(i)) {
				var said struct{ Simulated bool }
				require.NoError(t, json.Unmarshal(e.Raw, &said))
				require.True(t, said.Simulated)
				require.Less(t, e.At, now)
				if holds[e.Hold] == nil {
					holds[e.Hold] = protocol.NewHold(e.Hold)
				}
				holds[e.Hold].Add(e)
			}
			delete(holds, "aaaaaaaaaa-h00")
			require.Len(t, holds, earlierHolds)
			for _, h := range holds {
				sum := protocol.Summarize(h, now)
				require.Equal(t, protocol.Over, h.StatusAt(now).Phase)
				require.Nil(t, sum.Incident)
				require.NotNil(t, sum.FirstContractionMs)
				require.NotNil(t, sum.SpO2Lowest)
				held[k] += *sum.HoldMs
			}
		}
		require.Greater(t, held[1], held[0])
	}
}
