package server

import (
	"encoding/json"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
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
