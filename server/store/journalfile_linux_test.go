package store

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unsafe"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"buddyclock/protocol"
)

// straight notes how a file is written to.
type straight struct {
	File
	t      *testing.T
	writes *int
}

func (f straight) WriteAt(b []byte, at int64) (int, error) {
	*f.writes++
	begins := uintptr(unsafe.Pointer(unsafe.SliceData(b)))
	require.Zero(f.t, begins%blockBytes, "begins within a block of memory")
	require.Zero(f.t, len(b)%blockBytes)
	require.Zero(f.t, at%blockBytes)
	flags, err := unix.FcntlInt(f.File.(*journalFile).Fd(), unix.F_GETFL, 0)
	require.NoError(f.t, err)
	before := flags & unix.O_DIRECT
	n, err := f.File.WriteAt(b, at)
	require.NoError(f.t, err)
	flags, err = unix.FcntlInt(f.File.(*journalFile).Fd(), unix.F_GETFL, 0)
	require.NoError(f.t, err)
	require.Equal(f.t, before, flags&unix.O_DIRECT, "the disk did not take it past the cache")
	return n, err
}

// Ensures that records large and small are such as a disk takes them past the
// system's cache (open(2) of Linux, on O_DIRECT).
func TestRecordsPassTheCache(t *testing.T) {
	writes, dir := 0, t.TempDir()
	s, err := Open(dir, now, FoldLater(clock.NewMock()), Files(func(f File) File { return straight{f, t, &writes} }))
	require.NoError(t, err)
	defer s.Close()
	n := 0
	for _, count := range []int{1, 10, 1, keptRecord/9000 + 1, 1} {
		var events []protocol.Event
		for range count {
			n++
			e := event(t, "aaaaaaaaaa", n, "note", nowMs)
			e.Raw = []byte(strings.Replace(string(e.Raw), `"data":{`, `"data":{"text":"`+strings.Repeat("x", 9000)+`",`, 1))
			events = append(events, e)
		}
		s.append(t, "p1", events...)
	}
	require.GreaterOrEqual(t, writes, 5)
	got, damaged := reopened(t, dir)
	require.False(t, damaged)
	require.Len(t, got, n)
}

// Ensures that what cannot be written past the cache goes through it.
func TestWritesThroughTheCacheWhereItMust(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f")
	f, err := openJournalFile(path)
	require.NoError(t, err)
	for at, text := range map[int64]string{0: "one ", 4: "and ", 8: "two"} { // no whole blocks
		n, err := f.WriteAt([]byte(text), at)
		require.NoError(t, err)
		require.Equal(t, len(text), n)
		require.NoError(t, f.Sync())
	}
	require.NoError(t, f.Close())
	got, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "one and two", string(got))
}
