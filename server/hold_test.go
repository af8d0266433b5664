package server

import (
	"encoding/json"
	"math/rand/v2"
	"testing"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// aHold records a hold by raw messages: the buddy's phone what a buddy sees, the
// diver's phone its answers. It began agoMs before now and is over.
func aHold(t *testing.T, buddy, diver *device, hold string) (over int64) {
	t.Helper()
	start := buddy.h.shared.NowMs() - 400_000
	buddy.record(hold, "plan", start-60_000, map[string]any{"diver": "Ilse", "buddy": "Marek", "setting": "dry", "planned_s": 120, "cadence": "standard"})
	buddy.record(hold, "breathe-up", start-50_000, nil)
	buddy.record(hold, "start", start, nil)
	buddy.record(hold, "look", start+28_000, nil)
	buddy.record(hold, "asked", start+55_000, nil)
	diver.record(hold, "answered", start+56_000, map[string]any{"took_ms": 1000})
	buddy.record(hold, "contraction", start+70_000, map[string]any{"site": "belly"})
	for _, s := range []int64{66, 75, 83} {
		buddy.record(hold, "answered", start+s*1000, nil)
	}
	buddy.record(hold, "surfaced", start+90_000, nil)
	buddy.record(hold, "ok", start+96_000, nil)
	for _, s := range []int64{8, 15, 22, 30, 45, 60} {
		buddy.record(hold, "look", start+90_000+s*1000, nil)
	}
	buddy.record(hold, "watch-ended", start+151_000, nil)
	buddy.record(hold, "verdict", start+170_000, map[string]any{"what": "clean"})
	return start + 170_000
}

// shownBy folds what a device has seen of one hold.
func shownBy(t *testing.T, d *device, hold string, at int64) string {
	t.Helper()
	h := protocol.NewHold(hold)
	for _, e := range d.hold.Events() {
		if e.Hold == hold {
			h.Add(e)
		}
	}
	text, err := json.Marshal(struct {
		protocol.Status
		Summary protocol.Summary
	}{h.StatusAt(at), protocol.Summarize(h, at)})
	require.NoError(t, err)
	return string(text)
}

// Ensures that a hold run by two phones over the socket is the same hold for
// both, and for a third that joins when it is over.
func TestPairHoldIsTheSameForBoth(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	over := aHold(t, buddy, diver, buddy.id+"-h01")

	siren := h.join(buddy.pair, "siren").connect(nil)
	want := shownBy(t, siren, buddy.id+"-h01", over)
	require.Contains(t, want, `"phase":"over"`)
	require.Contains(t, want, `"verdict":"clean"`)
	require.Contains(t, want, `"answer_median_ms":1000`)
	require.Len(t, siren.hold.Events(), buddy.count+diver.count)

	// What a device recorded itself is not sent back to it; it knows that already.
	others := func(d *device, own *device) int { return len(d.hold.Events()) + own.count }
	diver.until("the buddy's events", func() bool { return others(diver, diver) == buddy.count+diver.count })
	buddy.until("the diver's events", func() bool { return others(buddy, buddy) == buddy.count+diver.count })
	for _, d := range []*device{buddy, diver} {
		again := &device{h: h, id: d.id, pair: d.pair, role: d.role, token: d.token}
		again.connect(nil)
		require.JSONEq(t, want, shownBy(t, again, buddy.id+"-h01", over))
	}
}

// Ensures that holds and tokens outlive the server, and that a phone is sent
// only what it lacks.
func TestH08RestartKeepsHolds(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	over := aHold(t, buddy, diver, buddy.id+"-h01")
	before := &device{h: h, id: buddy.id, pair: buddy.pair, role: "buddy", token: buddy.token}
	want := shownBy(t, before.connect(nil), buddy.id+"-h01", over)
	oldSecret := h.srv.secret
	h.stop()

	h2 := startHost(t, h.dir, clock.New())
	require.NotEqual(t, oldSecret, h2.srv.secret)
	buddy.h, diver.h = h2, h2
	buddy.connect(nil)
	require.JSONEq(t, want, shownBy(t, buddy, buddy.id+"-h01", over))
	require.Equal(t, float64(buddy.count), buddy.welcome["have"].(map[string]any)[buddy.id])
	require.Equal(t, before.welcome["session"], buddy.welcome["session"], "the outing goes on")

	diver.connect(map[string]int64{buddy.id: int64(buddy.count) - 2, diver.id: int64(diver.count)})
	require.Len(t, diver.hold.Events(), 2)
}

// Ensures that a phone which comes back with a whole hold, in any order and
// partly a second time, leaves one hold on the server.
func TestEventsInAnyOrderAndTwice(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	hold := buddy.id + "-h01"
	start := h.shared.NowMs() - 200_000
	var events []map[string]any
	for i := range int64(120) {
		kind := []string{"look", "asked", "answered"}[i%3]
		events = append(events, buddy.event(hold, kind, start+i*1000, nil))
	}
	events = append(events, events[:40]...)
	rand.New(rand.NewPCG(7, 7)).Shuffle(len(events), func(i, j int) { events[i], events[j] = events[j], events[i] })
	buddy.offer(events[:100]...)
	buddy.offer(events[100:]...)
	for _, e := range events {
		buddy.until("all to be stored", func() bool { return buddy.hasStored(e["id"].(string)) })
	}
	require.Empty(t, buddy.refused)
	later := h.join(buddy.pair, "buddy").connect(nil)
	require.Len(t, later.hold.Events(), 120)
	require.Equal(t, float64(120), later.welcome["have"].(map[string]any)[buddy.id])
}

// Ensures that a gap is told as such, so that the phone sends what fills it.
func TestHaveStopsAtTheFirstGap(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	at := h.shared.NowMs()
	var events []map[string]any
	for range 6 {
		events = append(events, buddy.event("h", "look", at, nil))
	}
	haveNow := func() any {
		d := &device{h: h, id: buddy.id, pair: buddy.pair, role: "buddy", token: buddy.token}
		return d.connect(nil).welcome["have"].(map[string]any)[buddy.id]
	}
	send := func(i int) {
		buddy.offer(events[i])
		buddy.until("stored", func() bool { return buddy.hasStored(events[i]["id"].(string)) })
	}
	send(0)
	send(1)
	send(4)
	require.Equal(t, 2.0, haveNow())
	send(2)
	send(5)
	require.Equal(t, 3.0, haveNow())
	send(3)
	require.Equal(t, 6.0, haveNow())
}

// Ensures that an event which is never taken leaves a gap that costs nothing:
// what lies above it is sent to nobody who has it, by socket or by request.
func TestH08AGapThatStaysIsNotSentOver(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	at := h.shared.NowMs()
	buddy.record("h", "look", at, nil)
	wrong := buddy.event("h", "look", at, nil)
	wrong["by"] = "siren"
	buddy.offer(wrong)
	buddy.until("the refusal", func() bool { return buddy.wasRefused(wrong["id"].(string)) })
	for range 3 {
		buddy.record("h", "look", at, nil)
	}
	beyond := map[string]any{buddy.id: []any{[]any{3, 5}}}
	counts := map[string]any{"v": 1, "have": map[string]any{buddy.id: 1}, "beyond": beyond}
	diver := h.join(buddy.pair, "diver").connect(nil)
	require.Len(t, diver.hold.Events(), 4)
	require.Equal(t, map[string]any{buddy.id: []any{[]any{3.0, 5.0}}}, diver.welcome["beyond"])
	require.Equal(t, map[string]any{buddy.id: 1.0}, diver.welcome["have"])

	ws, _, err := h.dial(nil)
	require.NoError(t, err)
	defer ws.Close()
	again := &device{h: h, ws: ws, id: diver.id, pair: diver.pair, role: "diver", token: diver.token, hold: protocol.NewHold("all")}
	again.hello(counts)
	require.Empty(t, again.hold.Events())
	next := buddy.record("h", "look", at, nil)
	again.until("what is new", func() bool { return again.sees(next["id"].(string)) })
	require.Len(t, again.hold.Events(), 1)

	_, answer := h.post("/api/events", map[string]any{"token": diver.token, "pair": diver.pair, "events": []any{}, "have": counts["have"], "beyond": beyond})
	require.Len(t, answer["events"], 1)
	require.Equal(t, map[string]any{buddy.id: []any{[]any{3.0, 6.0}}}, answer["beyond"])
}

// Ensures that a long history arrives whole and says where it goes on.
func TestBacklogComesInSeveralFrames(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	at := h.shared.NowMs() - 1_000_000
	for range 5 {
		var batch []map[string]any
		for range 150 {
			batch = append(batch, buddy.event("h", "look", at+int64(buddy.count), nil))
		}
		buddy.offer(batch...)
		last := batch[149]["id"].(string)
		buddy.until("the batch to be stored", func() bool { return buddy.hasStored(last) })
	}
	d := h.join(buddy.pair, "diver").connect(nil)
	more := d.welcome["more"] == true
	frames := 1
	for more {
		m := d.next()
		if m["type"] == "events" {
			more = m["more"] == true
			frames++
		}
	}
	require.Equal(t, 4, frames)
	require.Len(t, d.hold.Events(), 750)
}
