package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/server/store"
)

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
