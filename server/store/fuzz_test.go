package store

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/server/steady"
)

// FuzzLog ensures that whatever stands in a log of the data file is read to its
// end and judged, in the memory of one frame.
func FuzzLog(f *testing.F) {
	dir := f.TempDir()
	s, err := Open(dir, now)
	require.NoError(f, err)
	session, err := s.ContinueSession("aaaaaaaaaa", 1)
	require.NoError(f, err)
	_, err = s.AddPair("bbbbbbbbbb", session.ID)
	require.NoError(f, err)
	log, err := os.ReadFile(filepath.Join(dir, FileName+"-wal"))
	require.NoError(f, err)
	require.NoError(f, s.Close())
	require.Greater(f, len(log), walHeaderBytes+2*walFrameBytes)
	f.Add(log[:walHeaderBytes+2*walFrameBytes])
	f.Add(log[:walHeaderBytes+7])
	f.Add([]byte{})
	watch := steady.New(10, 1<<20)
	f.Fuzz(func(t *testing.T, log []byte) {
		watch.Run(t, len(log), func() {
			what, err := readWAL(bytes.NewReader(log))
			require.Equal(t, what == "", errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF), "%q %v", what, err)
		})
	})
}
