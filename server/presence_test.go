package server

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// entry finds a device in what another knows to be present.
func (d *device) entry(of *device) map[string]any {
	for _, p := range d.present {
		if p := p.(map[string]any); p["device"] == of.id {
			return p
		}
	}
	return nil
}

// said is the count in another's last heartbeat, or nil.
func (d *device) said(of *device) any {
	if e := d.entry(of); e != nil && e["state"] != nil {
		return e["state"].(map[string]any)["n"]
	}
	return nil
}

func (d *device) beat(state map[string]any) {
	m := map[string]any{"type": "presence"}
	for k, v := range state {
		m[k] = v
	}
	d.send(m)
}

func (d *device) link(of *device) any {
	if e := d.entry(of); e != nil {
		return e["link"]
	}
	return nil
}

// Ensures that what a phone says of itself reaches the others whole, and at once
// where it is new.
func TestPresenceIsPassedOn(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	buddy.until("the diver's phone", func() bool { return buddy.entry(diver) != nil })
	require.Nil(t, buddy.entry(diver)["state"])
	require.Equal(t, "phone of diver", buddy.entry(diver)["name"])

	diver.beat(map[string]any{"visible": true, "sound": "proven", "wake": false, "battery": 71, "hold": nil, "a_new_field": map[string]any{"x": 1}})
	buddy.until("its state", func() bool { return buddy.entry(diver)["state"] != nil })
	state := buddy.entry(diver)["state"].(map[string]any)
	require.Equal(t, "proven", state["sound"])
	require.Equal(t, map[string]any{"x": 1.0}, state["a_new_field"])
	require.NotContains(t, state, "type")
	require.Equal(t, buddy.id, buddy.present[0].(map[string]any)["device"], "first joined, first listed")

	diver.beat(map[string]any{"visible": false, "sound": "fault"})
	buddy.until("its fault", func() bool { return buddy.entry(diver)["state"].(map[string]any)["sound"] == "fault" })
}

// Ensures that a phone without heartbeats is stale and then lost, sooner in a
// hold than out of one, and live again with the next.
func TestPresenceExpires(t *testing.T) {
	h, mock := newMockHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	beats := 0
	// A heartbeat of the buddy's phone that the server has taken in: after it the
	// server's timers are set, and time may move.
	alive := func() {
		beats++
		buddy.beat(map[string]any{"n": beats})
		diver.until("the buddy's heartbeat", func() bool { return diver.said(buddy) == float64(beats) })
	}
	pass := func(d time.Duration) {
		for ; d > 0; d -= 500 * time.Millisecond {
			mock.Add(500 * time.Millisecond)
			alive()
		}
	}
	linkOf := func(want string) {
		t.Helper()
		buddy.until("the diver's phone to be "+want, func() bool { return buddy.link(diver) == want })
	}
	alive()
	linkOf("live")
	pass(7500 * time.Millisecond)
	require.Equal(t, "live", buddy.link(diver), "out of a hold heartbeats are 5 s apart")
	pass(500 * time.Millisecond)
	linkOf("stale")
	pass(4 * time.Second)
	linkOf("lost")

	diver.beat(nil)
	linkOf("live")
	buddy.record("h", "start", h.shared.NowMs(), nil)
	pass(2500 * time.Millisecond)
	require.Equal(t, "live", buddy.link(diver))
	pass(500 * time.Millisecond)
	linkOf("stale")
	pass(2 * time.Second)
	linkOf("lost")
	require.GreaterOrEqual(t, buddy.entry(diver)["age_ms"], 5000.0)
	diver.beat(nil)
	linkOf("live")
}

// Ensures that a phone which was idle when a hold began is given the time of a
// hold from then on, and not called lost in arrears.
func TestPresenceTightensWithTheHold(t *testing.T) {
	h, mock := newMockHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	diver.beat(map[string]any{"n": 1})
	buddy.until("a heartbeat", func() bool { return buddy.said(diver) == 1.0 })
	mock.Add(4 * time.Second)
	buddy.beat(map[string]any{"n": 1})
	buddy.record("h", "start", h.shared.NowMs(), nil)
	require.Equal(t, "live", buddy.link(diver))
	mock.Add(2900 * time.Millisecond)
	buddy.beat(map[string]any{"n": 2})
	diver.until("the buddy's second heartbeat", func() bool { return diver.said(buddy) == 2.0 })
	require.Equal(t, "live", diver.link(diver))
	mock.Add(100 * time.Millisecond)
	buddy.until("stale", func() bool { return buddy.link(diver) == "stale" })
}

// Ensures that the age of a phone that is gone is counted from one instant in
// every frame: digits that stand still would shake by rounding.
func TestAgesAreOfOneInstant(t *testing.T) {
	h, mock := newMockHost(t)
	mock.Add(600 * time.Microsecond)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	buddy.until("the diver's phone", func() bool { return buddy.entry(diver) != nil })
	heard := map[float64]bool{}
	for beat := range 20 {
		mock.Add(time.Second + 137*time.Microsecond)
		buddy.beat(map[string]any{"n": beat})
		diver.until("a frame", func() bool { return diver.said(buddy) == float64(beat) })
		buddy.until("the same frame", func() bool { return buddy.said(buddy) == float64(beat) })
		if e := buddy.entry(diver); e != nil {
			heard[buddy.presentAt-e["age_ms"].(float64)] = true
		}
	}
	require.Len(t, heard, 1)
}

// Ensures that nobody looks gone when shared time leaps, as it may after a restart.
func TestAgesDoNotLeap(t *testing.T) {
	h, mock := newMockHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	buddy.until("the diver's phone", func() bool { return buddy.entry(diver) != nil })
	h.shared.GoOnFrom(h.shared.NowMs() + 60_000)
	mock.Add(time.Second)
	buddy.beat(map[string]any{"n": 1})
	buddy.until("a frame", func() bool { return buddy.said(buddy) == 1.0 })
	require.InDelta(t, 1000, buddy.entry(diver)["age_ms"], 1)
}
