package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

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
	code, out, said = typed(t, "", "import", "-data", fresh, spoilt)
	require.Equal(t, exitFailed, code)
	require.Contains(t, out, "added 0, already there 2, refused 2")
	require.Contains(t, said, "line 6, aaaaaaaaaa-000003: the event does not match its checksum (damaged)\nline 7: the file")
	code, out, _ = typed(t, "", "export", "-data", fresh, "-format", "csv", "-diver", "ilse  quellmoor")
	require.Equal(t, exitOK, code)
	require.Contains(t, out, ",Ilse Quellmoor,,Marek,,pool,")
	code, out, _ = typed(t, "", "export", "-data", fresh, "-list")
	require.Equal(t, exitOK, code)
	require.Contains(t, out, "diver Ilse Quellmoor")
	require.Contains(t, out, "outing outing1")
}

// Ensures that the log of an outing that is not known is no log of nothing.
func TestExportOfAnOuting(t *testing.T) {
	dir, file := aLog(t), filepath.Join(t.TempDir(), "log.jsonl")
	code, out, said := typed(t, "", "export", "-data", dir, "-outing", "outing1")
	require.Equal(t, exitOK, code)
	require.Contains(t, out, "aaaaaaaaaa-000003")
	require.Contains(t, said, "3 events written")
	for _, more := range [][]string{nil, {"-o", file}, {"-format", "csv"}, {"-diver", "Ilse Quellmoor"}} {
		code, out, said = typed(t, "", append([]string{"export", "-data", dir, "-outing", "zzz"}, more...)...)
		require.Equal(t, exitFailed, code)
		require.Empty(t, out)
		require.Contains(t, said, "no outing zzz is in the log")
		require.Contains(t, said, "-list")
	}
	require.NoFileExists(t, file)
}
