package main

import (
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
