package protocol_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/require"
)

// randomLogs is how many random logs are asked everything that is asked of a log.
const randomLogs = 10

type ruleCall struct {
	Call string         `json:"call"`
	In   map[string]any `json:"in"`
}

// randomLine is a line of the log with values at and around the borders of the rules.
func randomLine(r *rand.Rand, n int) map[string]any {
	pick := func(values ...any) any { return values[r.IntN(len(values))] }
	ms := func(below int) any {
		if r.IntN(4) == 0 {
			return nil
		}
		return r.IntN(below)
	}
	start := r.Int64N(40*86_400_000) + 1
	line := map[string]any{
		"hold": fmt.Sprintf("h%03d", n), "start_at": start, "day": start / 86_400_000, "over": r.IntN(8) > 0,
		"setting": pick("dry", "pool", "dry", nil), "diver_key": pick("ansa", "odo", ""), "diver_id": pick(nil, nil, "a1", "b2"),
		"buddy_key": pick("ansa", "odo", ""), "buddy_id": pick(nil, "a1", "b2"), "series": pick(nil, "s1", "s2"), "series_no": pick(nil, 0, 1, 2),
		"hold_ms": ms(300_000), "first_contraction_ms": ms(200_000), "easy_permille": ms(1_001), "answer_median_ms": ms(4_000),
		"ok_ms": ms(15_000), "spo2_lowest": ms(70), "hr_lowest": ms(120), "back_to_95_ms": ms(90_000), "clean": r.IntN(3) > 0,
		"verdict": pick("clean", "clean", "clean", "shaky", "passed-out", nil), "passed_out": r.IntN(30) == 0,
		"incident": pick(nil, nil, nil, nil, nil, nil, "unknown", "lmc", "blackout"), "conditions": []any{}, "felt": []any{},
	}
	if r.IntN(6) > 0 {
		line["end_at"] = start + int64(r.IntN(300_000))
	}
	if line["incident"] != nil {
		line["incident_at"] = start + int64(r.IntN(300_000))
	}
	for _, word := range []any{"cold", "tired", "ärgerlich", "𝄞"} {
		if r.IntN(2) == 0 {
			line["conditions"] = append(line["conditions"].([]any), word)
		}
	}
	return line
}

// callsOf asks a random log everything.
func callsOf(r *rand.Rand) (calls []ruleCall) {
	log := []any{}
	for n := range r.IntN(120) {
		log = append(log, randomLine(r, n))
	}
	person := func() map[string]any {
		return map[string]any{"id": []any{nil, "a1", "b2"}[r.IntN(3)], "key": []string{"ansa", "odo", "tuva", ""}[r.IntN(4)]}
	}
	maybe := func(below int) any {
		if r.IntN(4) == 0 {
			return nil
		}
		return r.IntN(below)
	}
	now := r.Int64N(42 * 86_400_000)
	series := map[string]any{"series": "s1", "ended": false, "ended_at": nil, "steps": []any{
		map[string]any{"planned_s": 60, "rest_s": r.IntN(200)}, map[string]any{"planned_s": 90, "rest_s": r.IntN(200)}, map[string]any{"planned_s": 15, "rest_s": 0},
	}}
	guards := map[string]any{
		"now_ms": now, "offset_min": r.IntN(1_440) - 720, "diver": person(), "buddy": person(), "planned_s": maybe(400), "end_by_s": maybe(500),
		"longest_s": maybe(300), "holds": log[:len(log)/3], "log": log, "others": []any{person()},
		"lifts": []any{map[string]any{"diver": person(), "at": r.Int64N(42 * 86_400_000)}},
	}
	if r.IntN(2) == 0 {
		guards["series"] = series
	}
	calls = append(calls, ruleCall{"guards", guards}, ruleCall{"holdsOfDiver", map[string]any{"log": log, "diver": person()}},
		ruleCall{"seriesAt", map[string]any{"series": series, "log": log, "now_ms": now}},
		ruleCall{"reading", map[string]any{"reading": randomReading(r), "previous": []any{nil, randomReading(r)}[r.IntN(2)]}},
		ruleCall{"growing", map[string]any{"first_s": r.IntN(900), "step_s": r.IntN(60), "count": 1 + r.IntN(22), "rest_s": r.IntN(3_700)}})
	for _, setting := range []string{"dry", "pool"} {
		calls = append(calls, ruleCall{"expectations", map[string]any{"setting": setting, "log": log}}, ruleCall{"trends", map[string]any{"setting": setting, "log": log}})
		for _, field := range []string{"onset", "hold", "easy", "answer", "recovery"} {
			calls = append(calls, ruleCall{"conditions", map[string]any{"setting": setting, "field": field, "log": log}})
		}
	}
	return calls
}

