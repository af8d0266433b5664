package logbook

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

const (
	startMs = int64(1_790_000_000_000)
	phone   = "aaaaaaaaaa"
)

func now() int64 { return startMs + 300*86_400_000 }

func open(t testing.TB) *store.Store { return openIn(t, t.TempDir()) }

func openIn(t testing.TB, dir string) *store.Store {
	t.Helper()
	st, err := store.Open(dir, now)
	require.NoError(t, err)
	t.Cleanup(func() { st.Close() })
	return st
}

// maker makes events of one phone, with counters that go on.
type maker struct {
	t      testing.TB
	device string
	n      int
}

func (m *maker) event(hold, kind, by string, at int64, data map[string]any) protocol.Event {
	m.n++
	fields := map[string]any{"id": fmt.Sprintf("%s-%06d", m.device, m.n), "hold": hold, "kind": kind, "at": at, "err": 3, "by": by}
	if data != nil {
		fields["data"] = data
	}
	text, err := json.Marshal(fields)
	require.NoError(m.t, err)
	e, err := protocol.Decode(text)
	require.NoError(m.t, err)
	return e
}

// hold makes a whole clean hold of 100 s and more, one second longer for each number.
func (m *maker) hold(n int, plan map[string]any, note map[string]any) []protocol.Event {
	hold := fmt.Sprintf("%s-h%02d", m.device, n)
	at := startMs + int64(n)*3_600_000
	up := at + 100_000 + int64(n)*1_000
	full := map[string]any{"setting": "dry", "planned_s": 180, "cadence": "standard"}
	for k, v := range plan {
		full[k] = v
	}
	return []protocol.Event{
		m.event(hold, "plan", "buddy", at-60_000, full),
		m.event(hold, "start", "buddy", at, nil),
		m.event(hold, "look", "buddy", at+25_000, nil),
		m.event(hold, "contraction", "buddy", at+50_000, map[string]any{"site": "belly"}),
		m.event(hold, "asked", "buddy", at+60_000, nil),
		m.event(hold, "answered", "buddy", at+60_900, map[string]any{"took_ms": 900}),
		m.event(hold, "surfaced", "buddy", up, nil),
		m.event(hold, "ok", "buddy", up+5_000, nil),
		m.event(hold, "reading", "buddy", up+12_000, map[string]any{"spo2": 91, "hr": 55, "source": "typed"}),
		m.event(hold, "watch-ended", "buddy", up+61_000, nil),
		m.event(hold, "note", "buddy", up+90_000, note),
		m.event(hold, "verdict", "buddy", up+95_000, map[string]any{"what": "clean"}),
	}
}

// addPair makes an outing with one pair; its id is that of the pair.
func addPair(t testing.TB, st *store.Store, id string) {
	t.Helper()
	require.NoError(t, st.AddPast(store.Session{ID: "out-" + id, StartedMs: startMs}, []store.PastPair{{Pair: store.Pair{ID: id, Session: "out-" + id, Number: 1}, MadeMs: startMs}}))
}

func add(t testing.TB, st *store.Store, pair string, events ...protocol.Event) {
	t.Helper()
	done := make(chan error, 1)
	st.Append(pair, events, func(_ []store.Outcome, err error) { done <- err })
	require.NoError(t, <-done)
}

// anOuting fills a store with Ansa's and Odo's holds, who take turns, and Ansa's profile.
func anOuting(t testing.TB, st *store.Store, holds int) {
	t.Helper()
	addPair(t, st, "p1")
	m := &maker{t: t, device: phone}
	add(t, st, "p1", m.event(phone+"-h00", "profile", "buddy", startMs, map[string]any{"diver_id": "ansa0", "name": "Ansa Quellmoor", "remarks": "slow on Mondays"}))
	for n := 1; n <= holds; n++ {
		plan, note := map[string]any{"diver": "Ansa Quellmoor", "diver_id": "ansa0", "buddy": "Odo Tannhag"}, map[string]any{"text": "a heavy secret of Ansa", "conditions": []string{"cold"}}
		if n%2 == 0 {
			plan, note = map[string]any{"diver": "Odo Tannhag", "buddy": "Ansa Quellmoor", "buddy_id": "ansa0"}, map[string]any{"text": "Odo was well", "about": "buddy"}
		}
		add(t, st, "p1", m.hold(n, plan, note)...)
	}
}

func exported(t testing.TB, st *store.Store, scope Scope) []byte {
	t.Helper()
	var out bytes.Buffer
	_, err := WriteLines(context.Background(), st, &out, scope, now())
	require.NoError(t, err)
	return out.Bytes()
}

func imported(t testing.TB, st *store.Store, text []byte) Report {
	t.Helper()
	report, err := Import(context.Background(), st, bytes.NewReader(text), Options{})
	require.NoError(t, err)
	return report
}
