package protocol_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// Properties that must hold whatever happens in a hold, named after the hazards they stand against.

// propertySets is how many random holds each property looks at.
const propertySets = 300

// with gives a new hold with the events of another and one more.
func with(t *testing.T, hold *protocol.Hold, more ...protocol.Event) *protocol.Hold {
	t.Helper()
	out := protocol.NewHold(hold.ID)
	for _, e := range append(slices.Clone(hold.Events()), more...) {
		_, conflict := out.Add(e)
		require.False(t, conflict)
	}
	return out
}

// event makes an event of a device that no random hold has.
func event(kind, by string, at int64, data map[string]any) protocol.Event {
	e := protocol.Event{ID: fmt.Sprintf("zz-%06d", at%1_000_000), Hold: "h-01", Kind: kind, By: by, At: at}
	if data != nil {
		e.Data, _ = json.Marshal(data)
	}
	return e
}

// inHolds calls visit at random instants at which random holds are in their phase hold, and demands that there are many.
func inHolds(t *testing.T, visit func(hold *protocol.Hold, status protocol.Status, at int64, about string) bool) {
	t.Helper()
	visited := 0
	for n := range few(propertySets) {
		set := newRandomSet(*randomSeed, n, false)
		hold := set.hold(t)
		for _, at := range set.At {
			status := hold.StatusAt(at)
			if status.Phase != protocol.Holding {
				continue
			}
			visited++
			if !visit(hold, status, at, describe(set, n, at)) {
				return
			}
		}
	}
	require.Greater(t, visited, few(propertySets)/2)
}

// everything gives all that can be told of a hold at some instants.
func everything(t *testing.T, hold *protocol.Hold, at []int64) any {
	t.Helper()
	var told []any
	for _, a := range at {
		told = append(told, hold.StatusAt(a), hold.TimelineAt(a), protocol.Summarize(hold, a))
	}
	return jsonValue(t, told)
}

// Ensures that events give one state, in whatever order and however often they arrive, and whether or not somebody
// looked at the hold in between.
func TestH07AnyOrderGivesOneState(t *testing.T) {
	for n := range few(propertySets) {
		set := newRandomSet(*randomSeed, n, false)
		want := everything(t, set.hold(t), set.At)
		order := rand.New(rand.NewPCG(*randomSeed, uint64(n)))
		for range 3 {
			again := protocol.NewHold("h-01")
			events := append(slices.Clone(set.Events), set.Events[:len(set.Events)/2]...)
			order.Shuffle(len(events), func(i, j int) { events[i], events[j] = events[j], events[i] })
			for _, raw := range events {
				e, err := protocol.Decode(raw)
				require.NoError(t, err)
				_, conflict := again.Add(e)
				require.False(t, conflict)
				again.StatusAt(e.At)
			}
			if !assert.Equal(t, want, everything(t, again, set.At), describe(set, n, set.At[0])) {
				return
			}
		}
	}
}

// Ensures that two who press contrary things at one moment come out the same on every device: all 720 orders of
// arrival of six presses.
func TestH07ContraryPressesInAllOrders(t *testing.T) {
	base := newRefHold(t, map[string]any{"planned_s": 120, "setting": "dry", "cadence": "standard"})
	presses := []protocol.Event{
		event("asked", "buddy", refStart+20_000, nil), event("answered", "diver", refStart+22_000, nil),
		event("no-answer", "buddy", refStart+22_001, nil), event("answered", "buddy", refStart+22_002, map[string]any{"took_ms": 900}),
		event("look", "buddy", refStart+22_003, nil), event("end-hold", "instructor", refStart+22_004, nil),
	}
	for i := range presses {
		presses[i].ID, presses[i].Hold = fmt.Sprintf("p%d-000001", i), base.hold.ID
	}
	at := []int64{refStart + 22_000, refStart + 22_004, refStart + 40_000}
	var want any
	var visit func(done, left []protocol.Event)
	visit = func(done, left []protocol.Event) {
		if len(left) == 0 {
			got := everything(t, with(t, base.hold, done...), at)
			if want == nil {
				want = got
			}
			require.Equal(t, want, got)
			return
		}
		for i := range left {
			rest := append(slices.Clone(left[:i]), left[i+1:]...)
			visit(append(slices.Clone(done), left[i]), rest)
		}
	}
	visit(nil, presses)
	status := with(t, base.hold, presses...).StatusAt(refStart + 30_000)
	require.Equal(t, &protocol.Standing{Rung: "alarm", Asks: "up"}, status.Standing, "no answer is never lifted by an answer")
}

// Ensures that in a hold the stage never goes back as time passes, other than by taking a press back.
func TestStagesNeverLoosen(t *testing.T) {
	rank := map[string]int{"easy": 0, "struggle": 1, "late": 2, "final": 3}
	for n := range few(propertySets) {
		set := newRandomSet(*randomSeed, n, false)
		hold := protocol.NewHold("h-01")
		for _, e := range set.hold(t).Events() {
			if e.Kind != protocol.KindAmend {
				hold.Add(e)
			}
		}
		at := slices.Clone(set.At)
		for _, e := range hold.Events() {
			at = append(at, e.At-1, e.At, e.At+1)
		}
		slices.Sort(at)
		last := -1
		for _, a := range at {
			stage := hold.StatusAt(a).Stage
			if stage == nil {
				continue
			}
			require.GreaterOrEqual(t, rank[*stage], last, describe(set, n, a))
			last = rank[*stage]
		}
	}
}

