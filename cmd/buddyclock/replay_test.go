package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"
)

// replayFiles is where the event files and what replay prints for them stand.
const replayFiles = "../../testdata/replay"

// runReplay runs the program as from a command line and gives what it printed.
func runReplay(t *testing.T, stdin string, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, complaints bytes.Buffer
	m := &Main{Stdin: strings.NewReader(stdin), Stdout: &out, Stderr: &complaints, Clock: clock.NewMock()}
	code = m.Run(context.Background(), append([]string{"replay"}, args...))
	return out.String(), complaints.String(), code
}

// jsonLines gives each line of a text as a JSON value. Every line must end.
func jsonLines(t *testing.T, text string) []map[string]any {
	t.Helper()
	var values []map[string]any
	for line := range strings.Lines(text) {
		require.True(t, strings.HasSuffix(line, "\n"), "the last line ends")
		var value map[string]any
		require.NoError(t, json.Unmarshal([]byte(line), &value))
		values = append(values, value)
	}
	return values
}

func readText(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(replayFiles, name))
	require.NoError(t, err)
	return string(text)
}

// Ensures that replay gives what was worked out by hand, and nothing on standard error.
func TestReplayGoldenFiles(t *testing.T) {
	cases := []struct {
		args           []string
		events, golden string
	}{
		{nil, "whole", "whole.golden"},
		{[]string{"-at", "70"}, "whole", "whole.at70.golden"},
		{[]string{"-at", "69.9999"}, "whole", "whole.at70.golden"},
		{[]string{"-at", "-5"}, "whole", "whole.before.golden"},
		{[]string{"-at=-5.000"}, "whole", "whole.before.golden"},
		{[]string{"-timeline"}, "whole", "whole.timeline"},
		{[]string{"-timeline", "-at", "200.5"}, "whole", "whole.timeline"},
		{nil, "up-under-alarm", "up-under-alarm.golden"},
		{[]string{"-at", "51"}, "up-under-alarm", "up-under-alarm.at51.golden"},
		{[]string{"-timeline"}, "up-under-alarm", "up-under-alarm.timeline"},
		{nil, "announced", "announced.golden"},
		{[]string{"-timeline"}, "announced", "announced.timeline"},
		{nil, "signs", "signs.golden"},
		{[]string{"-at", "66"}, "signs", "signs.at66.golden"},
		{[]string{"-timeline"}, "signs", "signs.timeline"},
		{[]string{"-timeline", "-at", "66.000"}, "signs", "signs.at66.timeline"},
	}
	used := map[string]bool{}
	for _, c := range cases {
		used[c.events+".jsonl"], used[c.golden+".jsonl"] = true, true
		path := filepath.Join(replayFiles, c.events+".jsonl")
		stdout, stderr, code := runReplay(t, "", append(c.args, path)...)
		require.Equal(t, jsonLines(t, readText(t, c.golden+".jsonl")), jsonLines(t, stdout), "%s %v", c.events, c.args)
		require.Empty(t, stderr)
		require.Zero(t, code)
	}
	files, err := filepath.Glob(filepath.Join(replayFiles, "*.jsonl"))
	require.NoError(t, err)
	for _, file := range files {
		require.True(t, used[filepath.Base(file)], "%s is compared with nothing", file)
	}
}

// Ensures that a hold prints exactly the fields that are documented, and a rung too.
func TestReplayPrintsExactlyItsFields(t *testing.T) {
	keys := func(value map[string]any) []string {
		var names []string
		for name := range value {
			names = append(names, name)
		}
		slices.Sort(names)
		return names
	}
	events := readText(t, "whole.jsonl")
	stdout, _, code := runReplay(t, events, "-at", "70", "-")
	require.Zero(t, code)
	holds := jsonLines(t, stdout)
	require.Len(t, holds, 1)
	require.Equal(t, []string{"boundaries", "hold", "next", "phase", "silence_ms", "stage", "standing", "summary"}, keys(holds[0]))
	require.Equal(t, []string{"asks", "at_ms", "rung", "since"}, keys(holds[0]["next"].([]any)[0].(map[string]any)))
	require.Equal(t, []string{"end_at_ms", "final_at_ms", "late_at_ms", "struggle_at_ms"}, keys(holds[0]["boundaries"].(map[string]any)))

	stdout, _, _ = runReplay(t, events, "-timeline", "-")
	require.Equal(t, []string{"asks", "at_ms", "hold", "rung", "since"}, keys(jsonLines(t, stdout)[0]))
}

// Ensures that no order of the lines, repetition of a line or spelling of its JSON changes the answer.
func TestReplayTakesEventsInAnyOrderAndAgain(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(readText(t, "whole.jsonl")), "\n")
	slices.Reverse(lines)
	respelled := `{"data": {"what": "clean"}, "by":"buddy", "err": 6.0, "at":1.790000184e12, "kind":"\u0076erdict", "hold":"k7p2q4m9tc-h01", "id":"k7p2q4m9tc-000019"}`
	text := "\ufeff" + strings.Join(lines, "\r\n\r\n") + "\n  \n" + respelled
	stdout, stderr, code := runReplay(t, text, "-")
	require.Empty(t, stderr)
	require.Zero(t, code)
	require.Equal(t, jsonLines(t, readText(t, "whole.golden.jsonl")), jsonLines(t, stdout))
}

