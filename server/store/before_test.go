package store

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Ensures that a file from before, whose events have a second index by their
// ids, and which has no journal and lacks tables, is read, and gone on with as it is:
// nothing of it is lost, and all of it is sound.
func TestFilesOfBeforeGoOn(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	session, err := s.ContinueSession("session001", 1)
	require.NoError(t, err)
	pair, err := s.AddPair("p1", session.ID)
	require.NoError(t, err)
	require.NoError(t, s.Close())

	const idNow, idBefore = "id        TEXT NOT NULL, ", "id        TEXT NOT NULL UNIQUE, "
	events := strings.TrimSuffix(schema[strings.Index(schema, "CREATE TABLE event"):], erasedSchema)
	require.Contains(t, events, idNow)
	db, err := openDB(filepath.Join(dir, FileName), "rw")
	require.NoError(t, err)
	_, err = db.Exec("DROP TABLE event; DROP TABLE erased; DROP TABLE outing; DROP TABLE journal; PRAGMA user_version = 1; " + strings.Replace(events, idNow, idBefore, 1))
	require.NoError(t, err)
	var indexes int
	require.NoError(t, db.QueryRow("SELECT count(*) FROM sqlite_schema WHERE name LIKE 'sqlite_autoindex_event%'").Scan(&indexes))
	require.Equal(t, 1, indexes, "as it was before")
	require.NoError(t, db.Close())
	report := inspect(t, dir)
	require.True(t, report.Sound(), report.Findings)

	s = open(t, dir)
	first, second := event(t, "aaaaaaaaaa", 1, "look", nowMs), event(t, "aaaaaaaaaa", 2, "look", nowMs)
	require.Equal(t, []Outcome{Stored, Stored}, s.append(t, pair.ID, first, second))
	require.NoError(t, s.Close())
	s = open(t, dir)
	require.Equal(t, []Outcome{Known, Conflict}, s.append(t, pair.ID, first, event(t, "aaaaaaaaaa", 2, "asked", nowMs)))
	has, err := s.Has(context.Background(), pair.ID, &second)
	require.NoError(t, err)
	require.True(t, has)
	n, err := s.Erase(context.Background(), nil, []string{second.ID}, nil)
	require.NoError(t, err)
	require.EqualValues(t, 1, n)
	require.Equal(t, []Outcome{Erased, Stored}, s.append(t, pair.ID, second, event(t, "aaaaaaaaaa", 3, "look", nowMs)))
	require.NoError(t, s.Close())
	report = inspect(t, dir)
	require.True(t, report.Sound(), report.Findings)
	require.EqualValues(t, 2, report.Events)
}