func randomReading(r *rand.Rand) map[string]any {
	value := func(least, most int) any {
		if r.IntN(5) == 0 {
			return nil
		}
		return least + r.IntN(most-least)
	}
	return map[string]any{"spo2": value(25, 105), "hr": value(15, 260), "at": r.IntN(30_000)}
}

// eventCalls reads the holds of random sets for the log, with notes and verdicts among their events.
func eventCalls(t *testing.T, r *rand.Rand, n int) []ruleCall {
	set := newRandomSet(*randomSeed, n, true)
	hold := set.hold(t).ID
	events := []any{}
	for _, raw := range set.Events {
		events = append(events, jsonValue(t, raw))
	}
	at := set.At[0]
	add := func(i int, kind, by string, data map[string]any) {
		events = append(events, map[string]any{"id": fmt.Sprintf("zzzz-%06d", i), "hold": hold, "kind": kind, "at": at - int64(r.IntN(20_000)), "by": by, "data": data})
	}
	for i := range 6 {
		add(i, "verdict", "buddy", map[string]any{"what": []string{"clean", "passed-out", "shaky"}[r.IntN(3)]})
		add(i+10, "note", "buddy", map[string]any{"text": "x", "about": []any{"buddy", "diver", nil, 3}[r.IntN(4)], "conditions": []any{"cold", "cold", 4, "", fmt.Sprint(i)}, "felt": []any{"warm"}, "training_days": i * 20})
	}
	var calls []ruleCall
	for _, at := range set.At {
		calls = append(calls, ruleCall{"debrief", map[string]any{"events": events, "at_ms": at}},
			ruleCall{"logHold", map[string]any{"events": events, "at_ms": at, "offset_min": r.IntN(1_440) - 720}})
	}
	return calls
}

// Ensures that what is said over many holds is the same in Go and in JavaScript, for random logs and random holds.
func TestTwinsAgreeOnLogs(t *testing.T) {
	node, err := exec.LookPath("node")
	require.NoError(t, err, "install node (20 or later): without it nobody compares the page's rules with the server's")
	r := rand.New(rand.NewPCG(uint64(*randomSeed), 7))
	var calls []ruleCall
	for n := range few(randomLogs) {
		calls = append(calls, callsOf(r)...)
		calls = append(calls, eventCalls(t, r, n)...)
	}
	var input, output, complaints bytes.Buffer
	for _, c := range calls {
		require.NoError(t, json.NewEncoder(&input).Encode(c))
	}
	cmd := exec.Command(node, "../web/test/log_calls.js")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = &input, &output, &complaints
	require.NoError(t, cmd.Run(), complaints.String())
	theirs := bytes.Split(bytes.TrimSpace(output.Bytes()), []byte("\n"))
	require.Len(t, theirs, len(calls))
	for i, c := range calls {
		in, err := json.Marshal(c.In)
		require.NoError(t, err)
		ours := jsonValue(t, callRule(t, c.Call, in))
		require.Equal(t, jsonValue(t, json.RawMessage(theirs[i])), ours, "-seed %d: %s of %s", *randomSeed, c.Call, in)
	}
}
