package store

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// aKilledFile gives a data file and its log as a killed program leaves them,
// after some transactions of one event each.
func aKilledFile(t *testing.T) (content, log []byte, want []string) {
	t.Helper()
	dir := t.TempDir()
	s := open(t, dir)
	for n := range 12 {
		s.append(t, "p1", event(t, "aaaaaaaaaa", n+1, "look", nowMs+int64(n)))
		require.NoError(t, s.Settle(t.Context()))
	}
	want = bodies(t, s, "p1", "aaaaaaaaaa")
	content, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	log, err = os.ReadFile(filepath.Join(dir, FileName+"-wal"))
	require.NoError(t, err)
	require.Greater(t, len(log), 12*walFrameBytes)
	return content, log, want
}

// recovered opens a file with a log; damaged tells that it was refused.
func recovered(t *testing.T, content, log []byte) (got []string, damaged bool) {
	t.Helper()
	return restarted(t, map[string][]byte{"": content, "-wal": log})
}

// Ensures that everything stored is there again after a kill, and that the log's
// last transaction alone is given up where its end is missing.
func TestH08LogOfAKilledProgram(t *testing.T) {
	content, log, want := aKilledFile(t)
	got, damaged := recovered(t, content, log)
	require.False(t, damaged)
	require.Equal(t, want, got)
	for n := len(log) - 1; n > 0; n -= stride(4999) {
		got, damaged := recovered(t, content, log[:n])
		require.False(t, damaged, n)
		require.True(t, slices.Equal(want[:len(got)], got), n)
	}
}

// Ensures that a damaged file with a sound log beside it is set aside with it,
// both unchanged.
func TestH20DamagedFileWithALog(t *testing.T) {
	content, log, _ := aKilledFile(t)
	copy(content[len(content)/2:], "nothing that belongs here")
	copy(content[4096:], "nothing that belongs here")
	_, damaged := recovered(t, content, log[:walHeaderBytes+walFrameBytes])
	require.True(t, damaged)
}

// Ensures that a log with any byte changed is noticed, but for its last two
// transactions, which a power cut could have left just so. What is missing then
// is missing at the end, and the phones send it again.
func TestH20FlippedBytesInTheLog(t *testing.T) {
	content, log, want := aKilledFile(t)
	noticed, tried := 0, 0
	for i := 0; i < len(log); i += stride(2999) {
		spoilt := slices.Clone(log)
		spoilt[i] ^= 1 << (i % 8)
		tried++
		got, damaged := recovered(t, content, spoilt)
		if damaged {
			noticed++
			continue
		}
		require.True(t, slices.Equal(want[:len(got)], got), i)
		require.GreaterOrEqual(t, len(got), len(want)-2, i)
	}
	require.Greater(t, noticed, tried/2)
	for i := range walHeaderBytes {
		spoilt := slices.Clone(log)
		spoilt[i] ^= 0x10
		_, damaged := recovered(t, content, spoilt)
		require.True(t, damaged, i)
	}
}

// Ensures that frames of an earlier round behind the log's end, and a last
// transaction whose pages reached the disk out of order, are no damage.
func TestLogOfAPowerCutIsSound(t *testing.T) {
	content, log, want := aKilledFile(t)
	frames := (len(log) - walHeaderBytes) / walFrameBytes
	frame := func(log []byte, n int) []byte { return log[walHeaderBytes+n*walFrameBytes:][:walFrameBytes] }

	// The last transaction begins after the commit before the last one.
	begin := frames - 1
	for begin > 0 && !slices.ContainsFunc(frame(log, begin-1)[4:8], func(b byte) bool { return b != 0 }) {
		begin--
	}
	require.Less(t, begin, frames-1, "the last transaction has several pages")
	for n := begin; n < frames; n++ {
		zeroed := slices.Clone(log)
		clear(frame(zeroed, n))
		old := slices.Clone(log)
		copy(frame(old, n), frame(log, 0))
		old[walHeaderBytes+n*walFrameBytes+8]++ // another round's salt
		copy(frame(old, n)[4:8], []byte{0, 0, 0, 9})
		for _, cut := range [][]byte{zeroed, old} {
			got, damaged := recovered(t, content, cut)
			require.False(t, damaged, n)
			require.Equal(t, want[:len(want)-1], got)
		}
	}
}