// firstAlarm gives when the first ladder's alarm comes or came; every hold has one.
func firstAlarm(hold *protocol.Hold, status protocol.Status, at int64) int64 {
	for _, r := range status.Sounding {
		if r.Rung == "alarm" && r.Asks == "tap" {
			return r.At
		}
	}
	var last int64
	for _, r := range hold.TimelineAt(at) {
		if r.Rung == "alarm" && r.Asks == "tap" {
			last = r.At
		}
	}
	return last
}

// Ensures that every hold has an alarm coming or standing: silence raises it, and nothing has to happen for that.
func TestH01EveryHoldHasAnAlarmComing(t *testing.T) {
	inHolds(t, func(hold *protocol.Hold, status protocol.Status, at int64, about string) bool {
		alarm := firstAlarm(hold, status, at)
		return assert.NotZero(t, alarm, about) && assert.LessOrEqual(t, alarm, *status.LastProofAt+45_000, about)
	})
}

// Ensures the bounds of the ladder: an alarm at most 13 s after a last proof in final, and never later than 7 s after the
// prompt once final has begun. The announced pattern is looser and says so; a raise ends it.
func TestBoundsOfTheAlarm(t *testing.T) {
	inFinal, prompted := 0, 0
	inHolds(t, func(hold *protocol.Hold, status protocol.Status, at int64, about string) bool {
		if status.Plan.Cadence == protocol.CadenceAnnounced {
			return true
		}
		alarm, proof := firstAlarm(hold, status, at), *status.LastProofAt
		final := *status.StartAt + status.Boundaries.FinalAtMs
		prompt := int64(0)
		for _, r := range append(hold.TimelineAt(at), status.Sounding...) {
			if r.Rung == "prompt" && r.Asks != "up" && r.At > proof && r.At <= alarm {
				prompt = r.At
			}
		}
		ok := assert.NotZero(t, prompt, about)
		if proof >= final {
			inFinal++
			ok = ok && assert.LessOrEqual(t, alarm, proof+13_000, about)
		}
		prompted++
		return ok && assert.LessOrEqual(t, alarm, max(prompt, final)+7000, about)
	})
	require.Greater(t, min(inFinal, prompted), few(propertySets)/4)
}

// Ensures that a sign or another raise never puts the alarm off, whatever the cadence.
func TestRaisesNeverPutTheAlarmOff(t *testing.T) {
	raises := []struct {
		kind string
		data map[string]any
	}{
		{"sign", map[string]any{"what": "tense"}}, {"sign", map[string]any{"what": "blue"}}, {"sign", map[string]any{"what": "limp"}},
		{"contraction", map[string]any{"site": "throat"}}, {"contraction", nil}, {"asked", nil}, {"no-answer", nil}, {"end-hold", nil},
	}
	inHolds(t, func(hold *protocol.Hold, status protocol.Status, at int64, about string) bool {
		for _, raise := range raises {
			raised := with(t, hold, event(raise.kind, "buddy", at, raise.data))
			after := raised.StatusAt(at)
			if !assert.LessOrEqual(t, firstAlarm(raised, after, at), firstAlarm(hold, status, at), "%s %v, %s", raise.kind, raise.data, about) ||
				!assert.Equal(t, status.LastProofAt, after.LastProofAt, about) {
				return false
			}
		}
		return true
	})
}

// Ensures that nothing but a live press of a person is proof: not readings, evidence, notes, events of other kinds or of
// later times, and not the same event again.
func TestH22NothingAutomaticIsProof(t *testing.T) {
	quiet := []string{
		"reading", "sounded", "note", "step", "verdict", "with-them", "breathe-up", "plan", "place", "sound-check", "going", "awake", "ok",
		"recovered", "watch-ended", "asked", "start", "heartbeat",
	}
	inHolds(t, func(hold *protocol.Hold, status protocol.Status, at int64, about string) bool {
		for _, kind := range quiet {
			after := with(t, hold, event(kind, "buddy", at, map[string]any{"spo2": 99, "rung": "prompt"})).StatusAt(at)
			if !assert.Equal(t, status.LastProofAt, after.LastProofAt, "%s, %s", kind, about) {
				return false
			}
		}
		for _, by := range []string{"instructor", "siren", "server", ""} {
			for _, kind := range []string{"look", "answered", "surfaced"} {
				after := with(t, hold, event(kind, by, at, nil)).StatusAt(at)
				if !assert.Equal(t, jsonValue(t, status), jsonValue(t, after), "%s by %q, %s", kind, by, about) {
					return false
				}
			}
		}
		later := with(t, hold, event("answered", "buddy", at+1, nil)).StatusAt(at)
		return assert.Equal(t, jsonValue(t, status), jsonValue(t, later), about) &&
			assert.Equal(t, jsonValue(t, status), jsonValue(t, with(t, hold, hold.Events()...).StatusAt(at)), about)
	})
}

// Ensures that only three kinds can be proof at all, so that whatever a page may one day record of fingers let go,
// cancelled or slipped, it is none.
func TestH23NoOtherKindIsProof(t *testing.T) {
	data := map[string]any{"signalled": true, "what": "tense", "took_ms": 500, "site": "belly"}
	base := newRefHold(t, map[string]any{"planned_s": 120, "setting": "dry", "cadence": "standard"})
	at := refStart + 10_000
	var proofs []string
	for _, kind := range append(slices.Clone(protocol.Kinds), "released", "press-cancelled", "page-hidden") {
		e := event(kind, "buddy", at, data)
		e.Hold = base.hold.ID
		if proof := with(t, base.hold, e).StatusAt(at).LastProofAt; proof != nil && *proof == at {
			proofs = append(proofs, kind)
		}
	}
	require.ElementsMatch(t, []string{"look", "answered", "contraction"}, proofs)
}
