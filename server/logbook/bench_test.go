package logbook

import (
	"bytes"
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// took times one run.
func took(run func()) float64 {
	from := time.Now()
	run()
	return time.Since(from).Seconds()
}

// BenchmarkLogOf5000Holds reports ratios to floors measured in the same run: how much longer an import of 5,000 holds takes
// than ten imports of 500 (growth), how much longer than merely storing the same events in the same portions (floor), and
// how much longer a table, lines and an export take than reading the events from the file.
func BenchmarkLogOf5000Holds(b *testing.B) {
	for range b.N {
		texts := map[int][]byte{}
		seconds := map[int]float64{}
		for _, holds := range []int{500, 5_000} {
			source, target := open(b), open(b)
			fill(b, source, holds)
			texts[holds] = exported(b, source, Scope{})
			seconds[holds] = took(func() { require.Zero(b, imported(b, target, texts[holds]).Refused) })
			if holds == 5_000 {
				measureReading(b, target)
			}
			require.NoError(b, source.Close())
			require.NoError(b, target.Close())
		}
		b.ReportMetric(seconds[5_000], "import-s")
		b.ReportMetric(seconds[5_000]/seconds[500]/10, "import-growth")
		b.ReportMetric(seconds[5_000]/storing(b, texts[5_000]), "import/floor")
	}
}

// fill makes holds in portions, as phones bring them.
func fill(b *testing.B, st *store.Store, holds int) {
	addPair(b, st, "p1")
	m := &maker{t: b, device: phone}
	var events []protocol.Event
	for n := 1; n <= holds; n++ {
		events = append(events, m.hold(n, map[string]any{"diver": "Ansa", "buddy": "Odo"}, map[string]any{"text": "x"})...)
		if len(events) >= batchEvents || n == holds {
			add(b, st, "p1", events...)
			events = nil
		}
	}
}

// storing is the floor of an import: the same events, read already, stored in the same portions.
func storing(b *testing.B, text []byte) float64 {
	st := open(b)
	var filed []store.Filed
	r := &reader{addPair: func(int, outingLine, pairLine) error { return nil }, addEvent: func(_ int, f store.Filed) error { filed = append(filed, f); return nil }}
	require.NoError(b, r.read(context.Background(), bytes.NewReader(text)))
	addPair(b, st, "p1")
	return took(func() {
		for len(filed) > 0 {
			n := min(batchEvents, len(filed))
			_, err := st.Import(filed[:n], false)
			require.NoError(b, err)
			filed = filed[n:]
		}
	})
}

func measureReading(b *testing.B, st *store.Store) {
	ctx := context.Background()
	floor := took(func() {
		all, err := st.Holds(ctx, "")
		require.NoError(b, err)
		for _, h := range all {
			_, err := st.Hold(ctx, h.Pair, h.Hold)
			require.NoError(b, err)
		}
	})
	ratio := func(name string, run func()) { b.ReportMetric(took(run)/floor, name+"/floor") }
	ratio("csv", func() {
		_, err := WriteCSV(ctx, st, &bytes.Buffer{}, Scope{}, time.UTC, now())
		require.NoError(b, err)
	})
	ratio("jsonl", func() {
		_, err := WriteLines(ctx, st, &bytes.Buffer{}, Scope{}, now())
		require.NoError(b, err)
	})
	lines := NewLines(st, LocaleOf(time.UTC))
	for _, name := range []string{"lines", "lines-again"} {
		ratio(name, func() {
			_, err := lines.Of(ctx, Scope{}, now())
			require.NoError(b, err)
		})
	}
}
