package main

import (
	"bytes"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/cmd/buddyclock/demo"
	"buddyclock/server/store"
)

// pairsOf asks for the pairs of an outing as a page does that is about to join.
func pairsOf(t *testing.T, s Started) (pairs []struct{ Diver, Buddy string }, simulated bool) {
	t.Helper()
	body, err := json.Marshal(map[string]string{"secret": secretIn(s.JoinURL)})
	require.NoError(t, err)
	resp, err := http.Post(s.URL+"/api/pairs", "application/json", bytes.NewReader(body))
	require.NoError(t, err)
	defer resp.Body.Close()
	var answer struct {
		Pairs     []struct{ Diver, Buddy string }
		Simulated bool
	}
	require.NoError(t, json.NewDecoder(resp.Body).Decode(&answer))
	return answer.Pairs, answer.Simulated
}

// Ensures that one command brings six pairs that say they are simulated, prints
// the links, keeps to this machine, and leaves nothing behind.
func TestDemo(t *testing.T) {
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	p := start(t, strings.NewReader(""), "demo", "-addr", "127.0.0.1:0", "-speed", "10")
	require.Eventually(t, func() bool { return strings.Contains(p.stdout.String(), "Ctrl-C ends.") }, within, 10*time.Millisecond, "the links are not printed")
	require.Contains(t, p.stdout.String(), p.InstructorURL)
	require.Contains(t, p.stdout.String(), strings.Replace(p.JoinURL, "127.0.0.1", "localhost", 1))
	require.Contains(t, p.stdout.String(), "SIMULATED PEOPLE")
	require.Eventually(t, func() bool {
		pairs, simulated := pairsOf(t, p.Started)
		require.True(t, simulated)
		return len(pairs) == 6 && pairs[5].Diver != ""
	}, within, 10*time.Millisecond, "six pairs have not agreed on a plan")
	require.Equal(t, exitOK, p.stop())
	require.Empty(t, p.stderr.String())
	left, err := os.ReadDir(temp)
	require.NoError(t, err)
	require.Empty(t, left)
}

// Ensures that simulated people never go among real ones, and that a server that
// is given their data says what it is.
func TestDemoKeepsToItsOwnFolder(t *testing.T) {
	real := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(real, store.FileName), nil, 0o600))
	code, _, stderr := run(t, "demo", "-addr", "127.0.0.1:0", "-data", real)
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "simulated people do not go among real ones")

	invented := filepath.Join(t.TempDir(), "demo")
	fresh, err := demo.Mark(invented)
	require.NoError(t, err)
	require.True(t, fresh)
	p := start(t, strings.NewReader(""), "demo", "-addr", "127.0.0.1:0", "-data", invented)
	require.Eventually(t, func() bool { return strings.Contains(p.stdout.String(), "kept in "+invented) }, within, 10*time.Millisecond)
	require.Equal(t, exitOK, p.stop())
	require.FileExists(t, filepath.Join(invented, store.FileName))

	p = start(t, strings.NewReader(""), "-addr", "127.0.0.1:0", "-data", invented)
	_, simulated := pairsOf(t, p.Started)
	require.True(t, simulated)
	require.Contains(t, p.stdout.String(), "NOTE: the people and holds in this data folder are simulated")
	require.Equal(t, exitOK, p.stop())

	p = start(t, strings.NewReader(""), "-addr", "127.0.0.1:0", "-data", t.TempDir())
	_, simulated = pairsOf(t, p.Started)
	require.False(t, simulated)
	require.NotContains(t, p.stdout.String(), "simulated")
	require.Equal(t, exitOK, p.stop())
}

// Ensures that wrong flags are refused with what would be right.
func TestDemoFlags(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"-speed", "0.5"}, exitUsage, "-speed goes from 1 to 10"},
		{[]string{"-speed", "NaN"}, exitUsage, "-speed goes from 1 to 10"},
		{[]string{"now"}, exitUsage, `no use for "now"`},
		{[]string{"-h"}, exitOK, "-speed"},
	} {
		code, stdout, stderr := run(t, append([]string{"demo"}, c.args...)...)
		require.Equal(t, c.code, code, "%v", c.args)
		require.Contains(t, stdout+stderr, c.says)
	}
}
