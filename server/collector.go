package server

import (
	"context"
	"os"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"time"

	"github.com/benbjohnson/clock"
)

// While the collector of garbage runs, every goroutine that asks for memory takes a
// part of its work. With thousands of phones, each with a goroutine of its own that
// wakes once a second, all do, and whoever comes meanwhile waits for up to 150 ms
// (BenchmarkLoadFull, on two cores). So garbage is collected when little goes on, and
// hardly ever when much does.

const (
	// heapGrowthPercent is how much the heap may grow while much goes on, four times
	// what Go chooses by itself.
	heapGrowthPercent = 400
	// heapLimitBytes is where it is collected sooner again, so that a small
	// machine is not filled. An outing takes a hundredth of it.
	heapLimitBytes = 2 << 30

	// lookEvery is how often it is seen whether little goes on: quietBytes are asked
	// for in that time at most. An event takes some 2 KB with all that it causes, so
	// that a dozen pairs stay far below.
	lookEvery  = time.Second
	quietBytes = 2 << 20
	// quietGrowthPercent is how much the heap may grow while little goes on, and
	// smallHeapBytes is not worth the work.
	quietGrowthPercent = 200
	smallHeapBytes     = 16 << 20
)

// CollectSeldom sets how often the program collects its garbage, until ctx ends. GOGC
// and GOMEMLIMIT of the environment come first, as Go documents them.
func CollectSeldom(ctx context.Context, clk clock.Clock) {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(heapLimitBytes)
	}
	if os.Getenv("GOGC") != "" {
		return
	}
	debug.SetGCPercent(heapGrowthPercent)
	go collectWhenDue(ctx, clk.Ticker(lookEvery), seeHeap, runtime.GC)
}

func collectWhenDue(ctx context.Context, ticker *clock.Ticker, see func() heap, collect func()) {
	defer ticker.Stop()
	seen := see()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		before := seen
		if seen = see(); seen.isDue(before) {
			collect()
		}
	}
}

// heap is how much memory is in use, in bytes.
type heap struct {
	live  uint64 // after the last collection
	now   uint64 // with what became garbage since
	asked uint64 // ever asked for
}

func seeHeap() heap {
	m := []metrics.Sample{{Name: "/gc/heap/live:bytes"}, {Name: "/memory/classes/heap/objects:bytes"}, {Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(m)
	return heap{m[0].Value.Uint64(), m[1].Value.Uint64(), m[2].Value.Uint64()}
}

// isDue tells whether there is much to collect and little went on since before.
func (h heap) isDue(before heap) bool {
	return h.asked-before.asked <= quietBytes && h.now >= max(smallHeapBytes, h.live+h.live/100*quietGrowthPercent)
}
