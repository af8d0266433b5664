package store

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// every makes the tests below try each byte. Without it they take strides that
// are prime to the page size, which reach every kind of place in seconds.
var every = flag.Bool("every", false, "spoil every single byte; takes many minutes, fewer with TMPDIR in memory")

func stride(n int) int {
	if *every {
		return 1
	}
	return n
}

// aFile makes a small data file with events and gives its bytes.
func aFile(t *testing.T) (content []byte, want []string) {
	t.Helper()
	dir := t.TempDir()
	s := open(t, dir)
	for n := range 20 {
		s.append(t, "p1", event(t, "aaaaaaaaaa", n+1, "look", nowMs+int64(n)))
	}
	want = bodies(t, s, "p1", "aaaaaaaaaa")
	require.Len(t, want, 20)
	require.NoError(t, s.Close())
	content, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	return content, want
}

// judge opens a folder with a spoilt file in it. It demands that the damage is
// either noticed, with the file set aside unchanged, or harmless.
func judge(t *testing.T, spoilt []byte, want []string) (noticed bool) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	require.NoError(t, os.WriteFile(path, spoilt, 0o600))
	s, err := Open(dir, now)
	if err != nil {
		kept := path
		var damaged *DamagedError
		if errors.As(err, &damaged) {
			require.NoFileExists(t, path)
			kept = damaged.Aside
			require.Contains(t, err.Error(), "set aside")
		}
		require.Contains(t, err.Error(), path)
		now, readErr := os.ReadFile(kept)
		require.NoError(t, readErr)
		require.True(t, slices.Equal(spoilt, now), "a damaged file was written to")
		return true
	}
	defer s.Close()
	raw, err := s.Missing(context.Background(), "p1", []string{"aaaaaaaaaa"}, Counts{})
	require.NoError(t, err)
	var got []string
	for _, b := range raw {
		got = append(got, string(b))
	}
	require.Equal(t, want, got)
	return false
}

// Ensures that a file with any byte changed is noticed or harmless.
func TestH20FlippedBytesAreNoticed(t *testing.T) {
	content, want := aFile(t)
	noticed := 0
	for i := 0; i < len(content); i += stride(397) {
		spoilt := slices.Clone(content)
		spoilt[i] ^= 1 << (i % 8)
		if judge(t, spoilt, want) {
			noticed++
		}
	}
	require.Greater(t, noticed, 10)
	require.False(t, judge(t, content, want))
}

// Ensures that every byte of a stored event is watched over.
func TestH20EveryByteOfAnEvent(t *testing.T) {
	content, want := aFile(t)
	body := want[7]
	at := strings.Index(string(content), body)
	require.Positive(t, at)
	for i := at; i < at+len(body); i += stride(7) {
		spoilt := slices.Clone(content)
		spoilt[i] ^= 0x01
		require.True(t, judge(t, spoilt, want), i-at)
	}
}

// Ensures that a file cut off anywhere is noticed.
func TestH20CutFilesAreNoticed(t *testing.T) {
	content, want := aFile(t)
	for n := 0; n < len(content); n += stride(997) {
		require.True(t, judge(t, content[:n], want), n)
	}
	for n := 0; n < len(content); n += 4096 {
		require.True(t, judge(t, content[:n], want), n)
	}
	require.True(t, judge(t, content[:len(content)-1], want))
}

// Ensures that a damaged file is refused in one sentence that says where it is
// now, and that the next start begins anew beside it.
func TestDamagedFileIsSetAside(t *testing.T) {
	content, want := aFile(t)
	at := strings.Index(string(content), want[3])
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	for n := range 2 {
		spoilt := slices.Clone(content)
		copy(spoilt[at:], "nothing that belongs here")
		require.NoError(t, os.WriteFile(path, spoilt, 0o600))
		require.NoError(t, os.WriteFile(path+"-wal", nil, 0o600))
		_, err := Open(dir, now)
		var damaged *DamagedError
		require.ErrorAs(t, err, &damaged)
		require.NotContains(t, err.Error(), "\n")
		require.FileExists(t, damaged.Aside)
		found, err := filepath.Glob(path + ".damaged-*")
		require.NoError(t, err)
		require.GreaterOrEqual(t, len(found), n+1)
	}
	s := open(t, dir)
	require.Empty(t, bodies(t, s, "p1", "aaaaaaaaaa"))
}

// Ensures that another program's file, or another version's, is left alone.
func TestForeignFilesAreLeftAlone(t *testing.T) {
	for name, change := range map[string]string{
		"another program": "PRAGMA application_id = 7",
		"another version": fmt.Sprintf("PRAGMA user_version = %d", formatVersion+1),
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			require.NoError(t, open(t, dir).Close())
			path := filepath.Join(dir, FileName)
			db, err := openDB(path, "rw")
			require.NoError(t, err)
			_, err = db.Exec(change)
			require.NoError(t, err)
			require.NoError(t, db.Close())
			_, err = Open(dir, now)
			require.Error(t, err)
			var damaged *DamagedError
			require.False(t, errors.As(err, &damaged), err)
			require.FileExists(t, path)
		})
	}
}
