package server

import (
	"net/http"
	"strings"
	"testing"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"
)

// halfErased is a host of whose diver Ilse an erase took away the events, while the disk kept copies of them.
func halfErased(t *testing.T) (h *host, erase func() (int, map[string]any), mend func(), mock *clock.Mock) {
	h, mock = newMockHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	aHold(t, buddy, diver, buddy.id+"-h01")
	buddy.record(buddy.id+"-h01", "note", h.shared.NowMs(), map[string]any{"text": "Ilse had a bad night"})
	require.NotEmpty(t, h.filesWith("Ilse"), "the test would prove nothing")
	mend = h.breakDisk()
	erase = func() (int, map[string]any) {
		return h.post("/api/erase", map[string]any{"token": diver.token, "diver": map[string]any{"name": "Ilse"}, "confirm": "ilse"})
	}
	status, answer := erase()
	require.Equal(t, http.StatusInternalServerError, status, answer)
	require.Equal(t, "not-wiped", answer["code"])
	require.NotEmpty(t, h.filesWith("Ilse"))
	for _, d := range []*device{buddy, diver} {
		d.until("it is told what to erase", func() bool { return d.erased != nil })
	}
	_, log := h.post("/api/log", map[string]any{"token": diver.token})
	require.Empty(t, log["holds"], "nor is any line of the log kept")
	return h, erase, mend, mock
}

// filesWith tells which files of the host have a text in them.
func (h *host) filesWith(text string) (names []string) {
	for _, name := range filesIn(h.t, h.dir) {
		if strings.Contains(readFile(h.t, name), text) {
			names = append(names, name)
		}
	}
	return names
}

// Ensures that an erase that could not take all bytes out of the host's files can be done once more, which says so as long
// as it is not through; and that the phones and the log have heard of it by the first time.
func TestH21EraseOnceMore(t *testing.T) {
	h, erase, mend, _ := halfErased(t)
	status, answer := erase()
	require.Equal(t, http.StatusInternalServerError, status, "it is not through before the disk works")
	require.Equal(t, "not-wiped", answer["code"])
	mend()
	begun := h.join("new", "buddy").connect(nil)
	begun.record(begun.id+"-h01", "plan", h.shared.NowMs()-9_000, map[string]any{"diver": "Tuva", "planned_s": 120})
	start := begun.record(begun.id+"-h01", "start", h.shared.NowMs()-5_000, nil)
	_, answer = erase()
	require.Equal(t, "in-hold", answer["code"], "a hold comes first")
	begun.record(begun.id+"-h01", "amend", h.shared.NowMs(), map[string]any{"target": start["id"], "drop": true})
	status, answer = erase()
	require.Equal(t, http.StatusNotFound, status)
	require.Equal(t, "no-diver", answer["code"])
	require.Empty(t, h.filesWith("Ilse"))
}

// Ensures that the host itself gets the bytes out of its files, once its disk works and nobody is in a hold.
func TestH21WhatIsOwedIsWipedByItself(t *testing.T) {
	h, _, mend, mock := halfErased(t)
	begun := h.join("new", "buddy").connect(nil)
	mend()
	begun.record(begun.id+"-h01", "plan", h.shared.NowMs()-9_000, map[string]any{"diver": "Tuva", "planned_s": 600})
	begun.record(begun.id+"-h01", "start", h.shared.NowMs()-5_000, nil)
	owed := func() bool {
		is, err := h.store.WipeOwed(t.Context())
		require.NoError(t, err)
		return is
	}
	h.srv.wipeAgain()
	require.True(t, owed(), "not while somebody is in a hold")
	begun.record(begun.id+"-h01", "surfaced", h.shared.NowMs(), nil)
	begun.record(begun.id+"-h01", "watch-ended", h.shared.NowMs(), nil)
	waitFor(t, "the bytes to be gone", func() bool { mock.Add(wipeAgainAfter); return !owed() })
	require.Empty(t, h.filesWith("Ilse"))
}
