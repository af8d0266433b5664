package store

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// anOuting makes a closed data file of two holds of a pair, and gives its folder.
func anOuting(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	s := open(t, dir)
	session, err := s.ContinueSession("s1", 1)
	require.NoError(t, err)
	_, err = s.AddPair("p1", session.ID)
	require.NoError(t, err)
	for n, kind := range []string{"plan", "start", "look", "asked", "answered", "contraction", "surfaced", "ok"} {
		s.append(t, "p1", event(t, "aaaaaaaaaa", n+1, kind, nowMs+int64(n)*1000))
	}
	other, err := protocol.Decode([]byte(`{"id":"bbbbbbbbbb-000001","hold":"h2","kind":"start","at":1790000100000,"by":"buddy"}`))
	require.NoError(t, err)
	s.append(t, "p1", other)
	require.NoError(t, s.Close())
	return dir
}

func inspect(t *testing.T, dir string) *Report {
	t.Helper()
	r, err := Inspect(context.Background(), filepath.Join(dir, FileName))
	require.NoError(t, err)
	return r
}

// spoil changes a closed data file by SQL, behind the program's back.
func spoil(t *testing.T, dir, query string, args ...any) {
	t.Helper()
	db, err := openDB(filepath.Join(dir, FileName), "rw")
	require.NoError(t, err)
	defer db.Close()
	_, err = db.Exec(query, args...)
	require.NoError(t, err)
}

// Ensures that a whole file is found sound and left as it is.
func TestInspectSoundFile(t *testing.T) {
	dir := anOuting(t)
	before, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	r := inspect(t, dir)
	require.True(t, r.Sound(), r.Findings)
	require.Equal(t, &Report{Events: 9, Holds: 2, Pairs: 1, LastStoredMs: nowMs}, r)
	after, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	require.True(t, slices.Equal(before, after))
	require.NoFileExists(t, filepath.Join(dir, FileName+"-wal"))
}

// Ensures that each kind of damage is found, and named with its event.
func TestH20InspectNamesTheEvent(t *testing.T) {
	const id = "aaaaaaaaaa-000005"
	for name, c := range map[string]struct {
		spoil func(t *testing.T, dir string)
		event string
		word  string
	}{
		"a time":     {func(t *testing.T, dir string) { spoil(t, dir, "UPDATE event SET at = at + 1 WHERE id = ?", id) }, id, "checksum"},
		"a body":     {func(t *testing.T, dir string) { spoil(t, dir, "UPDATE event SET body = x'7b7d' WHERE id = ?", id) }, id, "cannot be read"},
		"a checksum": {func(t *testing.T, dir string) { spoil(t, dir, "UPDATE event SET sum = x'00' WHERE id = ?", id) }, id, "checksum"},
		"a pair":     {func(t *testing.T, dir string) { spoil(t, dir, "UPDATE event SET pair = 'p9' WHERE id = ?", id) }, id, "p9"},
		"its place": {func(t *testing.T, dir string) {
			resum(t, dir, id, func(r *row) { r.hold = "h9" })
		}, id, "filed under"},
		"all pairs": {func(t *testing.T, dir string) { spoil(t, dir, "DELETE FROM pair") }, "aaaaaaaaaa-000001", "not there"},
		"an index":  {func(t *testing.T, dir string) { breakIndex(t, dir) }, "", "index"},
		"no table":  {func(t *testing.T, dir string) { spoil(t, dir, "DROP TABLE event") }, "", "no such table"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := anOuting(t)
			c.spoil(t, dir)
			r := inspect(t, dir)
			require.False(t, r.Sound())
			require.True(t, slices.ContainsFunc(r.Findings, func(f Finding) bool {
				return f.Event == c.event && strings.Contains(f.String(), c.word) && strings.Contains(f.String(), c.event)
			}), r.Findings)
		})
	}
}

// resum changes a row and gives it the checksum that belongs to it.
func resum(t *testing.T, dir, id string, change func(*row)) {
	t.Helper()
	db, err := openDB(filepath.Join(dir, FileName), "rw")
	require.NoError(t, err)
	defer db.Close()
	rows, err := db.Query("SELECT seq, "+rowColumns+" FROM event WHERE id = ?", id)
	require.NoError(t, err)
	require.True(t, rows.Next())
	r, sound, err := readRow(rows)
	require.NoError(t, err)
	require.True(t, sound)
	require.NoError(t, rows.Close())
	change(r)
	_, err = db.Exec("UPDATE event SET hold = ?, sum = ? WHERE id = ?", r.hold, r.sum(), id)
	require.NoError(t, err)
}

// breakIndex takes an event out of an index and leaves it in the table.
func breakIndex(t *testing.T, dir string) {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(dir, FileName))
	require.NoError(t, err)
	defer db.Close()
	db.SetMaxOpenConns(1)
	for _, query := range []string{
		"PRAGMA writable_schema = ON",
		"UPDATE sqlite_schema SET sql = 'CREATE INDEX event_plan ON event(pair, at) WHERE kind = ''look''' WHERE name = 'event_plan'",
	} {
		_, err = db.Exec(query)
		require.NoError(t, err)
	}
}

