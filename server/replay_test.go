package server

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// proofOf gives the time since the last proof in a hold as a device sees it.
func (d *device) silence(hold string, at int64) int64 {
	h := protocol.NewHold(hold)
	for _, e := range d.hold.Events() {
		h.Add(e)
	}
	st := h.StatusAt(at)
	require.NotNil(d.h.t, st.SilenceMs, st)
	return *st.SilenceMs
}

// Ensures that an answer which is sent again, sent with another content, or
// dated ahead never moves the proof, and that the server makes no events itself.
func TestH22ResentAndFutureEventsProveNothing(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	watcher := h.join(buddy.pair, "siren").connect(nil)
	now := h.shared.NowMs()
	start := now - 30_000
	buddy.record("h", "plan", start-1000, map[string]any{"planned_s": 120, "setting": "dry", "cadence": "standard"})
	buddy.record("h", "start", start, nil)
	answer := buddy.record("h", "answered", start+10_000, nil)
	check := func() {
		t.Helper()
		mark := buddy.record("h", "note", start+1, nil)
		watcher.until("the mark", func() bool { return watcher.sees(mark["id"].(string)) })
		require.Equal(t, int64(20_000), watcher.silence("h", now))
	}
	check()

	for range 3 {
		buddy.offer(answer)
	}
	check()

	moved := map[string]any{}
	for k, v := range answer {
		moved[k] = v
	}
	moved["at"] = now - 100
	buddy.offer(moved)
	buddy.until("a refusal", func() bool { return buddy.refusedFor(answer["id"].(string)) == "conflict" })
	check()

	for _, ahead := range []int64{2_500, 60_000, 3_600_000} {
		e := buddy.event("h", "answered", h.shared.NowMs()+ahead, nil)
		buddy.offer(e)
		buddy.until("a refusal", func() bool { return buddy.wasRefused(e["id"].(string)) })
		require.Equal(t, "future", buddy.refusedFor(e["id"].(string)))
	}
	// A reading is no proof, however good it looks.
	buddy.record("h", "reading", now-50, map[string]any{"spo2": 99, "hr": 60})
	check()

	known := buddy.count
	for _, e := range watcher.hold.Events() {
		require.Contains(t, []string{buddy.id}, protocol.DeviceOf(e.ID))
	}
	require.LessOrEqual(t, len(watcher.hold.Events()), known)
}

// Ensures the borders of the times that are taken: 2 s ahead, a start 60 s
// ahead, a day back.
func TestTimesThatAreTaken(t *testing.T) {
	h, _ := newMockHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	now := h.shared.NowMs()
	for _, c := range []struct {
		kind string
		at   int64
		code string
	}{
		{"look", now + 2_000, ""},
		{"look", now + 2_001, "future"},
		{"start", now + 60_000, ""},
		{"start", now + 60_001, "future"},
		{"look", now - 86_400_000, ""},
		{"look", now - 86_400_001, "too-far"},
		{"start", now + 86_400_001, "too-far"},
	} {
		e := buddy.event("h", c.kind, c.at, nil)
		buddy.offer(e)
		id := e["id"].(string)
		buddy.until("an answer", func() bool { return buddy.hasStored(id) || buddy.wasRefused(id) })
		require.Equal(t, c.code, buddy.refusedFor(id), fmt.Sprint(c.kind, c.at-now))
	}
}

// Ensures that an event which was stored in time is still acknowledged a day
// later, so that no phone keeps it for ever.
func TestAnOldEventThatIsStoredIsAcknowledged(t *testing.T) {
	h, mock := newMockHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	e := buddy.record("h", "look", h.shared.NowMs(), nil)
	mock.Add(25 * time.Hour)
	buddy.connect(nil)
	buddy.stored = nil
	fresh := buddy.event("h", "look", e["at"].(int64), nil)
	buddy.offer(e, fresh)
	buddy.until("both answers", func() bool {
		return buddy.hasStored(e["id"].(string)) && buddy.wasRefused(fresh["id"].(string))
	})
	require.Equal(t, "too-far", buddy.refusedFor(fresh["id"].(string)))
}
