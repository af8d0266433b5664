package protocol_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"buddyclock/protocol"
)

// benchEvents gives a plan, a start and n busy events of one hold, a quarter second apart and in order: mostly answers,
// with taps, looks, contractions, readings, signs and a few presses taken back. web/test/bench_rules.js has the same mix.
func benchEvents(n int) []protocol.Event {
	const start = int64(1_790_000_000_000)
	mix := []struct{ kind, data string }{
		{"asked", ""}, {"answered", `{"took_ms":900}`}, {"look", ""}, {"contraction", `{"site":"belly"}`},
		{"asked", ""}, {"answered", `{"took_ms":1100}`}, {"reading", `{"spo2":94,"hr":62,"source":"finger"}`},
		{"answered", `{"took_ms":800}`}, {"sounded", `{"rung":"prompt","due":0}`}, {"step", `{"what":"airway"}`},
	}
	events := []protocol.Event{
		{ID: "bench-000001", Hold: "bench-h01", Kind: "plan", At: start - 60_000, By: "buddy", Data: []byte(`{"planned_s":300,"cadence":"standard","setting":"dry"}`)},
		{ID: "bench-000002", Hold: "bench-h01", Kind: "start", At: start, By: "buddy"},
	}
	for i := range n {
		e := mix[i%len(mix)]
		event := protocol.Event{ID: fmt.Sprintf("bench-%06d", i+3), Hold: "bench-h01", Kind: e.kind, At: start + int64(i+1)*250, By: "buddy"}
		if i%100 == 99 {
			event.Kind, e.data = "amend", fmt.Sprintf(`{"target":"bench-%06d","drop":true}`, i+1)
		}
		if e.data != "" {
			event.Data = []byte(e.data)
		}
		events = append(events, event)
	}
	return events
}

func benchFold(events []protocol.Event) *protocol.Hold {
	hold := protocol.NewHold("bench-h01")
	for _, e := range events {
		hold.Add(e)
	}
	hold.StatusAt(events[len(events)-1].At)
	return hold
}

// fastest gives the shortest of several runs: what is left when the machine did nothing else.
func fastest(runs int, work func()) time.Duration {
	times := make([]time.Duration, runs)
	for i := range times {
		began := time.Now()
		work()
		times[i] = time.Since(began)
	}
	return slices.Min(times)
}

// BenchmarkFold measures that a fold is linear (fold-growth: 10,000 events in at most 12 times the time of 1,000) and
// that an event at the end is cheap (append-share: at most a tenth of folding 1,000 anew, status included). Ratios within
// one run say the same on any machine; they are reported and never fail. Ten small folds are timed together, so that the
// garbage collector gets its share of small and large alike.
func BenchmarkFold(b *testing.B) {
	small, large := benchEvents(1_000), benchEvents(10_000)
	last := small[len(small)-1]
	shortest := map[string]time.Duration{}
	note := func(name string, took time.Duration) {
		if best, there := shortest[name]; !there || took < best {
			shortest[name] = took
		}
	}
	for b.Loop() {
		note("small", fastest(3, func() {
			for range 10 {
				benchFold(small)
			}
		})/10)
		note("large", fastest(3, func() { benchFold(large) }))
		folded := benchFold(small)
		next := protocol.Event{Hold: last.Hold, Kind: "answered", At: last.At, By: "buddy", Data: []byte(`{"took_ms":900}`)}
		n := 0
		note("append", fastest(20, func() {
			n++
			next.ID, next.At = fmt.Sprintf("bench-%06d", len(small)+n), next.At+250
			folded.Add(next)
			folded.StatusAt(next.At)
		}))
	}
	b.ReportMetric(float64(shortest["large"])/float64(shortest["small"]), "fold-growth")
	b.ReportMetric(float64(shortest["append"])/float64(shortest["small"]), "append-share")
	b.ReportMetric(float64(shortest["small"].Microseconds()), "µs/fold-1000")
	b.ReportMetric(float64(shortest["append"].Nanoseconds())/1000, "µs/append")
}

// BenchmarkSummary measures the summary of a hold of 1,000 events, as the debrief shows it.
func BenchmarkSummary(b *testing.B) {
	events := benchEvents(1_000)
	hold := benchFold(events)
	for b.Loop() {
		protocol.Summarize(hold, events[len(events)-1].At)
	}
}
