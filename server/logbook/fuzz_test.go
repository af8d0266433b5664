package logbook

import (
	"bytes"
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/server/steady"
	"buddyclock/server/store"
)

// FuzzLines ensures that whatever stands in a file is read to its end or refused
// with its line and reason, and that a file which is called whole is one that
// this program wrote.
func FuzzLines(f *testing.F) {
	st := open(f)
	anOuting(f, st, 1)
	text := exported(f, st, Scope{})
	f.Add(text)
	f.Add(text[:len(text)/2])
	for _, line := range bytes.SplitAfter(text, []byte("\n"))[1:] {
		f.Add(append(bytes.SplitAfterN(text, []byte("\n"), 2)[0], line...))
	}
	f.Add([]byte("{\"buddyclock\":\"log\",\"v\":2}\n"))
	f.Add([]byte("\n\n{}"))
	watch := steady.New(4_000, 4<<20)
	f.Fuzz(func(t *testing.T, text []byte) {
		watch.Run(t, len(text), func() {
			report, holds, err := Check(context.Background(), bytes.NewReader(text))
			require.LessOrEqual(t, report.Read, bytes.Count(text, []byte("\n"))+1)
			require.LessOrEqual(t, holds, report.Added)
			require.LessOrEqual(t, len(report.Refusals), report.Refused)
			for _, r := range report.Refusals {
				require.NotEmpty(t, r.Code)
				require.NotEmpty(t, r.Reason)
				require.LessOrEqual(t, r.Line, report.Read)
			}
			if err != nil {
				require.False(t, report.Whole, "%v", err)
			}
		})
	})
}

// FuzzImport ensures that what a file brings into the data file is there
// afterwards as often as the report says, and that the same file again brings
// nothing more.
func FuzzImport(f *testing.F) {
	made := open(f)
	anOuting(f, made, 1)
	text := exported(f, made, Scope{})
	f.Add(text)
	f.Add(text[:len(text)-100])
	watch := steady.New(6_000, 16<<20)
	f.Fuzz(func(t *testing.T, text []byte) {
		dir := t.TempDir()
		st, err := store.Open(dir, now)
		require.NoError(t, err)
		defer st.Close()
		watch.Run(t, len(text), func() {
			first, err := Import(context.Background(), st, bytes.NewReader(text), Options{})
			if err != nil {
				return
			}
			again, err := Import(context.Background(), st, bytes.NewReader(text), Options{})
			require.NoError(t, err)
			require.Zero(t, again.Added)
			require.Equal(t, first.Added+first.Known, again.Known)
			require.Equal(t, first.Refused, again.Refused)
			back := exported(t, st, Scope{})
			report, _, err := Check(context.Background(), bytes.NewReader(back))
			require.NoError(t, err)
			require.True(t, report.Whole)
			require.Equal(t, first.Added, report.Added)
		})
	})
}
