package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// aLog fills a data folder with one hold of a diver, and gives the folder.
func aLog(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	st, err := store.Open(dir, func() int64 { return 1_790_000_100_000 })
	require.NoError(t, err)
	require.NoError(t, st.AddPast(store.Session{ID: "outing1", StartedMs: 1_790_000_000_000}, []store.PastPair{{Pair: store.Pair{ID: "pair1", Session: "outing1", Number: 1}, MadeMs: 1_790_000_000_000}}))
	var events []protocol.Event
	for _, line := range []string{
		`{"id":"aaaaaaaaaa-000001","hold":"aaaaaaaaaa-h01","kind":"plan","at":1790000001000,"by":"buddy","data":{"diver":"Ilse Quellmoor","buddy":"Marek","setting":"pool","planned_s":120}}`,
		`{"id":"aaaaaaaaaa-000002","hold":"aaaaaaaaaa-h01","kind":"start","at":1790000002000,"by":"buddy"}`,
		`{"id":"aaaaaaaaaa-000003","hold":"aaaaaaaaaa-h01","kind":"surfaced","at":1790000092000,"by":"buddy"}`,
	} {
		e, err := protocol.Decode([]byte(line))
		require.NoError(t, err)
		events = append(events, e)
	}
	done := make(chan error, 1)
	st.Append("pair1", events, func(_ []store.Outcome, err error) { done <- err })
	require.NoError(t, <-done)
	require.NoError(t, st.Close())
	return dir
}

// typed carries out a command line with something typed in.
func typed(t *testing.T, stdin string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, complaints bytes.Buffer
	now := clock.NewMock()
	now.Set(time.UnixMilli(1_790_000_200_000)) // soon after aLog
	m := &Main{Stdin: strings.NewReader(stdin), Stdout: &out, Stderr: &complaints, Clock: now}
	code = m.Run(context.Background(), args)
	return code, out.String(), complaints.String()
}

// Ensures that the commands say what is missing, and never make a data file where there is none to read.
func TestLogCommandsSayWhatIsMissing(t *testing.T) {
	empty := t.TempDir()
	for _, args := range [][]string{{"export", "-data", empty}, {"erase", "-data", empty, "-diver", "x"}} {
		code, _, said := typed(t, "", args...)
		require.Equal(t, exitFailed, code)
		require.Contains(t, said, "there is no data file")
	}
	entries, err := os.ReadDir(empty)
	require.NoError(t, err)
	require.Empty(t, entries)
	for _, args := range [][]string{{"import"}, {"erase"}, {"export", "-format", "pdf"}, {"export", "x"}, {"import", "-no"}} {
		code, _, said := typed(t, "", args...)
		require.Equal(t, exitUsage, code, args)
		require.NotEmpty(t, said)
	}
	for _, args := range [][]string{{"export"}, {"erase"}} {
		code, _, said := typed(t, "", append(args, "-data", aLog(t), "-diver", "Marek")...)
		require.Equal(t, exitFailed, code)
		require.Contains(t, said, "no diver of that name")
		require.Contains(t, said, "`buddyclock export -list`")
	}
}

// Ensures that every command tells its flags on -h, to whoever asked and not as a complaint, and that flags may stand
// behind a file's name.
func TestCommandsTellTheirFlags(t *testing.T) {
	for command, flag := range map[string]string{"demo": "-speed", "replay": "-timeline", "verify": "-data", "export": "-diver", "import": "-bring-back", "erase": "-confirm"} {
		code, out, said := typed(t, "", command, "-h")
		require.Equal(t, exitOK, code)
		require.Contains(t, out, "buddyclock "+command+" ")
		require.Contains(t, out, flag)
		require.Empty(t, said)
		code, out, said = typed(t, "", command, "-sideways")
		require.Equal(t, exitUsage, code)
		require.Contains(t, said, "buddyclock "+command+": ")
		require.Contains(t, said, "-sideways")
		require.Contains(t, said, flag)
		require.Empty(t, out)
	}
	code, _, said := typed(t, "", "import", "gone.jsonl", "-data", t.TempDir())
	require.Equal(t, exitFailed, code)
	require.Contains(t, said, "gone.jsonl")
}

// Ensures that a data folder which cannot be used is named, with what to do.
func TestUnusableDataFolder(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, []byte("x"), 0o600))
	_, export, _ := typed(t, "", "export", "-data", aLog(t))
	for _, args := range [][]string{{"export"}, {"import", "-"}, {"verify"}, {"erase", "-diver", "x"}} {
		code, _, said := typed(t, export, append(args, "-data", file)...)
		require.Equal(t, exitFailed, code)
		require.Contains(t, said, "the data folder "+file+" cannot be used: ", args)
		require.Contains(t, said, "-data DIR")
		require.Equal(t, 1, strings.Count(said, "\n"), said)
	}
}
