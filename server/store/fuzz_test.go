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

// FuzzJournal ensures that whatever stands in a file of the journal is read to its
// end, and that no more is taken for a record than what was written as one.
func FuzzJournal(f *testing.F) {
	id := journalID{1, 2, 3, 4, 5, 6, 7, 8}
	var content []byte
	for n := range int64(4) {
		var rows []*row
		for i := range 1 + 3*n {
			e := event(f, "aaaaaaaaaa", int(10*n+i+1), "look", nowMs)
			r, _ := rowOf("p1", nowMs, &e)
			rows = append(rows, &r)
		}
		content = appendRecord(content, id, n+1, rows)
	}
	f.Add(content)
	f.Add(content[blockBytes+7:])
	f.Add(bytes.Repeat(content[:recordHeadBytes], 200))
	f.Add([]byte{})
	watch := steady.New(20, 1<<20)
	f.Fuzz(func(t *testing.T, content []byte) {
		watch.Run(t, len(content), func() {
			records, err := readRecords(bytes.NewReader(content), int64(len(content)), id, 1)
			require.NoError(t, err)
			for _, r := range records {
				require.Greater(t, r.number, int64(1))
				require.True(t, bytes.Contains(content, appendRecord(nil, id, r.number, r.rows)[:recordHeadBytes]))
			}
		})
	})
}
