package protocol_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// Ensures that the rules in Go and their twins in JavaScript tell the same of the same events: status, every rung reached
// and the summary, at several instants of thousands of random holds.
func TestTwinsAgree(t *testing.T) {
	node, err := exec.LookPath("node")
	require.NoError(t, err, "install node (20 or later): without it nobody compares the page's rules with the server's")
	sets := make([]randomSet, few(*randomSets))
	var input bytes.Buffer
	for n := range sets {
		sets[n] = newRandomSet(*randomSeed, n, true)
		line, err := json.Marshal(sets[n])
		require.NoError(t, err)
		input.Write(append(line, '\n'))
	}
	var output, complaints bytes.Buffer
	cmd := exec.Command(node, "../web/test/replay.js", "--batch")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = &input, &output, &complaints
	require.NoError(t, cmd.Run(), complaints.String())
	lines := bytes.Split(bytes.TrimSpace(output.Bytes()), []byte("\n"))
	require.Len(t, lines, len(sets))
	for n, set := range sets {
		var theirs struct {
			Status, Timeline, Summary []any
		}
		require.NoError(t, json.Unmarshal(lines[n], &theirs))
		hold := set.hold(t)
		for i, at := range set.At {
			ours := map[string]any{
				"status": hold.StatusAt(at), "timeline": namedRungs(hold, at), "summary": protocol.Summarize(hold, at),
			}
			require.Equal(t, jsonValue(t, ours), any(map[string]any{
				"status": theirs.Status[i], "timeline": theirs.Timeline[i], "summary": theirs.Summary[i],
			}), describe(set, n, at))
		}
	}
}

// namedRungs gives the time line as it is printed, each rung with its hold.
func namedRungs(hold *protocol.Hold, at int64) []any {
	rungs := []any{}
	for _, r := range hold.TimelineAt(at) {
		rungs = append(rungs, map[string]any{"hold": hold.ID, "rung": r.Rung, "asks": r.Asks, "at_ms": r.AtMs, "since": r.Since})
	}
	return rungs
}

// describe says how to see a random set again.
func describe(set randomSet, n int, at int64) string {
	text := fmt.Sprintf("set %d of -seed %d, %d ms since %d; its events:\n", n, *randomSeed, at-randomStart, randomStart)
	for _, e := range set.Events {
		text += string(e) + "\n"
	}
	return text
}
