package main

import (
	"bytes"
	"context"
	"database/sql"
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

// Ensures that what export writes is verified by verify and comes in by import, from a file and from standard input.
func TestH20ExportVerifyImport(t *testing.T) {
	dir := aLog(t)
	file := filepath.Join(t.TempDir(), "log.jsonl")
	code, out, said := typed(t, "", "export", "-data", dir, "-o", file)
	require.Equal(t, exitOK, code, said)
	require.Empty(t, out)
	require.Contains(t, said, "3 events written")
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Zero(t, info.Mode().Perm()&0o077, "health data is its owner's")
	text, err := os.ReadFile(file)
	require.NoError(t, err)

	code, out, _ = typed(t, "", "verify", file)
	require.Equal(t, exitOK, code)
	require.Contains(t, out, "events 3, holds 1\nsound:")
	spoilt := file + ".spoilt"
	require.NoError(t, os.WriteFile(spoilt, bytes.Replace(text, []byte(`"at":1790000092000`), []byte(`"at":1790000093000`), 1), 0o600))
	code, out, _ = typed(t, "", "verify", spoilt)
	require.Equal(t, exitUnsound, code)
	require.Contains(t, out, "aaaaaaaaaa-000003")
	require.Contains(t, out, "DAMAGED")

	fresh := t.TempDir()
	code, out, said = typed(t, string(text), "import", "-data", fresh, "-")
	require.Equal(t, exitOK, code, said)
	require.Contains(t, out, "events added 3, already there 0, refused 0")
	code, out, _ = typed(t, "", "import", "-data", fresh, spoilt)
	require.Equal(t, exitFailed, code)
	require.Contains(t, out, "added 0, already there 2, refused 2")
	code, out, _ = typed(t, "", "export", "-data", fresh, "-format", "csv", "-diver", "ilse  quellmoor")
	require.Equal(t, exitOK, code)
	require.Contains(t, out, ",Ilse Quellmoor,,Marek,,pool,")
	code, out, _ = typed(t, "", "export", "-data", fresh, "-list")
	require.Equal(t, exitOK, code)
	require.Contains(t, out, "diver Ilse Quellmoor")
	require.Contains(t, out, "outing outing1")
}

// Ensures that nothing is erased before a person has typed the name, and that afterwards it is gone.
func TestH21EraseAsksForTheName(t *testing.T) {
	dir := aLog(t)
	for _, word := range []string{"", "\n", "y\n", "Marek\n"} {
		code, out, _ := typed(t, word, "erase", "-data", dir, "-diver", "Ilse Quellmoor")
		require.Equal(t, exitFailed, code)
		require.Contains(t, out, "holds 1, events 3")
		require.Contains(t, out, "nothing was erased")
	}
	code, out, said := typed(t, "ilse quellmoor\n", "erase", "-data", dir, "-diver", "Ilse Quellmoor")
	require.Equal(t, exitOK, code, said)
	require.Contains(t, out, "erased 3 events")
	raw, err := os.ReadFile(filepath.Join(dir, store.FileName))
	require.NoError(t, err)
	require.NotContains(t, string(raw), "Quellmoor")
	code, out, _ = typed(t, "", "verify", "-data", dir)
	require.Equal(t, exitOK, code)
	require.Contains(t, out, "erased by a person: 3 events")
	code, _, said = typed(t, "", "erase", "-data", dir, "-diver", "Ilse Quellmoor", "-confirm", "Ilse Quellmoor")
	require.Equal(t, exitFailed, code)
	require.Contains(t, said, "no diver of that name")
}

// Ensures that what an erase left in the files, as one does that is killed on its way, is gone once the command was given once
// more, though the diver is in the log no more.
func TestH21EraseOnceMoreByCommand(t *testing.T) {
	dir := aLog(t)
	db, err := sql.Open("sqlite", filepath.Join(dir, store.FileName)+"?_pragma=secure_delete(OFF)")
	require.NoError(t, err)
	_, err = db.Exec("DELETE FROM event; CREATE TABLE wipe_owed (since_ms INTEGER NOT NULL) STRICT; INSERT INTO wipe_owed VALUES (1)")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	contents := func() string {
		raw, err := os.ReadFile(filepath.Join(dir, store.FileName))
		require.NoError(t, err)
		return string(raw)
	}
	require.Contains(t, contents(), "Quellmoor", "the test would prove nothing")
	code, _, said := typed(t, "", "erase", "-data", dir, "-diver", "Ilse Quellmoor", "-confirm", "Ilse Quellmoor")
	require.Equal(t, exitFailed, code)
	require.Contains(t, said, "no diver of that name")
	require.NotContains(t, contents(), "Quellmoor")
	require.NotContains(t, contents(), "wipe_owed")
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
	code, out, _ := typed(t, "", "export", "-h")
	require.Equal(t, exitOK, code)
	require.Contains(t, out, "-diver")
}
