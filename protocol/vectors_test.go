package protocol_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// The runner of the shared vectors; testdata/vectors/README.md says in words what it does.

const vectorsDir = "../testdata/vectors"

// vectorFile is a file of vectors, its cases still to be read strictly as what they are.
type vectorFile struct {
	Format int               `json:"format"`
	About  string            `json:"about"`
	Count  int               `json:"count"`
	Cases  []json.RawMessage `json:"cases"`
}

type vectorRules struct {
	Format int      `json:"format"`
	About  string   `json:"about"`
	Count  int      `json:"count"`
	Kinds  []string `json:"kinds"`
	Rules  []struct {
		ID   string `json:"id"`
		Text string `json:"text"`
	} `json:"rules"`
}

// vectorHead is what every case begins with.
type vectorHead struct {
	Comment string   `json:"comment"`
	Rules   []string `json:"rules"`
}

type foldCase struct {
	vectorHead
	Events    []json.RawMessage          `json:"events"`
	AtMs      *int64                     `json:"at_ms"`
	Status    map[string]json.RawMessage `json:"status"`
	Timeline  *[]any                     `json:"timeline"`
	Conflicts []int                      `json:"conflicts"`
}

type planCase struct {
	vectorHead
	Data json.RawMessage  `json:"data"`
	Plan *json.RawMessage `json:"plan"`
}

type decodeCase struct {
	vectorHead
	Text  string          `json:"text"`
	Pad   *int            `json:"pad"`
	OK    *bool           `json:"ok"`
	Event json.RawMessage `json:"event"`
}

type clockCase struct {
	vectorHead
	StepMs    *float64 `json:"step_ms"`
	DriftPpm  *int64   `json:"drift_ppm"`
	Exchanges []struct {
		T1      float64 `json:"t1"`
		T2      float64 `json:"t2"`
		T3      float64 `json:"t3"`
		T4      float64 `json:"t4"`
		ClockID string  `json:"clock_id"`
	} `json:"exchanges"`
	AtMs    float64 `json:"at_ms"`
	Reading struct {
		OffsetMs *float64 `json:"offset_ms"`
		DoubtMs  *float64 `json:"doubt_ms"`
		Synced   bool     `json:"synced"`
	} `json:"reading"`
}

type summaryCase struct {
	vectorHead
	Events  []json.RawMessage          `json:"events"`
	AtMs    *int64                     `json:"at_ms"`
	Summary map[string]json.RawMessage `json:"summary"`
}

type logCase struct {
	vectorHead
	Call string          `json:"call"`
	In   json.RawMessage `json:"in"`
	Out  json.RawMessage `json:"out"`
}

// vectorRunners tells which kind of case a file holds.
var vectorRunners = map[string]func(*testing.T, json.RawMessage) vectorHead{
	"decode.json":    runDecodeCase,
	"plan.json":      runPlanCase,
	"cadence.json":   runFoldCase,
	"ladder.json":    runFoldCase,
	"announced.json": runFoldCase,
	"bringup.json":   runFoldCase,
	"proof.json":     runFoldCase,
	"recovery.json":  runFoldCase,
	"amend.json":     runFoldCase,
	"summary.json":   runSummaryCase,
	"clock.json":     runClockCase,
	"log.json":       runLogCase,
}

// strictly reads JSON into v; a field that v does not know is an error.
func strictly(t *testing.T, raw []byte, v any) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	require.NoError(t, d.Decode(v))
	require.False(t, d.More(), "something stands after the JSON value")
}

func readVectors(t *testing.T, name string) vectorFile {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(vectorsDir, name))
	require.NoError(t, err)
	var f vectorFile
	strictly(t, raw, &f)
	require.Equal(t, 1, f.Format)
	require.NotEmpty(t, f.About)
	require.NotZero(t, f.Count, "a file without cases proves nothing")
	require.Len(t, f.Cases, f.Count, "count and cases differ: a case was lost or not counted")
	return f
}

func readVectorRules(t *testing.T) vectorRules {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(vectorsDir, "rules.json"))
	require.NoError(t, err)
	var r vectorRules
	strictly(t, raw, &r)
	require.Equal(t, 1, r.Format)
	require.NotZero(t, r.Count)
	require.Len(t, r.Rules, r.Count)
	return r
}

// Ensures that every vector gives what was worked out by hand from the written rules.
func TestVectors(t *testing.T) {
	for name, run := range vectorRunners {
		t.Run(strings.TrimSuffix(name, ".json"), func(t *testing.T) {
			for i, raw := range readVectors(t, name).Cases {
				t.Run(fmt.Sprint(i), func(t *testing.T) {
					head := run(t, raw)
					require.NotEmpty(t, head.Comment)
					if t.Failed() {
						t.Logf("%s case %d: %s", name, i, head.Comment)
					}
				})
			}
		})
	}
}

