package server

import (
	"net/http"
	"testing"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"
)

// counters reads `have` and `beyond` of one device out of a welcome or an answer.
func counters(m map[string]any, device string) (upTo any, beyond any) {
	return m["have"].(map[string]any)[device], m["beyond"].(map[string]any)[device]
}

// Ensures that a host which has lost events gets them back from whichever phone has them: it says truly what it has, in
// the welcome and in the answer to a plain request, and takes what others hand over by either way.
func TestH08WhatTheHostLostComesBack(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	now := h.shared.NowMs()
	var made []map[string]any
	for _, kind := range []string{"plan", "start", "look", "asked", "answered"} {
		e := buddy.sealed(buddy.event(buddy.id+"-h01", kind, now, nil))
		buddy.offer(e)
		made = append(made, e)
	}
	id := func(n int) string { return made[n-1]["id"].(string) }
	diver.until("the last event", func() bool { return diver.sees(id(5)) })
	buddy.until("the last receipt", func() bool { return buddy.hasStored(id(5)) })
	h.stop()

	// A copy of the folder from earlier is put back, and the buddy's phone is gone.
	h2 := startHost(t, h.dir, clock.New())
	h2.alter("DELETE FROM event WHERE id IN (?, ?, ?)", id(2), id(4), id(5))
	diver.h, diver.stored = h2, nil
	diver.connect(map[string]int64{buddy.id: 5})
	upTo, beyond := counters(diver.welcome, buddy.id)
	require.EqualValues(t, 1, upTo, "all up to the first that is lost")
	require.Equal(t, []any{[]any{3.0, 3.0}}, beyond, "and what is above it")
	require.Empty(t, diver.welcome["events"])

	siren := h2.join(buddy.pair, "siren").connect(nil)
	require.False(t, siren.sees(id(2)))
	diver.offer(made[1], made[3])
	diver.until("the receipts", func() bool { return diver.hasStored(id(2)) && diver.hasStored(id(4)) })
	siren.until("what came back", func() bool { return siren.sees(id(2)) && siren.sees(id(4)) })

	ask := func(events []any, have map[string]any) map[string]any {
		status, answer := h2.post("/api/events", map[string]any{"token": diver.token, "pair": diver.pair, "events": events, "have": have})
		require.Equal(t, http.StatusOK, status, answer)
		return answer
	}
	upTo, beyond = counters(ask([]any{}, map[string]any{buddy.id: 5}), buddy.id)
	require.EqualValues(t, 4, upTo)
	require.Nil(t, beyond)
	answer := ask([]any{made[4]}, map[string]any{buddy.id: 3})
	require.Equal(t, []any{id(5)}, answer["stored"])
	upTo, _ = counters(answer, buddy.id)
	require.EqualValues(t, 5, upTo)
	require.Len(t, answer["events"], 2, "what the asker said it lacks")
	siren.until("the last one", func() bool { return siren.sees(id(5)) })
}

// Ensures that whoever comes in while the disk refuses to write is told of what was passed on, in the welcome and in the
// answer to a plain request; its own maker too, which may have forgotten it.
func TestH08WhatWasPassedOnIsToldThoughTheDiskIsFull(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	hold := buddy.id + "-h01"
	buddy.record(hold, "start", h.shared.NowMs(), nil)
	mend := h.breakDisk()
	e := buddy.sealed(buddy.event(hold, "no-answer", h.shared.NowMs(), nil))
	id := e["id"].(string)
	buddy.offer(e)
	buddy.until("the bad news", func() bool { return names(buddy.errors, id) })

	diver := h.join(buddy.pair, "diver").connect(nil)
	require.True(t, diver.sees(id))
	upTo, beyond := counters(diver.welcome, buddy.id)
	require.EqualValues(t, 1, upTo, "it is not on the disk")
	require.Nil(t, beyond)
	buddy.connect(map[string]int64{buddy.id: 1})
	require.True(t, buddy.sees(id))
	knows := h.join(buddy.pair, "siren").connect(map[string]int64{buddy.id: 2})
	require.False(t, knows.sees(id), "it has it already")
	_, answer := h.post("/api/events", map[string]any{"token": diver.token, "pair": diver.pair, "events": []any{}, "have": map[string]any{buddy.id: 1}})
	require.Len(t, answer["events"], 1)
	require.Equal(t, id, answer["events"].([]any)[0].(map[string]any)["id"])

	mend()
	diver.offer(e)
	diver.until("the receipt", func() bool { return diver.hasStored(id) })
}
