package server

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// statusOf folds what a device or board has seen of one hold.
func (d *device) statusOf(hold string, at int64) protocol.Status {
	h := protocol.NewHold(hold)
	for _, e := range d.hold.Events() {
		if e.Hold == hold {
			h.Add(e)
		}
	}
	return h.StatusAt(at)
}

// signOfLife asks for the time, since whoever says nothing for long is cut off.
func (d *device) signOfLife(until func(string, func() bool)) {
	asked := len(d.times)
	d.send(map[string]any{"type": "time", "t1": 1})
	until("the time", func() bool { return len(d.times) > asked })
}

// viewer is a device or a board, with what it has seen.
type viewer interface {
	until(what string, holds func() bool)
	statusOf(hold string, at int64) protocol.Status
}

// Ensures that one count of a board reaches each pair's phones with a zero of
// its own and no other pair; that a second board sees all of it and can call one
// pair off; that a hold which runs already is not touched; and that pairs with
// the same plan then come to their late stage as far apart as they started.
func TestGroupStart(t *testing.T) {
	h, mock := newMockHost(t)
	const pairs, apartMs, leadMs = 4, 25_000, 60_000
	var buddies, divers [pairs]*device
	holdOf := func(i int) string { return buddies[i].id + "-h01" }
	for i := range pairs {
		buddies[i] = h.join("new", "buddy").connect(nil)
		divers[i] = h.join(buddies[i].pair, "diver").connect(nil)
		buddies[i].record(holdOf(i), "plan", h.shared.NowMs(), map[string]any{"planned_s": 120, "setting": "pool", "cadence": "standard"})
	}
	const running, calledOff, nobodyPresses = 3, 2, 1
	before := h.shared.NowMs()
	buddies[running].record(holdOf(running), "start", before, nil)

	board, second := h.board(), h.board()
	var zeros [pairs]int64
	for i := range pairs {
		zeros[i] = before + leadMs + int64(i)*apartMs
		board.recordIn(buddies[i].pair, holdOf(i), "breathe-up", before, map[string]any{"zero_at": zeros[i], "group": "g1"})
	}
	for i := range pairs {
		for _, d := range []viewer{buddies[i], divers[i], second} {
			d.until("the count", func() bool { return d.statusOf(holdOf(i), before).ZeroAt != nil })
			require.Equal(t, zeros[i], *d.statusOf(holdOf(i), before).ZeroAt)
		}
		for k := range pairs {
			require.Equal(t, k == i, divers[i].statusOf(holdOf(k), before).ZeroAt != nil, "a pair hears of its own count alone")
		}
	}
	require.Equal(t, before, *divers[running].statusOf(holdOf(running), before).StartAt)
	require.Equal(t, protocol.Holding, divers[running].statusOf(holdOf(running), before).Phase)

	second.recordIn(buddies[calledOff].pair, holdOf(calledOff), "breathe-up", before+1, nil)
	for _, d := range []viewer{buddies[calledOff], divers[calledOff], board} {
		d.until("the count to be called off", func() bool { return d.statusOf(holdOf(calledOff), before+1).ZeroAt == nil })
	}

	// One pair's buddy presses at the face-in. In another nobody does, and its
	// diver's phone counts from zero a quarter of a minute later.
	for h.shared.NowMs() < zeros[nobodyPresses]+15_000 {
		h.pass(mock, 5*time.Second)
		for i := range pairs {
			buddies[i].signOfLife(buddies[i].until)
			divers[i].signOfLife(divers[i].until)
		}
		second.signOfLife(second.until)
	}
	buddies[0].record(holdOf(0), "start", zeros[0]+800, nil)
	divers[nobodyPresses].record(holdOf(nobodyPresses), "start", zeros[nobodyPresses], nil)
	late := map[int]int64{}
	for _, i := range []int{0, nobodyPresses} {
		second.until("the hold", func() bool { return second.state(buddies[i].pair)["phase"] == "hold" })
		st := second.statusOf(holdOf(i), h.shared.NowMs())
		late[i] = *st.StartAt + st.Boundaries.LateAtMs
	}
	require.InDelta(t, apartMs, late[nobodyPresses]-late[0], 1_000)
	require.Equal(t, "breathe-up", second.state(buddies[calledOff].pair)["phase"])
}