// Ensures that a bad line is named with its number and reason, that all others count, and that the exit code tells.
func TestReplayNamesBadLines(t *testing.T) {
	lines := []string{
		`{"id":"a-000001","hold":"h-2","kind":"start","at":1000,"by":"buddy"}`,
		`not JSON`,
		`{"id":"a-000002","hold":"h-2","kind":"look","at":2000.5,"by":"buddy"}`,
		``,
		`{"hold":"h-2","kind":"look","at":2000}`,
		"{\"id\":\"a-\xff\",\"hold\":\"h-2\",\"kind\":\"look\",\"at\":2000}",
		`{"id":"a-000001","hold":"h-2","kind":"start","at":1001,"by":"buddy"}`,
		`{"id":"a-000003","hold":"h-2","kind":"note","at":9007199254740993}`,
		`{"id":"a-000004","hold":"h-2","kind":"note","at":4000,"data":{"text":"` + strings.Repeat("x", 17_000) + `"}}`,
		`[1]`,
		`{"id":"a-000005","hold":"h-2","kind":"note","at":3000}`,
		`{"id":"a-000006",`,
	}
	stdout, stderr, code := runReplay(t, strings.Join(lines, "\n"), "-")
	require.Equal(t, 1, code)
	reasons := []struct{ start, word string }{
		{"line 2: ", "JSON"}, {"line 3: ", "whole"}, {"line 5: ", "`id`"}, {"line 6: ", "UTF-8"}, {"line 7: ", "a-000001"},
		{"line 8: ", "whole"}, {"line 9: ", "16384"}, {"line 10: ", "object: it is another value (array)"},
		{"line 12: ", "breaks off"},
	}
	complaints := strings.Split(strings.TrimSpace(stderr), "\n")
	require.Len(t, complaints, len(reasons), stderr)
	for i, reason := range reasons {
		require.True(t, strings.HasPrefix(complaints[i], reason.start), complaints[i])
		require.Contains(t, complaints[i], reason.word)
	}
	holds := jsonLines(t, stdout)
	require.Len(t, holds, 1)
	require.Equal(t, "hold", holds[0]["phase"])
	require.Equal(t, float64(2000), holds[0]["silence_ms"], "the first of two events with one id counts")
}

// Ensures that holds come in the order of their names as bytes, each at its own time.
func TestReplaySortsHolds(t *testing.T) {
	events := `{"id":"a-000001","hold":"h-9","kind":"start","at":50000}
{"id":"a-000002","hold":"h-10","kind":"start","at":1000}
{"id":"a-000003","hold":"é","kind":"breathe-up","at":7000}
{"id":"a-000004","hold":"h-10","kind":"note","at":4000}
{"id":"a-000005","hold":"H-9","kind":"plan","at":1}
`
	stdout, stderr, code := runReplay(t, events, "-")
	require.Zero(t, code)
	require.Empty(t, stderr)
	var names, phases []any
	for _, hold := range jsonLines(t, stdout) {
		names, phases = append(names, hold["hold"]), append(phases, hold["phase"])
	}
	require.Equal(t, []any{"H-9", "h-10", "h-9", "é"}, names)
	require.Equal(t, []any{"planned", "hold", "hold", "breathe-up"}, phases)

	stdout, stderr, code = runReplay(t, events, "-timeline", "-at", "6.5", "-")
	require.Zero(t, code)
	require.Contains(t, stderr, "H-9")
	require.Contains(t, stderr, "é")
	var rungs []any
	for _, rung := range jsonLines(t, stdout) {
		rungs = append(rungs, rung["hold"], rung["rung"], rung["at_ms"])
	}
	require.Equal(t, []any{"h-10", "prompt", float64(6000), "h-9", "prompt", float64(6000)}, rungs, "final from the start: no plan")
}

// Ensures that no events are no holds, and no failure.
func TestReplayOfNothing(t *testing.T) {
	stdout, stderr, code := runReplay(t, "\n", "-")
	require.Empty(t, stdout)
	require.Empty(t, stderr)
	require.Zero(t, code)
}

// Ensures that what cannot be read or meant is said in a sentence, with the exit code people expect.
func TestReplayRefusesWhatItCannotDo(t *testing.T) {
	file := filepath.Join(replayFiles, "whole.jsonl")
	missing := filepath.Join(t.TempDir(), "gone.jsonl")
	for _, c := range []struct {
		args []string
		code int
		word string
	}{
		{[]string{missing}, 1, "gone.jsonl"},
		{[]string{t.TempDir()}, 1, "directory"},
		{nil, 2, "name the file"},
		{[]string{"-sideways", file}, 2, "sideways"},
		{[]string{file, "-sideways"}, 2, "sideways"},
		{[]string{"-at", file}, 2, "seconds"},
		{[]string{"-at", "soon", file}, 2, "soon"},
		{[]string{"-at", "NaN", file}, 2, "NaN"},
		{[]string{"-at", "1e300", file}, 2, "1e300"},
		{[]string{"-at", "", file}, 2, "seconds"},
		{[]string{file, file + "x"}, 2, "whole.jsonlx"},
	} {
		stdout, stderr, code := runReplay(t, "", c.args...)
		require.Empty(t, stdout, "%v", c.args)
		require.Equal(t, c.code, code, "%v: %s", c.args, stderr)
		require.Contains(t, stderr, c.word, "%v", c.args)
		require.True(t, strings.HasPrefix(stderr, map[int]string{1: "buddyclock: ", 2: "buddyclock replay: "}[c.code]), stderr)
	}
	stdout, stderr, code := runReplay(t, "", "-h")
	require.Zero(t, code)
	require.Contains(t, stdout, "-timeline")
	require.Empty(t, stderr, "what was asked for is no complaint")
}

// Ensures that flags are taken behind the file name too, as people type them.
func TestReplayTakesFlagsBehindTheFile(t *testing.T) {
	stdout, _, code := runReplay(t, "", filepath.Join(replayFiles, "whole.jsonl"), "-at", "70")
	require.Zero(t, code)
	require.Equal(t, jsonLines(t, readText(t, "whole.at70.golden.jsonl")), jsonLines(t, stdout))
}
