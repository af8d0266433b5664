package server

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/server/access"
)

// Ensures that what an instructor sets for all reaches every phone, outlives the
// server, and is for instructors only.
func TestOutingSettings(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	require.Nil(t, buddy.welcome["outing"].(map[string]any)["place"])
	board := h.board()
	status, answer := h.post("/api/outing", map[string]any{"token": board.token, "place": map[string]any{"number": "112", "at": 1}, "cadence": map[string]any{"cadence": "close"}})
	require.Equal(t, http.StatusOK, status, answer)
	place := buddy.told("outing")["outing"].(map[string]any)["place"].(map[string]any)
	require.Equal(t, "112", place["number"])
	require.InDelta(t, h.shared.NowMs(), place["at"], 60_000, "stamped by the host")
	board.until("the same", func() bool { return board.last("outing") != nil })

	h.post("/api/outing", map[string]any{"token": board.token, "cadence": nil})
	after := buddy.told("outing")["outing"].(map[string]any)
	require.Equal(t, place, after["place"], "what is not named stays")
	require.Nil(t, after["cadence"])
	for _, wrong := range []any{7, "text", []any{}, map[string]any{"text": strings.Repeat("x", maxSettingBytes)}} {
		status, answer := h.post("/api/outing", map[string]any{"token": board.token, "series": wrong})
		require.Equal(t, http.StatusBadRequest, status)
		require.Equal(t, "bad-message", answer["code"])
	}
	h.stop()
	h2 := startHost(t, h.dir, clock.New())
	buddy.h = h2
	require.Equal(t, place, buddy.connect(nil).welcome["outing"].(map[string]any)["place"])
}

// Ensures that an ended outing lets nobody in, tells its phones, and goes on
// taking what they recorded until their tokens end too.
func TestOutingEnds(t *testing.T) {
	h, mock := newMockHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	board := h.board()
	code, _ := h.srv.Code()
	now := h.shared.NowMs()
	buddy.record("h", "plan", now, map[string]any{"planned_s": 60})
	buddy.record("h", "start", now, nil)
	status, answer := h.post("/api/end", map[string]any{"token": board.token})
	require.Equal(t, http.StatusConflict, status)
	require.Equal(t, "in-hold", answer["code"])
	status, answer = h.post("/api/end", map[string]any{"token": board.token, "anyway": true})
	require.Equal(t, http.StatusOK, status, answer)
	ended := answer["ended_ms"]
	require.Equal(t, ended, buddy.told("outing")["outing"].(map[string]any)["ended_ms"])

	for path, body := range map[string]map[string]any{
		"/api/code":   {"code": code},
		"/api/pairs":  {"secret": h.srv.secret},
		"/api/join":   {"secret": h.srv.instructorSecret, "pair": "new", "role": "instructor", "device": access.NewID(), "name": ""},
		"/api/invite": {"token": buddy.token},
		"/api/pair":   {"token": board.token},
		"/api/outing": {"token": board.token, "place": nil},
	} {
		status, answer := h.post(path, body)
		require.Equal(t, http.StatusForbidden, status, path)
		require.Equal(t, "outing-ended", answer["code"], path)
	}
	buddy.record("h", "surfaced", h.shared.NowMs(), nil)
	mock.Add(tokenLife - time.Minute)
	status, _ = h.post("/api/events", map[string]any{"token": buddy.token, "pair": buddy.pair, "events": []any{}})
	require.Equal(t, http.StatusOK, status)
	mock.Add(2 * time.Minute)
	status, answer = h.post("/api/events", map[string]any{"token": buddy.token, "pair": buddy.pair, "events": []any{}})
	require.Equal(t, http.StatusUnauthorized, status)
	require.Equal(t, "bad-token", answer["code"])
	h.stop()

	// Started anew the server has another outing.
	h2 := startHost(t, h.dir, mock)
	require.NotEqual(t, board.welcome["session"], h2.srv.session.ID)
}

// Ensures that an outing nobody is at any more ends by itself.
func TestOutingEndsByItself(t *testing.T) {
	h, mock := newMockHost(t)
	h.join("new", "buddy")
	pairs := func() int {
		status, _ := h.post("/api/pairs", map[string]any{"secret": h.srv.secret})
		return status
	}
	mock.Add(outingLife - time.Minute)
	require.Equal(t, http.StatusOK, pairs())
	mock.Add(2 * time.Minute)
	require.Equal(t, http.StatusForbidden, pairs())
}

// Ensures that members see who is of the outing, and that an instructor throws a
// device out: its socket ends, its token is void, what it recorded stays.
func TestH11DevicesAreSeenAndRemoved(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	board := h.board()
	note := diver.record("h", "note", h.shared.NowMs(), nil)
	status, answer := h.post("/api/devices", map[string]any{"token": buddy.token})
	require.Equal(t, http.StatusOK, status)
	list := answer["devices"].([]any)
	require.Len(t, list, 3)
	first := list[0].(map[string]any)
	require.Equal(t, buddy.id, first["device"])
	require.Equal(t, 1.0, first["number"])
	require.Equal(t, true, first["here"])
	require.NotContains(t, first, "token")

	status, answer = h.post("/api/remove", map[string]any{"token": buddy.token, "device": diver.id})
	require.Equal(t, http.StatusForbidden, status)
	require.Equal(t, "not-allowed", answer["code"])
	before := diver.sealed(diver.event("h", "answered", h.shared.NowMs(), nil))
	status, _ = h.post("/api/remove", map[string]any{"token": board.token, "device": diver.id})
	require.Equal(t, http.StatusOK, status)
	diver.closed()
	require.Equal(t, "removed", diver.bye)
	status, answer = h.post("/api/remove", map[string]any{"token": board.token, "device": diver.id})
	require.Equal(t, http.StatusNotFound, status)
	require.Equal(t, "no-device", answer["code"])

	// Another phone hands on what the removed one had recorded by then, and no more.
	after := diver.sealed(diver.event("h", "answered", h.shared.NowMs()+1500, nil))
	buddy.offer(before, after)
	buddy.until("both answers", func() bool {
		return buddy.hasStored(before["id"].(string)) && buddy.wasRefused(after["id"].(string))
	})
	require.True(t, h.join(buddy.pair, "siren").connect(nil).sees(note["id"].(string)))
	board.until("the pair without it", func() bool { return len(board.pairs[buddy.pair]["devices"].([]any)) <= 2 })

	// A board that is removed is gone from all pairs.
	second := h.board()
	status, _ = h.post("/api/remove", map[string]any{"token": board.token, "device": second.id})
	require.Equal(t, http.StatusOK, status)
	second.closed()
	require.Equal(t, "removed", second.bye)
}