// Ensures that missing counters are told, and are no damage.
func TestInspectTellsGaps(t *testing.T) {
	dir := anOuting(t)
	spoil(t, dir, "DELETE FROM event WHERE counter IN (3, 4, 6) AND device = 'aaaaaaaaaa'")
	r := inspect(t, dir)
	require.True(t, r.Sound(), r.Findings)
	require.Equal(t, []Gap{{"aaaaaaaaaa", 3, 4}, {"aaaaaaaaaa", 6, 6}}, r.Gaps)
}

// Ensures that a report stays short however much is wrong.
func TestInspectReportIsShort(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	_, err := s.ContinueSession("s1", 1)
	require.NoError(t, err)
	_, err = s.AddPair("p1", "s1")
	require.NoError(t, err)
	for n := range 120 {
		s.append(t, "p1", event(t, "aaaaaaaaaa", 2*n+2, "look", nowMs))
	}
	require.NoError(t, s.Close())
	spoil(t, dir, "UPDATE event SET at = at + 1")
	r := inspect(t, dir)
	require.Len(t, r.Findings, listedAtMost)
	require.Equal(t, 2*120-listedAtMost, r.Unlisted, "a checksum and a place each")
	require.Len(t, r.Gaps, listedAtMost)
	require.Equal(t, 120-listedAtMost, r.UnlistedGaps)
}

// Ensures that a file with the log of a killed program beside it is looked
// through with it, and that a broken log is found; both stay as they are.
func TestInspectWithALog(t *testing.T) {
	content, log, want := aKilledFile(t)
	for _, broken := range []bool{false, true} {
		dir := t.TempDir()
		path := filepath.Join(dir, FileName)
		log := slices.Clone(log)
		if broken {
			log[len(log)/3] ^= 1
		}
		require.NoError(t, os.WriteFile(path, content, 0o600))
		require.NoError(t, os.WriteFile(path+"-wal", log, 0o600))
		r := inspect(t, dir)
		require.Equal(t, broken, slices.ContainsFunc(r.Findings, func(f Finding) bool { return strings.Contains(f.What, "its log is broken") }), r.Findings)
		if !broken {
			require.EqualValues(t, len(want), r.Events)
		}
		for name, want := range map[string][]byte{path: content, path + "-wal": log} {
			got, err := os.ReadFile(name)
			require.NoError(t, err)
			require.True(t, slices.Equal(want, got), name)
		}
	}
}

// Ensures that what cannot be looked at is said to be so, and is no damage.
func TestInspectCannotLook(t *testing.T) {
	dir := t.TempDir()
	_, err := Inspect(context.Background(), filepath.Join(dir, FileName))
	require.ErrorIs(t, err, os.ErrNotExist)
	_, err = Inspect(context.Background(), dir)
	require.ErrorContains(t, err, "is a folder")
	open(t, dir)
	_, err = Inspect(context.Background(), filepath.Join(dir, FileName))
	require.ErrorIs(t, err, ErrInUse)
	foreign := anOuting(t)
	spoil(t, foreign, "PRAGMA application_id = 7")
	_, err = Inspect(context.Background(), filepath.Join(foreign, FileName))
	require.ErrorContains(t, err, "not a data file of Buddyclock")
	newer := anOuting(t)
	spoil(t, newer, "PRAGMA user_version = 99")
	_, err = Inspect(context.Background(), filepath.Join(newer, FileName))
	require.ErrorContains(t, err, "another version")
}

// Ensures that an inspection finds whatever keeps a file from being opened, and
// never calls a file sound that gives other events: any byte changed, and cut
// off anywhere.
func TestH20InspectFindsEveryDamage(t *testing.T) {
	dir := anOuting(t)
	path := filepath.Join(dir, FileName)
	content, err := os.ReadFile(path)
	require.NoError(t, err)
	want := eventsIn(t, path)
	require.Len(t, want, 9)
	check := func(spoilt []byte, what string, at int) (sound bool) {
		require.NoError(t, os.WriteFile(path, spoilt, 0o600))
		r, err := Inspect(context.Background(), path)
		after, readErr := os.ReadFile(path)
		require.NoError(t, readErr)
		require.True(t, slices.Equal(spoilt, after), "%s %d: it was written to", what, at)
		if err != nil || !r.Sound() {
			return false
		}
		require.Equal(t, want, eventsIn(t, path), "%s %d", what, at)
		return true
	}
	found := 0
	for i := 0; i < len(content); i += stride(211) {
		spoilt := slices.Clone(content)
		spoilt[i] ^= 1 << (i % 8)
		if !check(spoilt, "flipped", i) {
			found++
		}
	}
	require.Greater(t, found, 10)
	for n := 0; n < len(content); n += stride(499) {
		require.False(t, check(content[:n], "cut", n), n)
	}
	require.False(t, check(content[:len(content)-1], "cut", len(content)-1))
	require.True(t, check(content, "whole", 0))
	t.Logf("%d bytes, %d of the changes noticed", len(content), found)
}

// eventsIn gives the texts of all events in a file, read past all checks.
func eventsIn(t *testing.T, path string) []string {
	t.Helper()
	db, err := openDB(path, "immutable")
	require.NoError(t, err)
	defer db.Close()
	rows, err := db.Query("SELECT pair || ' ' || body FROM event NOT INDEXED ORDER BY seq")
	require.NoError(t, err)
	texts, err := collect(rows, func(s *string) []any { return []any{s} })
	require.NoError(t, err)
	return texts
}
