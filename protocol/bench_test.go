package protocol_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"buddyclock/protocol"
)

// benchEvents gives a plan, a start and n busy events of one hold, in order and spread evenly over the same 250 s, so
// that many go through the same stages as few: mostly answers, with taps, looks, contractions, readings and a few presses
// taken back. web/test/bench_rules.js has the same mix.
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
		event := protocol.Event{ID: fmt.Sprintf("bench-%06d", i+3), Hold: "bench-h01", Kind: e.kind, At: start + int64(i+1)*250_000/int64(n), By: "buddy"}
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

// took gives how long the work takes, in ns.
func took(work func()) float64 {
	began := time.Now()
	work()
	return float64(time.Since(began))
}

func middle(values []float64) float64 {
	slices.Sort(values)
	return values[len(values)/2]
}

// BenchmarkFold measures that a fold is linear (fold-growth: 10,000 events in at most 12 times the time of 1,000) and
// that an event at the end is cheap (append-share: at most a tenth of folding 1,000 anew, status included). Ratios of
// works that follow each other say the same on any machine; the middle one of many is reported, and none ever fails. Ten
// small folds are timed together, so that the garbage collector gets its share of small and large alike.
func BenchmarkFold(b *testing.B) {
	small, large := benchEvents(1_000), benchEvents(10_000)
	last := small[len(small)-1]
	var growth, share, fold, add []float64
	for b.Loop() {
		folding := took(func() {
			for range 10 {
				benchFold(small)
			}
		}) / 10
		growth = append(growth, took(func() { benchFold(large) })/folding)

		folded := benchFold(small)
		next := protocol.Event{Hold: last.Hold, Kind: "answered", At: last.At, By: "buddy", Data: []byte(`{"took_ms":900}`)}
		adding := took(func() {
			for n := range 100 {
				next.ID, next.At = fmt.Sprintf("bench-%06d", len(small)+n+1), next.At+250
				folded.Add(next)
				folded.StatusAt(next.At)
			}
		}) / 100
		share = append(share, adding/folding)
		fold, add = append(fold, folding/1000), append(add, adding/1000)
	}
	b.ReportMetric(middle(growth), "fold-growth")
	b.ReportMetric(middle(share), "append-share")
	b.ReportMetric(middle(fold), "µs/fold-1000")
	b.ReportMetric(middle(add), "µs/append")
}

// BenchmarkSummary measures the summary of a hold of 1,000 events, as the debrief shows it.
func BenchmarkSummary(b *testing.B) {
	events := benchEvents(1_000)
	hold := benchFold(events)
	for b.Loop() {
		protocol.Summarize(hold, events[len(events)-1].At)
	}
}
