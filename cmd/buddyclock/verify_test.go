package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite"

	"buddyclock/server/access"
	"buddyclock/server/store"
)

// aFolder runs a server until it has stored three events, and gives its data
// folder and the device that recorded them.
func aFolder(t *testing.T) (dir, device string) {
	t.Helper()
	dir, device = t.TempDir(), access.NewID()
	p := start(t, nil, "-addr", "127.0.0.1:0", "-data", dir)
	answer := post(t, p.URL, "/api/join", map[string]any{"secret": strings.SplitN(p.JoinURL, "#j=", 2)[1], "pair": "new", "role": "buddy", "device": device, "name": "Ilse"})
	var events []any
	for n, kind := range []string{"start", "look", "surfaced"} {
		events = append(events, map[string]any{"id": device + "-00000" + string(rune('1'+n)), "hold": "h1", "kind": kind, "at": time.Now().UnixMilli(), "by": "buddy"})
	}
	stored := post(t, p.URL, "/api/events", map[string]any{"token": answer["token"], "pair": answer["pair"], "events": events, "have": map[string]any{}})
	require.Len(t, stored["stored"], 3)
	require.Equal(t, exitOK, p.stop())
	return dir, device
}

// Ensures that a sound folder is said to be sound, with exit code 0.
func TestVerifySound(t *testing.T) {
	dir, _ := aFolder(t)
	code, out, complaints := run(t, "verify", "-data", dir)
	require.Equal(t, exitOK, code, complaints)
	require.Empty(t, complaints)
	require.Contains(t, out, "events 3, holds 1, pairs 1")
	require.Contains(t, out, "\nsound:")
	code, again, _ := run(t, "verify", filepath.Join(dir, store.FileName))
	require.Equal(t, exitOK, code)
	require.Equal(t, out, again)

	// A copy is known as a data file by its head, under whatever name.
	text, err := os.ReadFile(filepath.Join(dir, store.FileName))
	require.NoError(t, err)
	copied := filepath.Join(t.TempDir(), "last summer")
	require.NoError(t, os.WriteFile(copied, text, 0o600))
	code, again, _ = run(t, "verify", copied)
	require.Equal(t, exitOK, code)
	require.Contains(t, again, "\nsound:")
}

// Ensures that damage is named with its event and has its own exit code, that a
// server then sets the file aside, and that the file can still be examined there.
func TestH20VerifyNamesTheDamage(t *testing.T) {
	dir, device := aFolder(t)
	db, err := sql.Open("sqlite", filepath.Join(dir, store.FileName))
	require.NoError(t, err)
	_, err = db.Exec("UPDATE event SET at = at - 7 WHERE kind = 'look'")
	require.NoError(t, err)
	require.NoError(t, db.Close())

	code, out, complaints := run(t, "verify", "-data", dir)
	require.Equal(t, exitUnsound, code)
	require.Empty(t, complaints)
	require.Contains(t, out, `WRONG: event "`+device+`-000002" does not match its checksum`)
	require.NotContains(t, out, device+"-000001")
	require.Contains(t, out, "DAMAGED")
	require.NotContains(t, out, "sound:")

	code, _, complaints = run(t, "-addr", "127.0.0.1:0", "-data", dir)
	require.Equal(t, exitFailed, code)
	asides, err := filepath.Glob(filepath.Join(dir, "*.damaged-*"))
	require.NoError(t, err)
	require.NotEmpty(t, asides)
	require.Contains(t, complaints, asides[0])
	require.Contains(t, complaints, "buddyclock verify")
	code, aside, _ := run(t, "verify", asides[0])
	require.Equal(t, exitUnsound, code)
	require.Contains(t, aside, device+`-000002" does not match its checksum`)

	p := start(t, nil, "-addr", "127.0.0.1:0", "-data", dir)
	require.Equal(t, exitOK, p.stop())
	code, _, _ = run(t, "verify", "-data", dir)
	require.Equal(t, exitOK, code)
}

// Ensures that what cannot be looked at is said in one sentence, with exit code 1.
func TestVerifyCannotLook(t *testing.T) {
	used := start(t, nil, "-addr", "127.0.0.1:0", "-data", t.TempDir())
	usedDir := strings.TrimSpace(strings.SplitAfter(strings.SplitN(used.stdout.String(), "\n", 2)[0], " data in ")[1])
	empty := t.TempDir()
	for name, c := range map[string]struct {
		args []string
		code int
		word string
	}{
		"nothing there": {[]string{"-data", empty}, exitFailed, "there is no data file"},
		"in use":        {[]string{"-data", usedDir}, exitFailed, "stop it first"},
		"no such file":  {[]string{filepath.Join(empty, "gone")}, exitFailed, "there is no file " + filepath.Join(empty, "gone") + "\n"},
		"a folder":      {[]string{empty}, exitFailed, empty + " is a folder; `buddyclock verify -data " + empty + "`"},
		"two files":     {[]string{"a", "b"}, exitUsage, `"b"`},
		"file and flag": {[]string{"-data", empty, "a"}, exitUsage, "not both"},
		"a wrong flag":  {[]string{"-deep"}, exitUsage, "-deep"},
	} {
		code, out, complaints := run(t, append([]string{"verify"}, c.args...)...)
		require.Equal(t, c.code, code, name)
		require.Empty(t, out, name)
		require.Contains(t, complaints, c.word, name)
	}
	entries, err := os.ReadDir(empty)
	require.NoError(t, err)
	require.Empty(t, entries, "looking makes nothing")
	code, out, _ := run(t, "verify", "-h")
	require.Equal(t, exitOK, code)
	require.Contains(t, out, "-data")
}
