// Package steady is for fuzz tests of decoders: it fails one that hangs, that
// keeps memory from input to input, or that takes far more of it than its
// input gives reason for.
package steady

import (
	"fmt"
	"runtime"
	"runtime/metrics"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
)

const (
	// hangs is how long one input may take; the slowest take milliseconds.
	hangs = 10 * time.Second
	// lookEvery is how many inputs pass between two looks at what is kept.
	lookEvery = 20_000
	// mayKeep is how many bytes more may be kept than after the first inputs:
	// caches of the fuzzer and of the code under test fill up for a while.
	mayKeep = 32 << 20
)

// Watch watches over one fuzz test. Its zero value is not ready; use New.
type Watch struct {
	perByte, fixed uint64
	clk            clock.Clock
	inputs         int
	first          uint64 // bytes kept at the first look
	taken          [1]metrics.Sample
}

// New makes a watch that allows an input of n bytes perByte × n + fixed bytes.
func New(perByte, fixed uint64) *Watch {
	w := &Watch{perByte: perByte, fixed: fixed, clk: clock.New()}
	w.taken[0].Name = "/gc/heap/allocs:bytes"
	return w
}

// Run has one input of so many bytes decoded, and once more where it seems to take
// too much: the quick count has some of what earlier inputs took as well, and the
// exact one decides. It is called by one goroutine at a time, as the fuzzer does.
func (w *Watch) Run(t *testing.T, size int, decode func()) {
	t.Helper()
	hung := w.clk.AfterFunc(hangs, func() { panic(fmt.Sprintf("an input of %d bytes takes more than %v", size, hangs)) })
	defer hung.Stop()
	most := w.perByte*uint64(size) + w.fixed
	before := w.allocated()
	decode()
	if w.allocated()-before > most {
		if took := exactly(decode); took > most {
			t.Errorf("an input of %d bytes takes %d bytes of memory, more than %d", size, took, most)
		}
	}
	if w.inputs++; w.inputs%lookEvery != 0 {
		return
	}
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	if w.first == 0 {
		w.first = m.HeapAlloc
	}
	if m.HeapAlloc > w.first+mayKeep {
		t.Errorf("after %d inputs %d bytes are kept, and %d were after the first %d", w.inputs, m.HeapAlloc, w.first, lookEvery)
	}
}

// exactly counts the bytes that a decoding takes; it stops the world for that.
func exactly(decode func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	decode()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

func (w *Watch) allocated() uint64 {
	metrics.Read(w.taken[:])
	return w.taken[0].Value.Uint64()
}
