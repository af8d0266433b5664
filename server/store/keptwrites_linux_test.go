package store

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// Ensures that a file has what was written to it, whichever writes the system took
// without a thread that waits; and that it takes those for which there is room, on the
// file systems that are known to (open(2) and io_submit(2) of Linux).
func TestKeptWritesAreWrites(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f")
	opened, err := openJournalFile(path)
	require.NoError(t, err)
	f := opened.(*journalFile)
	defer f.Close()
	const room = 64
	want := make([]byte, room*blockBytes)
	_, err = f.WriteAt(blocks(len(want)), 0)
	require.NoError(t, err)
	require.NoError(t, f.Sync())
	require.False(t, f.unsynced)

	kept, inRoom := 0, 0
	for n := range 300 {
		b := blocks((1 + rand.IntN(4)) * blockBytes)
		copy(b, bytes.Repeat([]byte{byte(n), byte(n >> 8), 1}, len(b)/3))
		at := rand.IntN(room)
		end := at*blockBytes + len(b)
		if end <= len(want) {
			inRoom++
		} else {
			want = append(want, make([]byte, end-len(want))...)
		}
		copy(want[at*blockBytes:], b)
		f.worth = worth{last: time.Now(), close: succession} // as in a succession, and none was slow
		got, err := f.WriteAt(b, int64(at*blockBytes))
		require.NoError(t, err)
		require.Equal(t, len(b), got)
		if !f.unsynced {
			kept++
		}
		require.NoError(t, f.Sync())
		require.False(t, f.unsynced)
	}
	is, err := os.ReadFile(path)
	require.NoError(t, err)
	require.True(t, bytes.Equal(want, is))
	t.Logf("%d of 300 writes, %d of them where there was room, had no thread that waited", kept, inRoom)
	var system unix.Statfs_t
	require.NoError(t, unix.Statfs(path, &system))
	if known := system.Type == unix.EXT4_SUPER_MAGIC || system.Type == unix.XFS_SUPER_MAGIC; known && f.kept != nil {
		require.GreaterOrEqual(t, kept, inRoom/2)
	}
}

// Ensures that what the system refuses is told, and that writes go on after it.
func TestKeptWritesThatAreRefused(t *testing.T) {
	for range 2 { // the second time with what the first left
		k := newKeptWrites()
		if k == nil {
			t.Log("this system has none")
			return
		}
		path := filepath.Join(t.TempDir(), "f")
		require.NoError(t, os.WriteFile(path, make([]byte, 2*blockBytes), 0o600))
		reads, err := os.Open(path)
		require.NoError(t, err)
		require.False(t, k.write(reads, blocks(blockBytes), 0), "to a file that is only read")
		require.NoError(t, reads.Close())
		require.False(t, k.write(reads, blocks(blockBytes), 0), "to a closed file")
		require.False(t, k.write(reads, nil, 0))
		k.close()
	}
	require.False(t, (*keptWrites)(nil).write(nil, blocks(blockBytes), 0))
}

// Ensures that kept writes are for long successions of records, also where one needs
// two writes, and that several slow ones in a row have them left alone for a while.
func TestKeptWritesAreForLongSuccessions(t *testing.T) {
	var w worth
	now := time.UnixMilli(nowMs)
	record := func(after, takes time.Duration) bool {
		now = now.Add(after)
		kept := w.now(now)
		require.Equal(t, kept, w.now(now), "room is made for it first")
		if now = now.Add(takes); kept {
			w.took(takes, now)
		}
		w.done(now)
		return kept
	}
	begin := func() {
		for range succession + 1 { // the first comes after nothing
			require.False(t, record(soonAfter-1, 0))
		}
	}
	begin()
	require.True(t, record(soonAfter-1, 0))
	require.False(t, record(soonAfter, 0), "late, and so the first of another succession")
	for range succession {
		require.False(t, record(soonAfter-1, 0))
	}
	for range slowInARow - 1 {
		require.True(t, record(time.Millisecond, slowWrite))
	}
	require.True(t, record(time.Millisecond, slowWrite-1), "not all in a row")
	for range slowInARow {
		require.True(t, record(time.Millisecond, slowWrite))
	}
	require.False(t, record(time.Millisecond, 0))
	now = now.Add(triedAgain - time.Second)
	begin()
	require.False(t, record(0, 0), "it is no time yet")
	now = now.Add(time.Second)
	begin()
	require.True(t, record(0, 0), "tried once more")
}
