package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/server/steady"
)

// FuzzReplay ensures that any file of lines is replayed: every line of the answer
// is JSON, and a bad line of the file is named.
func FuzzReplay(f *testing.F) {
	files, err := filepath.Glob("../../testdata/replay/*.jsonl")
	require.NoError(f, err)
	for _, name := range files {
		if strings.Contains(name, ".golden.") || strings.Contains(name, ".timeline.") {
			continue
		}
		text, err := os.ReadFile(name)
		require.NoError(f, err)
		f.Add(text, "0", true)
		f.Add(text, "66.5", false)
	}
	f.Add([]byte("\ufeff\n{}\n\n7\r\n"), "-1e9", false)
	f.Add([]byte("{"), "x", true)
	watch := steady.New(3000, 16<<20)
	f.Fuzz(func(t *testing.T, text []byte, at string, timeline bool) {
		watch.Run(t, len(text), func() {
			var out, complaints bytes.Buffer
			args := []string{"replay", "-at=" + at, "-"}
			if timeline {
				args = append(args, "-timeline")
			}
			code := (&Main{Stdin: bytes.NewReader(text), Stdout: &out, Stderr: &complaints}).Run(context.Background(), args)
			require.Contains(t, []int{exitOK, exitFailed, exitUsage}, code)
			require.Equal(t, code == exitOK, !strings.Contains(complaints.String(), "line ") && code != exitUsage, complaints.String())
			for _, line := range bytes.Split(bytes.TrimSuffix(out.Bytes(), []byte("\n")), []byte("\n")) {
				require.True(t, len(line) == 0 || json.Valid(line), string(line))
			}
		})
	})
}
