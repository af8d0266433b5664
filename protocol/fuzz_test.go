package protocol_test

import (
	"encoding/json"
	"math"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/steady"
)

// FuzzDecode ensures that whatever text comes from outside is refused with a reason or becomes an event that keeps its
// limits, survives being passed on, and can be folded and summed up beside any other without harm.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		`{"id":"k7p2q4m9tc-000017","hold":"h-01","kind":"answered","at":1790000123456,"err":9,"by":"buddy","data":{"took_ms":840}}`,
		`{"id":"a-1","hold":"h","kind":"plan","at":-9007199254740991,"by":"buddy","data":{"planned_s":15,"end_by_s":1200,"longest_s":0}}`,
		`{"id":"a-2","hold":"h","kind":"start","at":1e3}`,
		`{"id":"a-3","hold":"h","kind":"surfaced","at":9007199254740991.0,"by":"buddy"}`,
		`{"id":"a-4","hold":"h","kind":"contraction","at":5,"data":{"signalled":true,"site":"throat"},"by":"diver"}`,
		`{"id":"a-5","hold":"h","kind":"amend","at":6,"data":{"target":"a-4","drop":true,"at":-1}}`,
		`{"id":"a-6","hold":"h","kind":"breathe-up","at":1,"data":{"zero_at":4}}`,
		`{"id":"a-7","hold":"h","kind":"reading","at":1,"data":{"spo2":94,"hr":1e999}}`,
		`{"ID":"a-8","hold":"h","kind":"ok","at":1}`,
		`{"id":"\ud800","hold":"\u0000","kind":"later-kind","at":0,"more":[{"deep":[null]}]}`,
		`{"id":"a-9","id":"a-10","hold":"h","kind":"look","at":0,"err":-1}`,
		`{"id":"","hold":"h","kind":"look","at":0.5}`, `null`, `[]`, `{}`, `{} {}`, "\xff", ``,
	} {
		f.Add([]byte(seed))
	}
	watch := steady.New(400, 4<<20)
	f.Fuzz(func(t *testing.T, text []byte) { watch.Run(t, len(text), func() { decodeAndFold(t, text) }) })
}

func decodeAndFold(t *testing.T, text []byte) {
	e, err := protocol.Decode(text)
	if err != nil {
		var problem *protocol.Problem
		require.ErrorAs(t, err, &problem)
		require.NotEmpty(t, problem.Code)
		require.NotEmpty(t, problem.Reason)
		return
	}
	for value, limit := range map[string]int{e.ID: protocol.MaxIDBytes, e.Hold: protocol.MaxIDBytes, e.Kind: protocol.MaxKindBytes} {
		require.NotEmpty(t, value)
		require.LessOrEqual(t, len(value), limit)
		require.True(t, utf8.ValidString(value))
	}
	require.LessOrEqual(t, len(e.By), protocol.MaxByBytes)
	require.LessOrEqual(t, math.Abs(float64(e.At)), float64(protocol.MaxWhole))
	require.GreaterOrEqual(t, e.Err, int64(0))
	require.LessOrEqual(t, len(e.Encode()), protocol.MaxEventBytes)
	require.True(t, json.Valid(e.Encode()))

	again, err := protocol.Decode(e.Encode())
	require.NoError(t, err)
	require.Equal(t, e, again, "an event that is passed on is the same event")

	foldBeside(t, e)
}

// foldBeside folds an event in a hold that has a plan, a start and an end at the far ends of time.
func foldBeside(t *testing.T, e protocol.Event) {
	t.Helper()
	hold := protocol.NewHold(e.Hold)
	for _, other := range []protocol.Event{
		{ID: "fuzz-1", Hold: e.Hold, Kind: "plan", At: -protocol.MaxWhole, By: "buddy", Data: json.RawMessage(`{"planned_s":120}`)},
		{ID: "fuzz-2", Hold: e.Hold, Kind: "start", At: -1_000},
		{ID: "fuzz-3", Hold: e.Hold, Kind: "surfaced", At: protocol.MaxWhole, By: "buddy"},
	} {
		hold.Add(other)
	}
	added, conflict := hold.Add(e)
	require.NotEqual(t, added, conflict, "a fresh event is added, one with a known id and other content is not")
	for _, at := range []int64{-protocol.MaxWhole, e.At, e.At + 60_000, protocol.MaxWhole} {
		status := hold.StatusAt(at)
		_, err := json.Marshal(status)
		require.NoError(t, err)
		_, err = json.Marshal(protocol.Summarize(hold, at))
		require.NoError(t, err)
	}
}

// FuzzPlan ensures that whatever stands in a plan is refused with a reason or gives limits that the ladders can run on.
func FuzzPlan(f *testing.F) {
	for _, seed := range []string{
		`{"planned_s":240,"end_by_s":270,"onset_s":90,"longest_s":250,"cadence":"standard","ok_within_s":20,"watch_s":60,"setting":"dry"}`,
		`{"planned_s":15}`, `{"planned_s":900.0,"end_by_s":1200,"watch_s":30,"cadence":"announced"}`, `{"planned_s":1e2,"longest_s":null}`,
		`{"planned_s":9e2,"planned_s":15,"ok_within_s":17}`, `{"planned_s":-15}`, `{"planned_s":"240"}`, `{"planned_s":15,"end_by_s":14}`, `{}`, `[]`, `null`, ``,
	} {
		f.Add([]byte(seed))
	}
	watch := steady.New(400, 4<<20)
	f.Fuzz(func(t *testing.T, text []byte) {
		watch.Run(t, len(text), func() {
			p, err := protocol.ReadPlan(text)
			if err != nil {
				var problem *protocol.Problem
				require.ErrorAs(t, err, &problem)
				require.NotEmpty(t, problem.Reason)
				return
			}
			require.LessOrEqual(t, int64(protocol.MinPlannedS*1000), p.PlannedMs)
			require.LessOrEqual(t, p.PlannedMs, int64(protocol.MaxPlannedS*1000))
			require.LessOrEqual(t, p.PlannedMs, p.EndMs)
			require.LessOrEqual(t, p.EndMs, int64(protocol.MaxEndByS*1000))
			require.Contains(t, []int64{15_000, 20_000}, p.OKMs)
			require.LessOrEqual(t, int64(protocol.MinWatchS*1000), p.WatchMs)
			require.LessOrEqual(t, p.WatchMs, int64(protocol.MaxWatchS*1000))
			require.Contains(t, []string{protocol.CadenceStandard, protocol.CadenceClose, protocol.CadenceAnnounced}, p.Cadence)
		})
	})
}
