package server

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/require"

	"buddyclock/server/access"
)

// Ensures that whoever has the secret sees the outing's pairs by the names of
// their newest plan.
func TestPairsAreListedByName(t *testing.T) {
	h := newHost(t)
	a := h.join("new", "buddy").connect(nil)
	now := h.shared.NowMs()
	a.record("h1", "plan", now-5000, map[string]any{"diver": "Ilse", "buddy": "Marek", "planned_s": 60})
	a.record("h2", "plan", now, map[string]any{"diver": "Marek", "buddy": "Ilse <b>", "planned_s": 60})
	h.join(a.pair, "diver")
	h.join("new", "buddy")

	status, answer := h.post("/api/pairs", map[string]any{"secret": h.srv.secret})
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, false, answer["instructor"])
	pairs := answer["pairs"].([]any)
	require.Len(t, pairs, 2)
	first, second := pairs[0].(map[string]any), pairs[1].(map[string]any)
	require.Equal(t, 1.0, first["number"])
	require.Equal(t, "Marek", first["diver"])
	require.Equal(t, "Ilse <b>", first["buddy"])
	require.Len(t, first["devices"], 2)
	require.Equal(t, 2.0, second["number"])
	require.Equal(t, "", second["diver"])

	_, answer = h.post("/api/pairs", map[string]any{"secret": h.srv.instructorSecret})
	require.Equal(t, true, answer["instructor"])
}

// Ensures that a join that makes no sense is refused in words.
func TestJoinsThatMakeNoSense(t *testing.T) {
	h := newHost(t)
	a := h.join("new", "buddy")
	for _, c := range []struct {
		key    string
		value  any
		status int
		code   string
	}{
		{"role", "captain", 400, "bad-role"},
		{"role", nil, 400, "bad-message"},
		{"device", "ABCDEFGHIJ", 400, "bad-device"},
		{"device", "abc", 400, "bad-device"},
		{"name", strings.Repeat("é", 81), 400, "bad-name"},
		{"name", "a\nb", 400, "bad-name"},
		{"name", "Il\u202ese", 400, "bad-name"}, // turns what follows round
		{"name", "Ilse\u200b", 400, "bad-name"}, // looks like another's
		{"name", "Il\u2028se", 400, "bad-name"},
		{"pair", "zzzzzzzzzz", 404, "no-pair"},
		{"pair", "", 404, "no-pair"},
		{"secret", "guess", 403, "bad-secret"},
		{"secret", nil, 403, "bad-secret"},
	} {
		body := map[string]any{"secret": h.srv.secret, "pair": a.pair, "role": "diver", "device": access.NewID(), "name": "Ilse"}
		if body[c.key] = c.value; c.value == nil {
			delete(body, c.key)
		}
		status, answer := h.post("/api/join", body)
		require.Equal(t, c.status, status, "%s %v", c.key, c.value)
		require.Equal(t, c.code, answer["code"], "%s %v", c.key, c.value)
		require.NotEmpty(t, answer["reason"])
	}
	for _, name := range []string{strings.Repeat("é", 80), "Mi\u200cna"} { // which joins letters, as some scripts need
		status, _ := h.post("/api/join", map[string]any{"secret": h.srv.secret, "pair": a.pair, "role": "diver", "device": access.NewID(), "name": name})
		require.Equal(t, http.StatusOK, status)
	}
}

// Ensures that a member can let the next one in, and that an independent reader
// reads the link from the code picture.
func TestInviteCanBeScanned(t *testing.T) {
	h := newHost(t)
	a := h.join("new", "buddy")
	status, answer := h.post("/api/invite", map[string]any{"token": a.token})
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, h.srv.secret, answer["secret"])
	code, left := h.srv.Code()
	require.Equal(t, code, answer["code"])
	require.InDelta(t, float64(h.shared.NowMs()+left.Milliseconds()), answer["code_until_ms"], 5000)

	urls := answer["urls"].([]any)
	require.Equal(t, "http://192.0.2.7:8080/#j="+h.srv.secret, urls[0], "an address that other phones reach comes first")
	require.Equal(t, h.http.URL+"/#j="+h.srv.secret, urls[1])
	rows := answer["qr"].([]any)
	const scale, quiet = 4, 4
	size := (len(rows) + 2*quiet) * scale
	picture, err := gozxing.NewBitMatrix(size, size)
	require.NoError(t, err)
	for y, row := range rows {
		require.Len(t, row, len(rows))
		for x, module := range row.(string) {
			if module == '1' {
				require.NoError(t, picture.SetRegion((x+quiet)*scale, (y+quiet)*scale, scale, scale))
			}
		}
	}
	bitmap, err := gozxing.NewBinaryBitmap(gozxing.NewGlobalHistgramBinarizer(gozxing.NewLuminanceSourceFromImage(picture)))
	require.NoError(t, err)
	// It is no photograph, in which the reader would search: of clean pictures it then loses 2 in 1,000.
	read, err := qrcode.NewQRCodeReader().Decode(bitmap, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_PURE_BARCODE: true})
	require.NoError(t, err)
	require.Equal(t, urls[0], read.GetText())
}

// Ensures that events also go by HTTP, with the same answers as by the socket,
// and reach those who are connected.
func TestEventsByHTTP(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy")
	diver := h.join(buddy.pair, "diver").connect(nil)
	good := buddy.event("h", "asked", h.shared.NowMs(), nil)
	bad := buddy.event("h", "asked", h.shared.NowMs()+5000, nil)
	theirs := diver.record("h", "answered", h.shared.NowMs(), nil)

	body := map[string]any{"token": buddy.token, "pair": buddy.pair, "events": []any{good, bad}, "have": map[string]any{buddy.id: 2}}
	status, answer := h.post("/api/events", body)
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, []any{good["id"]}, answer["stored"])
	refused := answer["refused"].([]any)
	require.Len(t, refused, 1)
	require.Equal(t, "future", refused[0].(map[string]any)["code"])
	require.Equal(t, []any{bad["id"]}, refused[0].(map[string]any)["ids"])
	events := answer["events"].([]any)
	require.Len(t, events, 1)
	require.Equal(t, theirs["id"], events[0].(map[string]any)["id"])
	require.Equal(t, map[string]any{buddy.id: 1.0, diver.id: 1.0}, answer["have"])
	diver.until("the question", func() bool { return diver.sees(good["id"].(string)) })

	status, answer = h.post("/api/events", body)
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, []any{good["id"]}, answer["stored"], "a resent event is stored, once")
}

// Ensures that what came whole is stored though its sender has gone, as a page does with its last breath.
func TestEventsOfASenderThatIsGone(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy")
	diver := h.join(buddy.pair, "diver").connect(nil)
	gone, leave := context.WithCancel(context.Background())
	leave()
	for range 10 { // a choice between two ready ways would not fall the same each time
		e := buddy.event("h", "asked", h.shared.NowMs(), nil)
		text, err := json.Marshal(map[string]any{"token": buddy.token, "pair": buddy.pair, "events": []any{e}})
		require.NoError(t, err)
		r := httptest.NewRequest(http.MethodPost, "/api/events", bytes.NewReader(text)).WithContext(gone)
		r.Host = "localhost"
		h.srv.Handler().ServeHTTP(httptest.NewRecorder(), r)
		diver.until("the event", func() bool { return diver.sees(e["id"].(string)) })
	}
}
