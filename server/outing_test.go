package server

import (
	"fmt"
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
	require.False(t, h.srv.codes.Try(code), "a code ends with its outing, whoever asks")

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

// earlier is what the tokens of an earlier outing's buddy and instructor are
// answered where they ask for what is the present one's. "" is no refusal: what
// they are given there is looked at below.
var earlier = map[string]string{
	"/api/invite": "outing-ended", "/api/pair": "not-allowed", "/api/outing": "not-allowed", "/api/remove": "not-allowed", "/api/end": "not-allowed",
	"/api/events": "not-of-pair", "/api/join": "bad-secret", "/api/accept": "no-offer",
	"/api/devices": "", "/api/leave": "", "/api/log": "", "/api/export": "", "/api/erase": "",
}

// Ensures that the tokens of an earlier outing open nothing of the present one on
// any way, while its phones still hand over and see what is their own, until
// eight days after its end.
func TestH11TokensOfAnEarlierOuting(t *testing.T) {
	for path := range mayAsk {
		require.Contains(t, earlier, path, "a request without a line in the table")
	}
	h, mock := newMockHost(t)
	buddy, chief := h.join("new", "buddy").connect(nil), h.join("", "instructor")
	diver, siren := h.join(buddy.pair, "diver").connect(nil), h.join(buddy.pair, "siren")
	aHold(t, buddy, diver, buddy.id+"-h01")
	status, answer := h.post("/api/end", map[string]any{"token": chief.token, "anyway": true})
	require.Equal(t, http.StatusOK, status, answer)
	closeAll := func(all ...*device) { // a stopping server would wait for their farewells
		for _, d := range all {
			require.NoError(t, d.ws.Close())
		}
	}
	closeAll(buddy, diver)
	h.stop()

	h = startHost(t, h.dir, mock)
	buddy.h, diver.h, chief.h = h, h, h
	present := h.join("new", "buddy").connect(nil)
	partner := h.join(present.pair, "diver").connect(nil)
	aHold(t, present, partner, present.id+"-h01")
	board := h.board()
	ask := func(path string, d *device) (int, map[string]any) {
		return h.post(path, map[string]any{
			"token": d.token, "pair": present.pair, "role": d.role, "name": "", "events": []any{}, "offer": "x", "anyway": true,
			"device": map[bool]string{true: d.id, false: present.id}[path == "/api/join"],
		})
	}
	for path, code := range earlier {
		if code == "" {
			continue
		}
		for _, d := range []*device{buddy, chief} {
			status, answer := ask(path, d)
			require.GreaterOrEqual(t, status, 400, "%s by %s", path, d.role)
			require.Equal(t, code, answer["code"], "%s by %s", path, d.role)
		}
	}
	for what, c := range map[string]struct {
		who   *device
		hello map[string]any
		code  string
	}{
		"a buddy in a pair of today":       {buddy, map[string]any{"pair": present.pair}, "not-of-pair"},
		"an instructor in a pair of today": {chief, map[string]any{"pair": present.pair}, "not-of-pair"},
		"an instructor's board":            {chief, map[string]any{"board": true}, "not-allowed"},
	} {
		ws, _, err := h.dial(nil)
		require.NoError(t, err)
		defer ws.Close()
		d := &device{h: h, ws: ws}
		c.hello["type"], c.hello["v"], c.hello["token"], c.hello["device"] = "hello", 1, c.who.token, c.who.id
		d.send(c.hello)
		d.closed()
		require.Len(t, d.errors, 1, what)
		require.Equal(t, c.code, d.errors[0]["code"], what)
	}
	_, answer = h.post("/api/join", map[string]any{
		"token": chief.token, "secret": h.srv.secret, "pair": "", "role": "instructor", "device": chief.id, "name": "",
	})
	require.Equal(t, "not-allowed", answer["code"], "nor does it make an instructor of who comes by the members' link")

	// What is their own: what a phone still owes, who was there, and its pair's log.
	buddy.connect(nil)
	buddy.record(buddy.id+"-h01", "note", h.shared.NowMs(), nil)
	board.send(map[string]any{"type": "offer", "to": buddy.id, "pair": present.pair, "role": "buddy"})
	require.Equal(t, "no-device", board.device.told("offered")["code"], "a present board has no say over it")
	status, answer = h.post("/api/remove", map[string]any{"token": board.token, "device": buddy.id})
	require.Equal(t, http.StatusNotFound, status)
	require.Equal(t, "no-device", answer["code"])
	for _, d := range []*device{buddy, chief} {
		status, answer := h.post("/api/devices", map[string]any{"token": d.token})
		require.Equal(t, http.StatusOK, status)
		require.Len(t, answer["devices"], 4)
		require.NotContains(t, fmt.Sprint(answer), present.id)
	}
	_, _, log := h.export(buddy, map[string]any{"all": true})
	require.Contains(t, log, buddy.id)
	require.NotContains(t, log, present.id)
	_, answer = h.post("/api/log", map[string]any{"token": buddy.token, "all": true})
	require.Len(t, answer["holds"], 1)
	_, answer = h.post("/api/erase", map[string]any{"token": buddy.token, "diver": map[string]any{"name": "Ilse"}, "all": true})
	require.Equal(t, 1.0, answer["holds"], "the same diver's hold of today is not theirs to erase")
	for _, path := range []string{"/api/log", "/api/export", "/api/erase"} {
		_, answer = h.post(path, map[string]any{"token": chief.token, "all": true, "format": "jsonl", "diver": map[string]any{"name": "Ilse"}})
		require.Equal(t, "not-allowed", answer["code"], "the host's whole log is the present instructor's: %s", path)
	}
	_, _, log = h.export(chief, nil)
	require.Contains(t, log, buddy.id)
	require.NotContains(t, log, present.id, "each instructor has the own outing")
	_, answer = h.post("/api/erase", map[string]any{"token": chief.token, "diver": map[string]any{"name": "Ilse"}})
	require.Equal(t, 1.0, answer["holds"])
	status, _, text := h.fetch("/api/import", chief.token, nil)
	require.Equal(t, http.StatusForbidden, status, text)
	status, answer = h.post("/api/join", map[string]any{
		"token": diver.token, "secret": h.srv.secret, "pair": present.pair, "role": "diver", "device": diver.id, "name": "",
	})
	require.Equal(t, http.StatusOK, status, answer)
	require.Equal(t, diver.token, answer["token"], "who comes in by today's link keeps the token of before")
	status, _ = h.post("/api/leave", map[string]any{"token": siren.token})
	require.Equal(t, http.StatusOK, status)
	_, answer = h.post("/api/pairs", map[string]any{"secret": h.srv.secret})
	require.Len(t, answer["pairs"].([]any)[0].(map[string]any)["devices"], 3, "one more came, and nobody of today left")

	closeAll(buddy, present, partner, board.device)
	h.stop()
	mock.Add(tokenLife + time.Minute)
	h = startHost(t, h.dir, mock)
	for path := range earlier {
		for _, d := range []*device{buddy, chief} {
			_, answer := ask(path, d)
			want := "bad-token"
			if path == "/api/join" { // to which it is no way in at all
				want = "bad-secret"
			}
			require.Equal(t, want, answer["code"], "%s by %s", path, d.role)
		}
	}
	status, _, text = h.fetch("/api/import", chief.token, nil)
	require.Equal(t, http.StatusUnauthorized, status, text)
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
