package store

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// secretIn tells in which files of a folder a private word of privateEvent stands.
func secretIn(t *testing.T, dir string) (found []string) {
	t.Helper()
	for name, content := range files(t, dir) {
		if bytes.Contains(content, []byte("a very private word")) {
			found = append(found, FileName+name)
		}
	}
	return found
}

func privateEvent(t *testing.T) protocol.Event {
	e := event(t, "aaaaaaaaaa", 1, "note", nowMs)
	e.Raw = []byte(strings.Replace(string(e.Raw), `"n":1`, `"text":"a very private word"`, 1))
	return e
}

func owed(t *testing.T, s *Store) bool {
	t.Helper()
	is, err := s.WipeOwed(t.Context())
	require.NoError(t, err)
	return is
}

// Ensures that an erase that could not take everything out of the folder says so, and that the next try does, though the
// events themselves are gone by then: after a reader kept the log beside the file, and after the journal could not be emptied.
func TestH21WhatAnEraseLeftIsWiped(t *testing.T) {
	for what, hinder := range map[string]func(t *testing.T, s *Store, dir string, disk *fakeDisk) (free func()){
		"a reader": func(t *testing.T, s *Store, dir string, _ *fakeDisk) func() {
			require.NoError(t, s.do(func(w *writer) error { return w.exec("PRAGMA busy_timeout = 1") }), "else it waits 10 s for the reader")
			db, err := openDB(filepath.Join(dir, FileName), "rw")
			require.NoError(t, err)
			db.SetMaxOpenConns(1)
			_, err = db.Exec("BEGIN; SELECT * FROM event")
			require.NoError(t, err)
			return func() { require.NoError(t, db.Close()) }
		},
		"the disk": func(_ *testing.T, _ *Store, _ string, disk *fakeDisk) func() {
			disk.fail(syscall.EIO, 0)
			return func() { disk.fail(nil, 0) }
		},
	} {
		t.Run(what, func(t *testing.T) {
			dir, disk := t.TempDir(), &fakeDisk{}
			s, err := Open(dir, now, FoldLater(clock.NewMock()), Files(disk.wrap))
			require.NoError(t, err)
			defer s.Close()
			secret := privateEvent(t)
			s.append(t, "p1", secret, event(t, "aaaaaaaaaa", 2, "look", nowMs))
			require.NoError(t, s.Settle(t.Context()))
			require.False(t, owed(t, s))
			free := hinder(t, s, dir, disk)
			n, err := s.Erase(t.Context(), nil, []string{secret.ID}, nil)
			var left *NotWipedError
			require.ErrorAs(t, err, &left)
			require.EqualValues(t, 1, n, "the events themselves are erased")
			require.True(t, owed(t, s))
			require.NotEmpty(t, secretIn(t, dir), "the test would prove nothing")
			require.ErrorAs(t, s.Wipe(t.Context()), &left, "it is no better yet")
			killed := files(t, dir)

			free()
			require.NoError(t, s.Wipe(t.Context()))
			require.False(t, owed(t, s))
			require.Empty(t, secretIn(t, dir))
			require.Equal(t, []Outcome{Erased, Stored}, s.append(t, "p1", secret, event(t, "aaaaaaaaaa", 3, "look", nowMs)))
			got, _ := reopened(t, dir)
			require.Len(t, got, 2)

			// Nor is anything left where the program was killed in between and started again.
			again := laid(t, killed)
			require.NotEmpty(t, secretIn(t, again))
			require.False(t, owed(t, open(t, again)))
			require.Empty(t, secretIn(t, again))
		})
	}
}

// Ensures that an erase which is refused on its way erases nothing, and owes nothing.
func TestH21AnEraseIsWholeOrNot(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	secret := privateEvent(t)
	s.append(t, "p1", secret)
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := s.Erase(gone, nil, []string{secret.ID}, nil)
	require.ErrorIs(t, err, context.Canceled)
	require.False(t, owed(t, s))
	require.Equal(t, []Outcome{Known}, s.append(t, "p1", secret))
}