// Ensures that no vector file is left unread, and that every rule and every kind of event has a case.
func TestVectorsCoverEveryRuleAndKind(t *testing.T) {
	entries, err := os.ReadDir(vectorsDir)
	require.NoError(t, err)
	for _, e := range entries {
		if name := e.Name(); strings.HasSuffix(name, ".json") && name != "rules.json" {
			assert.Contains(t, vectorRunners, name, "nobody runs this file")
			assert.FileExists(t, filepath.Join(vectorsDir, "schema", name))
		}
	}
	listed := readVectorRules(t)
	rules, kinds := map[string]int{}, map[string]int{}
	for _, r := range listed.Rules {
		require.NotEmpty(t, r.Text, r.ID)
		require.NotContains(t, rules, r.ID, "a rule stands twice")
		rules[r.ID] = 0
	}
	for name := range vectorRunners {
		for _, raw := range readVectors(t, name).Cases {
			var c struct {
				Rules  []string
				Events []struct{ Kind string }
				In     struct{ Events []struct{ Kind string } }
			}
			require.NoError(t, json.Unmarshal(raw, &c))
			require.NotEmpty(t, c.Rules)
			for _, id := range c.Rules {
				require.Contains(t, rules, id, "a case of %s names a rule that is not listed", name)
				rules[id]++
			}
			for _, e := range append(c.Events, c.In.Events...) {
				kinds[e.Kind]++
			}
		}
	}
	for id, n := range rules {
		assert.NotZero(t, n, "no case covers the rule %s", id)
	}
	for _, kind := range listed.Kinds {
		assert.Contains(t, protocol.Kinds, kind)
		assert.NotZero(t, kinds[kind], "no case has an event of kind %s", kind)
	}
}

// buildHold decodes and adds events in their order, and tells which were refused as conflicts.
func buildHold(t *testing.T, events []json.RawMessage) (hold *protocol.Hold, conflicts []int) {
	t.Helper()
	for i, raw := range events {
		e, err := protocol.Decode(raw)
		require.NoError(t, err)
		if hold == nil {
			hold = protocol.NewHold(e.Hold)
		}
		if _, conflict := hold.Add(e); conflict {
			conflicts = append(conflicts, i)
		}
	}
	require.NotNil(t, hold, "a case without events")
	return hold, conflicts
}

// jsonValue gives a value as JSON sees it, so that it can be compared whatever its type.
func jsonValue(t *testing.T, v any) any {
	t.Helper()
	raw, err := json.Marshal(v)
	require.NoError(t, err)
	var out any
	require.NoError(t, json.Unmarshal(raw, &out))
	return out
}

// assertFields compares the fields that a case names; one that does not exist is a failure.
func assertFields(t *testing.T, want map[string]json.RawMessage, got any, what string) {
	t.Helper()
	fields, isObject := jsonValue(t, got).(map[string]any)
	require.True(t, isObject)
	for name, value := range want {
		require.Contains(t, fields, name, "there is no such field")
		assert.Equal(t, jsonValue(t, value), fields[name], "%s.%s", what, name)
	}
}

func runFoldCase(t *testing.T, raw json.RawMessage) vectorHead {
	var c foldCase
	strictly(t, raw, &c)
	hold, conflicts := buildHold(t, c.Events)
	require.False(t, len(c.Status) == 0 && c.Timeline == nil, "a case that compares nothing")
	assert.Equal(t, c.Conflicts, conflicts, "conflicts")
	orders := [][]json.RawMessage{c.Events}
	if len(c.Conflicts) == 0 {
		reversed := slices.Clone(c.Events)
		slices.Reverse(reversed)
		orders = append(orders, reversed)
	}
	for _, events := range orders {
		hold, _ = buildHold(t, events)
		at, there := hold.LastAt()
		require.True(t, there)
		if c.AtMs != nil {
			at = *c.AtMs
		}
		assertFields(t, c.Status, hold.StatusAt(at), "status")
		if c.Timeline != nil {
			assert.Equal(t, jsonValue(t, *c.Timeline), jsonValue(t, append([]protocol.Rung{}, hold.TimelineAt(at)...)), "timeline")
		}
	}
	return c.vectorHead
}

