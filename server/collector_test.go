package server

import (
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"
)

// Ensures that garbage is collected where there is enough of it and little goes on,
// and not while much does.
func TestCollectsWhenLittleGoesOn(t *testing.T) {
	const mb = 1 << 20
	before := heap{live: 40 * mb, now: 80 * mb, asked: 500 * mb}
	for name, c := range map[string]struct {
		seen heap
		due  bool
	}{
		"grown enough, and nothing goes on":   {heap{40 * mb, 120 * mb, 500 * mb}, true},
		"grown enough, and a little goes on":  {heap{40 * mb, 120 * mb, 501 * mb}, true},
		"grown enough, and much goes on":      {heap{40 * mb, 120 * mb, 503 * mb}, false},
		"only doubled":                        {heap{40 * mb, 80 * mb, 500 * mb}, false},
		"many times what lives, yet not much": {heap{1 * mb, 15 * mb, 500 * mb}, false},
	} {
		require.Equal(t, c.due, c.seen.isDue(before), name)
	}
}

// Ensures that the program does so by itself.
func TestCollectsByItself(t *testing.T) {
	t.Setenv("GOGC", "")
	t.Setenv("GOMEMLIMIT", "")
	defer debug.SetGCPercent(debug.SetGCPercent(-1))
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(-1))
	clk := clock.NewMock()
	CollectSeldom(t.Context(), clk)
	runtime.GC()
	garbage(2*seeHeap().live + 2*smallHeapBytes)
	collected := collections()
	require.Eventually(t, func() bool { clk.Add(lookEvery); return collections() > collected }, 10*time.Second, time.Millisecond)
}

var kept []byte // what is made only counts where it could be kept

func garbage(bytes uint64) {
	for range bytes / 1024 {
		kept = make([]byte, 1024)
	}
}

// collections gives how many times the program had garbage collected, and not Go by
// itself.
func collections() uint64 {
	m := []metrics.Sample{{Name: "/gc/cycles/forced:gc-cycles"}}
	metrics.Read(m)
	return m[0].Value.Uint64()
}
