package server

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
)

// Ensures that server and device go by the smaller version, one version apart.
func TestVersionsAgree(t *testing.T) {
	for _, c := range []struct{ ours, theirs, want int }{
		{1, 1, 1}, {1, 2, 1}, {1, 9, 1}, {2, 1, 1}, {2, 2, 2}, {2, 3, 2}, {3, 2, 2}, {3, 1, 0}, {9, 1, 0}, {9, 7, 0}, {9, 8, 8},
	} {
		got, err := agree(c.ours, c.theirs)
		require.Equal(t, c.want, got, c)
		require.Equal(t, c.want == 0, err != nil, c)
	}
}

// Ensures that a page which was loaded from the version before carries on with a
// renewed server in the middle of a hold, with all that it sends and receives.
func TestOldPageWithNewServer(t *testing.T) {
	h := newHost(t)
	h.srv.version = wireVersion + 1
	buddy := h.join("new", "buddy").connect(nil) // speaks version 1
	require.InDelta(t, wireVersion, buddy.welcome["v"], 0)
	e := buddy.record("h", "look", h.shared.NowMs(), nil)
	buddy.send(map[string]any{"type": "time", "t1": 1})
	buddy.until("the time", func() bool { return len(buddy.times) == 1 })
	diver := h.join(buddy.pair, "diver").connect(nil)
	require.True(t, diver.sees(e["id"].(string)))

	h.srv.version = wireVersion + 2
	ws, _, err := h.dial(nil)
	require.NoError(t, err)
	defer ws.Close()
	older := &device{h: h, ws: ws}
	older.send(map[string]any{"type": "hello", "v": 1, "token": buddy.token, "pair": buddy.pair, "device": buddy.id})
	older.closed()
	require.Equal(t, "old-version", older.errors[0]["code"])
	require.Contains(t, older.errors[0]["reason"], "load the page anew")
}

// Ensures that a page of tomorrow carries on with this server: it is told our
// version, its unknown messages and fields disturb nothing, and its unknown kinds
// and fields of events reach other devices whole.
func TestNewPageWithOldServer(t *testing.T) {
	h := newHost(t)
	old := h.join("new", "diver").connect(nil)
	buddy := h.join(old.pair, "buddy")
	ws, _, err := h.dial(nil)
	require.NoError(t, err)
	defer ws.Close()
	buddy.ws, buddy.hold = ws, old.hold
	buddy.hello(map[string]any{"v": wireVersion + 1, "have": nil, "colour": "blue", "wants": []any{1, map[string]any{"a": nil}}})
	require.InDelta(t, wireVersion, buddy.welcome["v"], 0)
	buddy.send(map[string]any{"type": "message-of-tomorrow", "events": "not even a list"})
	buddy.send(map[string]any{"type": "presence", "visible": true, "mood": map[string]any{"x": 1}})
	old.until("the state", func() bool { return len(old.present) == 2 && old.present[1].(map[string]any)["state"] != nil })
	require.Equal(t, map[string]any{"x": 1.0}, old.present[1].(map[string]any)["state"].(map[string]any)["mood"])

	e := buddy.event("h", "kind-of-tomorrow", h.shared.NowMs(), map[string]any{"deep": []any{1.5, "ü", nil}})
	e["field_of_tomorrow"] = map[string]any{"n": 1}
	buddy.offer(e)
	id := e["id"].(string)
	old.until("the event", func() bool { return old.sees(id) })
	later := h.join(old.pair, "siren").connect(nil)
	for _, got := range later.hold.Events() {
		want, err := json.Marshal(e)
		require.NoError(t, err)
		require.JSONEq(t, string(want), string(got.Encode()))
	}
	require.True(t, later.sees(id))
}

// Ensures that what is no version is refused.
func TestNotAVersion(t *testing.T) {
	for _, v := range []string{`0`, `-1`, `1.5`, `"1"`, `null`, `1e99`, `true`, `[1]`} {
		_, err := decodeMessage([]byte(`{"type":"hello","v":` + v + `,"token":"t","pair":"p","device":"d"}`))
		require.ErrorContains(t, err, "`v`", v)
	}
	m, err := decodeMessage([]byte(`{"type":"hello","v":2.0,"token":"t","pair":"p","device":"d"}`))
	require.NoError(t, err)
	require.Equal(t, 2, m.Hello.V)
}
