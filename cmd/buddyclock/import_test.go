package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Ensures that what is no export is named as what it is, by import and by verify, and that no data folder is made for it.
func TestWhatIsNoExportIsNamed(t *testing.T) {
	dir := t.TempDir()
	noise := make([]byte, 200_000)
	for i := range noise {
		noise[i] = byte(1 + i*i%251) // no line break
	}
	events, err := os.ReadFile("../../testdata/replay/whole.jsonl")
	require.NoError(t, err)
	for name, c := range map[string]struct {
		text        string
		word, other string // of import; of verify, where it says something else
	}{
		"empty":   {"", "is empty", ""},
		"noise":   {string(noise), "is no export of Buddyclock; files of events alone are for `buddyclock replay`", "is neither a data file nor an export"},
		"events":  {string(events), "is no export of Buddyclock; files of events alone are for `buddyclock replay`", "files of events alone are for `buddyclock replay`"},
		"a later": {`{"buddyclock":"log","v":7,"made_ms":1}` + "\n", "version 7", ""},
	} {
		file, data := filepath.Join(dir, name), filepath.Join(dir, "data of "+name)
		require.NoError(t, os.WriteFile(file, []byte(c.text), 0o600))
		for _, way := range []struct{ file, named string }{{file, file}, {"-", "what came in"}} {
			code, out, said := typed(t, c.text, "import", "-data", data, way.file)
			require.Equal(t, exitFailed, code, name)
			require.Empty(t, out, name)
			require.Contains(t, said, way.named, name)
			require.Contains(t, said, c.word, name)
			require.Equal(t, 1, strings.Count(said, "\n"), said)
		}
		require.NoDirExists(t, data)
		code, out, said := typed(t, "", "verify", file)
		require.Equal(t, exitFailed, code, name)
		require.Empty(t, out, name)
		require.Contains(t, said, file, name)
		if c.other == "" {
			c.other = c.word
		}
		require.Contains(t, said, c.other, name)
	}
	code, _, said := typed(t, "", "import", "-data", filepath.Join(dir, "new"), dir)
	require.Equal(t, exitFailed, code)
	require.Contains(t, said, dir)
	require.NoDirExists(t, filepath.Join(dir, "new"))
}