func runPlanCase(t *testing.T, raw json.RawMessage) vectorHead {
	var c planCase
	strictly(t, raw, &c)
	require.NotEmpty(t, c.Data)
	plan, err := protocol.ReadPlan(c.Data)
	if c.Plan == nil {
		assert.Error(t, err, "the plan should be void")
		return c.vectorHead
	}
	require.NoError(t, err)
	seconds := func(ms *int64) any {
		if ms == nil {
			return nil
		}
		assert.Zero(t, *ms%1000, "a plan counts whole seconds")
		return *ms / 1000
	}
	var want map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(*c.Plan, &want))
	assertFields(t, want, map[string]any{
		"planned_s": seconds(&plan.PlannedMs), "end_by_s": seconds(&plan.EndMs), "onset_s": seconds(plan.OnsetMs),
		"longest_s": seconds(plan.LongestMs), "watch_s": seconds(&plan.WatchMs), "ok_within_s": seconds(&plan.OKMs),
		"cadence": plan.Cadence, "dry": plan.Dry,
	}, "plan")
	return c.vectorHead
}

func runLogCase(t *testing.T, raw json.RawMessage) vectorHead {
	var c logCase
	strictly(t, raw, &c)
	got := jsonValue(t, callRule(t, c.Call, c.In))
	want := jsonValue(t, c.Out)
	fields, isObject := want.(map[string]any)
	if !isObject {
		assert.Equal(t, want, got)
		return c.vectorHead
	}
	require.NotEmpty(t, fields, "a case that compares nothing")
	for name, value := range fields {
		all, _ := got.(map[string]any)
		require.Contains(t, all, name, "there is no field %s", name)
		assert.Equal(t, value, all[name], name)
	}
	return c.vectorHead
}

func runDecodeCase(t *testing.T, raw json.RawMessage) vectorHead {
	var c decodeCase
	strictly(t, raw, &c)
	require.NotNil(t, c.OK)
	text := c.Text
	if c.Pad != nil {
		require.Equal(t, 1, strings.Count(text, "~"))
		text = strings.Replace(text, "~", strings.Repeat("x", *c.Pad), 1)
	}
	e, err := protocol.Decode([]byte(text))
	if !*c.OK {
		var problem *protocol.Problem
		if assert.ErrorAs(t, err, &problem, "should be refused") {
			assert.NotEmpty(t, problem.Code)
			assert.NotEmpty(t, problem.Reason)
		}
		return c.vectorHead
	}
	require.NoError(t, err)
	if c.Event != nil {
		want := jsonValue(t, c.Event).(map[string]any)
		read := map[string]any{"id": e.ID, "hold": e.Hold, "kind": e.Kind, "at": float64(e.At)}
		if e.By != "" {
			read["by"] = e.By
		}
		if e.Err != 0 {
			read["err"] = float64(e.Err)
		}
		for name, value := range read {
			assert.Equal(t, want[name], value, name)
		}
		assert.Equal(t, jsonValue(t, c.Event), jsonValue(t, e.Encode()), "every field it came with is passed on")
	}
	return c.vectorHead
}

func runClockCase(t *testing.T, raw json.RawMessage) vectorHead {
	var c clockCase
	strictly(t, raw, &c)
	require.NotNil(t, c.StepMs)
	require.NotNil(t, c.DriftPpm)
	clock := protocol.NewClockEstimate(*c.StepMs, *c.DriftPpm)
	for _, x := range c.Exchanges {
		clock.Add(protocol.Exchange{T1: x.T1, T2: x.T2, T3: x.T3, T4: x.T4}, x.ClockID)
	}
	got := clock.At(c.AtMs)
	require.Equal(t, c.Reading.OffsetMs == nil, c.Reading.DoubtMs == nil)
	require.Equal(t, c.Reading.OffsetMs != nil, got.Known)
	if got.Known {
		assert.Equal(t, *c.Reading.OffsetMs, got.OffsetMs, "offset_ms")
		assert.Equal(t, *c.Reading.DoubtMs, got.DoubtMs, "doubt_ms")
	}
	assert.Equal(t, c.Reading.Synced, got.Synced, "synced")
	return c.vectorHead
}

func runSummaryCase(t *testing.T, raw json.RawMessage) vectorHead {
	var c summaryCase
	strictly(t, raw, &c)
	hold, conflicts := buildHold(t, c.Events)
	require.Empty(t, conflicts)
	require.NotEmpty(t, c.Summary, "a case that compares nothing")
	at, _ := hold.LastAt()
	if c.AtMs != nil {
		at = *c.AtMs
	}
	assertFields(t, c.Summary, protocol.Summarize(hold, at), "summary")
	return c.vectorHead
}
