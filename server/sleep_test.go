package server

import (
	"sync/atomic"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"
)

// Ensures that a server which slept in the middle of a hold goes on with it: the
// socket stays, the next exchange of time has another clock id and includes the
// sleep, and what people recorded meanwhile is taken with its own times.
func TestH08ServerSleepsInAHold(t *testing.T) {
	mock := clock.NewMock()
	mock.Set(time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC))
	var slept atomic.Int64 // the server reads it while the test goes on
	asleep := func() time.Duration { return time.Duration(slept.Load()) }
	h := startHostWith(t, t.TempDir(), mock, NewSharedClockOn(mock, func() time.Time { return mock.Now().Add(asleep()) }, asleep))
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	startAt := h.shared.NowMs()
	buddy.record("h", "start", startAt, nil)
	buddy.send(map[string]any{"type": "time", "t1": 1})
	buddy.until("the time", func() bool { return len(buddy.times) == 1 })
	require.Equal(t, buddy.welcome["clock_id"], buddy.times[0]["clock_id"])

	mock.Add(3 * time.Second)
	slept.Store(int64(40 * time.Second)) // a suspended machine counts no time

	look := buddy.event("h", "look", startAt+25_000, nil) // recorded while it slept
	buddy.offer(look)
	buddy.until("the receipt", func() bool { return buddy.hasStored(look["id"].(string)) })
	diver.until("the look", func() bool { return diver.sees(look["id"].(string)) })
	buddy.send(map[string]any{"type": "time", "t1": 2})
	buddy.until("the time", func() bool { return len(buddy.times) == 2 })
	require.NotEqual(t, buddy.times[0]["clock_id"], buddy.times[1]["clock_id"])
	require.InDelta(t, startAt+43_000, buddy.times[1]["t3"], 1)

	now := buddy.event("h", "look", startAt+43_000, nil)
	buddy.offer(now)
	buddy.until("the receipt", func() bool { return buddy.hasStored(now["id"].(string)) })
	later := h.join(buddy.pair, "siren").connect(nil)
	require.Len(t, later.hold.Events(), 3)
	require.Equal(t, buddy.times[1]["clock_id"], later.welcome["clock_id"])
	require.Empty(t, buddy.refused)
}
