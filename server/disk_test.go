package server

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// Ensures that a hold goes on while the disk fails: nothing is acknowledged, the
// others are told all the same, and what is offered again later is stored.
func TestH08FailingDisk(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	before := buddy.record("h", "asked", h.shared.NowMs(), nil)

	mend := h.breakDisk()
	e := buddy.event("h", "no-answer", h.shared.NowMs(), nil)
	id := e["id"].(string)
	buddy.offer(e)
	buddy.until("the bad news", func() bool { return names(buddy.errors, id) })
	require.Equal(t, "not-stored", buddy.errors[0]["code"])
	require.NotContains(t, buddy.errors[0]["reason"], "SQL", "what went wrong inside is for the log")
	diver.until("the event", func() bool { return diver.sees(id) })
	status, answer := h.post("/api/events", map[string]any{"token": buddy.token, "pair": buddy.pair, "events": []any{e}})
	require.Equal(t, http.StatusOK, status)
	require.Empty(t, answer["stored"])
	require.Equal(t, "not-stored", answer["refused"].([]any)[0].(map[string]any)["code"])
	require.False(t, buddy.hasStored(id))

	mend()
	buddy.offer(before, e)
	buddy.until("the receipt", func() bool { return buddy.hasStored(id) })
	later := h.join(buddy.pair, "siren").connect(nil)
	require.Len(t, later.hold.Events(), 2)
}

// Ensures that a pair whose stored events were spoilt is not shown as if it were
// whole.
func TestH20SpoiltEventsAreNotServed(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	other := h.join("new", "buddy")
	e := buddy.record("h", "look", h.shared.NowMs(), nil)
	h.spoil(e["id"].(string))
	ws, _, err := h.dial(nil)
	require.NoError(t, err)
	defer ws.Close()
	again := &device{h: h, ws: ws}
	again.send(map[string]any{"type": "hello", "v": 1, "token": buddy.token, "pair": buddy.pair, "device": buddy.id})
	again.closed()
	require.Equal(t, "failed", again.errors[0]["code"])
	other.connect(nil)
}
