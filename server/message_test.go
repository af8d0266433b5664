package server

import (
	"encoding/json"
	"fmt"
	"net/http"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/room"
	"buddyclock/server/steady"
	"buddyclock/server/store"
)

// FuzzDecodeMessage ensures that no frame brings the decoder down, and that
// what it lets through can be sent on as it is.
func FuzzDecodeMessage(f *testing.F) {
	for _, seed := range []string{
		`{"type":"hello","v":1,"token":"t","pair":"p","device":"d","have":{"a":1,"b":-1,"c":1e99},"beyond":{"a":[[3,4],[9,7],[1]],"b":7,"c":[[1e99,2]]}}`,
		`{"type":"events","events":[{"id":"abcdefghjk-000001","hold":"h","kind":"look","at":1,"by":"buddy"},7,null]}`,
		`{"type":"time","t1":12.5}`, `{"type":"time","t1":-1e400}`,
		`{"type":"presence","visible":true,"state":{"type":1},"battery":null}`,
		`{"type":"x"}`, `{}`, `null`, `[]`, `"`, "{\"type\":\"\xff\"}", `{"type":"time","type":"events","events":[]}`,
	} {
		f.Add([]byte(seed))
	}
	watch := steady.New(400, 4<<20)
	f.Fuzz(func(t *testing.T, frame []byte) { watch.Run(t, len(frame), func() { decodeFrame(t, frame) }) })
}

func decodeFrame(t *testing.T, frame []byte) {
	m, err := decodeMessage(frame)
	if err != nil {
		var p *protocol.Problem
		require.ErrorAs(t, err, &p)
		require.True(t, utf8.ValidString(p.Reason))
		return
	}
	if m.T1 != nil {
		require.True(t, json.Valid(m.T1))
		require.LessOrEqual(t, len(m.T1), 32)
	}
	if m.State != nil {
		require.True(t, json.Valid(m.State))
		require.LessOrEqual(t, len(m.State), maxStateBytes)
	}
	require.LessOrEqual(t, len(m.Events), room.MaxBatch)
	events, refused := room.Decode(m.Events)
	require.Equal(t, len(m.Events), len(events)+len(refused))
	var texts [][]byte
	for _, e := range events {
		texts = append(texts, e.Encode())
	}
	for _, frame := range room.EventFrames("pair000001", texts) {
		require.True(t, json.Valid(frame))
	}
	for _, n := range m.Hello.Counts.Have {
		require.GreaterOrEqual(t, n, int64(0))
	}
	for _, runs := range m.Hello.Counts.Beyond {
		require.LessOrEqual(t, len(runs), store.MaxRuns)
	}
}

// Ensures that keys are taken as they are spelt, and the last of two counts, as
// in the page's own language.
func TestKeysAreExact(t *testing.T) {
	m, err := decodeMessage([]byte(`{"type":"time","T1":1,"t1":2,"t1":3,"TYPE":"events"}`))
	require.NoError(t, err)
	require.Equal(t, "time", m.Type)
	require.Equal(t, "3", string(m.T1))
}

// Ensures that a device may say what it has of as many devices as the server ever names to it, and that none of them is
// passed over.
func TestCountsOfManyDevices(t *testing.T) {
	const devices = 3_000
	have, beyond := map[string]int64{}, map[string][]store.Run{}
	for i := range int64(devices) {
		id := fmt.Sprintf("%010d", i)
		have[id] = i
		beyond[id] = []store.Run{{i + 2, i + 3}}
	}
	frame := encode(map[string]any{"type": "hello", "v": 1, "token": "t", "pair": "p", "device": "d", "have": have, "beyond": beyond})
	require.Less(t, len(frame), maxFrameBytes)
	m, err := decodeMessage(frame)
	require.NoError(t, err)
	require.Equal(t, store.Counts{Have: have, Beyond: beyond}, m.Hello.Counts)
	for _, key := range []string{"have", "beyond"} {
		_, err = decodeMessage([]byte(`{"type":"hello","v":1,"token":"t","pair":"p","device":"d","` + key + `":7}`))
		require.Error(t, err, "that is no object")
	}
}

// Ensures that a pair which many devices came to, one after the other, is open to a device that repeats what it was told:
// by the socket and by a plain request.
func TestPairsOfManyDevicesStayOpen(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy")
	now := h.shared.NowMs()
	for range 260 {
		token, hash := access.NewToken()
		d := &device{h: h, id: access.NewID(), pair: buddy.pair, role: "buddy", token: token}
		require.NoError(t, h.store.Admit(store.Device{ID: d.id, Session: h.srv.session.ID, Pair: d.pair, Role: d.role}, hash))
		e, err := protocol.Decode(encode(d.event("h", "look", now, nil)))
		require.NoError(t, err)
		stored := make(chan error, 1)
		h.store.Append(d.pair, []protocol.Event{e}, func(_ []store.Outcome, err error) { stored <- err })
		require.NoError(t, <-stored)
	}
	buddy.connect(nil)
	have := map[string]int64{}
	for id, n := range buddy.welcome["have"].(map[string]any) {
		have[id] = int64(n.(float64))
	}
	require.Len(t, have, 260)
	require.NoError(t, buddy.ws.Close())
	buddy.connect(have)
	require.Empty(t, buddy.welcome["events"], "nothing is sent twice")
	alarm := buddy.event("h", "no-answer", now, nil)
	status, answer := h.post("/api/events", map[string]any{"token": buddy.token, "pair": buddy.pair, "events": []any{alarm}, "have": have})
	require.Equal(t, http.StatusOK, status, answer)
	require.Equal(t, []any{alarm["id"]}, answer["stored"])
}
