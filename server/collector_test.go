package server

import (
	"context"
	"runtime"
	"sync/atomic"
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

// Ensures that it is seen by itself when garbage is due, and that nobody looks any
// more once the program ends.
func TestCollectsByItself(t *testing.T) {
	clk := clock.NewMock()
	var due, collected atomic.Bool
	see := func() heap {
		if due.Load() {
			return heap{now: smallHeapBytes}
		}
		return heap{}
	}
	ctx, end := context.WithCancel(t.Context())
	ended := make(chan struct{})
	ticker := clk.Ticker(lookEvery)
	go func() {
		collectWhenDue(ctx, ticker, see, func() { collected.Store(true) })
		close(ended)
	}()
	clk.Add(5 * lookEvery)
	require.False(t, collected.Load())
	due.Store(true)
	require.Eventually(t, func() bool { clk.Add(lookEvery); return collected.Load() }, 10*time.Second, time.Millisecond)
	end()
	<-ended
}

// Ensures that what is seen of the heap is what Go measures.
func TestSeesTheHeap(t *testing.T) {
	before := seeHeap()
	made = make([]byte, 1<<20)
	after := seeHeap()
	require.GreaterOrEqual(t, after.asked-before.asked, uint64(len(made)))
	require.NotZero(t, after.now)
	runtime.GC()
	require.NotZero(t, seeHeap().live)
}

var made []byte // where the collector looks for it
