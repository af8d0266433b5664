package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"

	"github.com/gofrs/flock"
	sqlite3 "modernc.org/sqlite/lib"

	"buddyclock/protocol"
)

// listedAtMost bounds the findings and gaps that a report lists.
const listedAtMost = 50

// Finding is one thing that is wrong with a data file.
type Finding struct {
	Event string // its id, or "" where it concerns no single event
	What  string
}

func (f Finding) String() string {
	if f.Event == "" {
		return f.What
	}
	return fmt.Sprintf("event %q %s", f.Event, f.What)
}

// Gap tells of a device's events that are not in the file, though later ones
// are. They may still be on that device, so this is no damage by itself.
type Gap struct {
	Device   string
	From, To int64 // counters
}

// Report is what an inspection found.
type Report struct {
	Events, Holds, Pairs int64
	Erased               int64 // events that were erased: only their ids are known
	LastStoredMs         int64 // shared time of the last event's coming, 0 if there is none
	Findings             []Finding
	Unlisted             int // further findings
	Gaps                 []Gap
	UnlistedGaps         int
}

// Sound tells whether nothing is wrong with the file.
func (r *Report) Sound() bool { return len(r.Findings) == 0 }

func (r *Report) find(event, format string, args ...any) {
	if len(r.Findings) == listedAtMost {
		r.Unlisted++
		return
	}
	r.Findings = append(r.Findings, Finding{event, fmt.Sprintf(format, args...)})
}

// Inspect looks through a whole data file, with the log beside it, and changes
// nothing: SQLite's own check, every event's checksum, every event against its
// columns, and every hold worked out from its events in two orders. It fails
// where the file cannot be looked at: ErrInUse while a server has it, or what
// stands in the way. path may also be a file that was set aside.
func Inspect(ctx context.Context, path string) (*Report, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the data file: %w", err)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is a folder or a device, and no data file", path)
	}
	if filepath.Base(path) == FileName {
		lock := flock.New(filepath.Join(filepath.Dir(path), lockName), flock.SetPermissions(0o600))
		held, err := lock.TryLock()
		// A folder in which no lock can be made is one that no server writes to.
		if err == nil && !held {
			return nil, fmt.Errorf("%w %s", ErrInUse, filepath.Dir(path))
		}
		if err == nil {
			defer lock.Unlock()
		}
	}
	r := &Report{}
	if info.Size() == 0 {
		r.find("", "the file is empty")
		return r, nil
	}
	if what, err := walDamage(path); err != nil {
		return nil, fmt.Errorf("cannot read the log of the data file: %w", err)
	} else if what != "" {
		r.find("", "%s: what was stored last cannot all be read", what)
	}
	// Without a log nothing needs to be made beside the file to read it.
	mode := "immutable"
	if hasLog(path) {
		mode = "ro"
	}
	if isCutOff(path, info) {
		r.find("", "%s", cutOff)
	}
	db, err := openDB(path, mode, "busy_timeout(10000)", "temp_store(MEMORY)")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1) // the journal's events are shown to one connection
	return r, r.inspect(ctx, path, db)
}

func (r *Report) inspect(ctx context.Context, path string, db *sql.DB) error {
	var app, format int64
	if err := db.QueryRowContext(ctx, "SELECT * FROM pragma_application_id, pragma_user_version").Scan(&app, &format); err != nil {
		return r.broken(err, "its head cannot be read")
	}
	switch {
	case app != applicationID:
		return fmt.Errorf("%s is not a data file of Buddyclock, or its head is damaged", path)
	case format < oldestVersion || format > formatVersion:
		return fmt.Errorf("%s was written by another version of Buddyclock (its format is %d, this program reads %d), or its head is damaged", path, format, formatVersion)
	}
	for _, step := range []struct {
		look func(context.Context, *sql.DB) error
		what string
	}{
		{func(ctx context.Context, db *sql.DB) error { return r.journal(ctx, path, db) }, "its journal cannot be read"},
		{r.structure, "its tables cannot all be read"},
		{r.events, "reading its events breaks off"},
		{r.strangers, "its pairs cannot be read"},
		{r.gaps, "its events cannot be counted"},
	} {
		if err := step.look(ctx, db); err != nil {
			if err := r.broken(err, step.what); err != nil {
				return err
			}
		}
	}
	return nil
}

// broken makes a finding of SQLite's words for damage, and leaves other errors.
func (r *Report) broken(err error, what string) error {
	code, ok := sqliteCode(err)
	switch {
	case ok && (code == sqlite3.SQLITE_CORRUPT || code == sqlite3.SQLITE_NOTADB || code == sqlite3.SQLITE_ERROR):
		r.find("", "%s (%v)", what, err)
		return nil
	case ok && (code == sqlite3.SQLITE_CANTOPEN || code == sqlite3.SQLITE_READONLY):
		return fmt.Errorf("the file has a log beside it and lies in a folder that cannot be written to: copy all of it elsewhere and verify the copy (%w)", err)
	}
	return fmt.Errorf("cannot read the data file: %w", err)
}

// allEvents are those of the file, and after them those of its journal. It goes by
// the table itself, since an index that is broken could hide some.
const allEvents = "temp.every_event"

// journal reads the events that are not in the file yet, and puts them beside
// those that are.
func (r *Report) journal(ctx context.Context, path string, db *sql.DB) error {
	exec := func(query string, args ...any) error {
		_, err := db.ExecContext(ctx, query, args...)
		return err
	}
	if err := exec("CREATE TEMP TABLE recent (seq INTEGER PRIMARY KEY, id, pair, hold, kind, device, counter, at, stored_ms, body, sum)"); err != nil {
		return err
	}
	if err := exec("CREATE TEMP VIEW every_event AS SELECT seq, " + rowColumns + " FROM main.event NOT INDEXED UNION ALL SELECT * FROM recent"); err != nil {
		return err
	}
	head, err := readJournalHead(db)
	if err != nil {
		return err
	}
	records, what, err := readJournal(path, head)
	if err != nil {
		return fmt.Errorf("cannot read its journal: %w", err)
	}
	if what != "" {
		r.find("", "%s: what was stored last cannot all be read", what)
	}
	seq := recentSeq
	for _, record := range records {
		for _, one := range record.rows {
			seq++
			if err := exec("INSERT INTO recent SELECT ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? WHERE NOT EXISTS (SELECT 1 FROM main.event WHERE device = ?6 AND counter = ?7)",
				seq, one.id, one.pair, one.hold, one.kind, one.device, one.counter, one.at, one.storedMs, one.body, one.sum()); err != nil {
				return err
			}
		}
	}
	return nil
}

// structure has SQLite check its pages, tables and indexes.
func (r *Report) structure(ctx context.Context, db *sql.DB) error {
	rows, err := db.QueryContext(ctx, fmt.Sprintf("PRAGMA integrity_check(%d)", listedAtMost))
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var verdict string
		if err := rows.Scan(&verdict); err != nil {
			return err
		}
		if verdict != "ok" {
			r.find("", "SQLite finds: %s", verdict)
		}
	}
	return rows.Err()
}

// events reads every event, hold by hold.
func (r *Report) events(ctx context.Context, db *sql.DB) error {
	rows, err := db.QueryContext(ctx, "SELECT seq, "+rowColumns+" FROM "+allEvents+" ORDER BY pair, hold, seq")
	if err != nil {
		return err
	}
	defer rows.Close()
	var pair, hold string
	var events []protocol.Event
	for rows.Next() {
		one, sound, err := readRow(rows)
		if err != nil {
			return err
		}
		if r.Events == 0 || one.pair != pair || one.hold != hold {
			r.fold(hold, events)
			pair, hold, events = one.pair, one.hold, nil
			r.Holds++
		}
		r.Events++
		r.LastStoredMs = max(r.LastStoredMs, one.storedMs)
		if !sound {
			r.find(one.id, "does not match its checksum")
		}
		e, err := protocol.Decode(one.body)
		switch {
		case err != nil:
			r.find(one.id, "cannot be read: %v", err)
		case !one.tells(&e):
			r.find(one.id, "is filed under what it does not say of itself")
		default:
			events = append(events, e)
		}
	}
	r.fold(hold, events)
	return rows.Err()
}

// tells tells whether a row's columns are those of its event.
func (r *row) tells(e *protocol.Event) bool {
	counter, ok := protocol.CounterOf(e.ID)
	return ok && r.id == e.ID && r.hold == e.Hold && r.kind == e.Kind && r.at == e.At &&
		r.device == protocol.DeviceOf(e.ID) && r.counter == counter
}

// fold works a hold out from its events as they came and the other way round:
// the same events must give the same hold.
func (r *Report) fold(id string, events []protocol.Event) {
	if len(events) == 0 {
		return
	}
	one, other := protocol.NewHold(id), protocol.NewHold(id)
	last := events[0].At
	for i, e := range events {
		if _, conflict := one.Add(e); conflict {
			r.find(e.ID, "is there twice, with two contents")
		}
		other.Add(events[len(events)-1-i])
		last = max(last, e.At)
	}
	if !bytes.Equal(outcome(one, last), outcome(other, last)) {
		r.find("", "hold %q comes out differently when its events come in another order", id)
	}
}

func outcome(h *protocol.Hold, atMs int64) []byte {
	text, err := json.Marshal([]any{h.StatusAt(atMs), protocol.Summarize(h, atMs)})
	if err != nil {
		panic("store: a hold of our own cannot be spelt: " + err.Error())
	}
	return text
}

// strangers finds events of pairs that the file does not have.
func (r *Report) strangers(ctx context.Context, db *sql.DB) error {
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM pair").Scan(&r.Pairs); err != nil {
		return err
	}
	return each(ctx, db, func(id, pair string) { r.find(id, "belongs to a pair %q that is not there", pair) },
		"SELECT id, pair FROM "+allEvents+" WHERE pair NOT IN (SELECT id FROM pair) ORDER BY seq")
}

// gaps finds counters that are missing below a device's last one, and were not
// erased.
func (r *Report) gaps(ctx context.Context, db *sql.DB) error {
	erased := ""
	var there bool
	if err := db.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM sqlite_master WHERE name = 'erased')").Scan(&there); err != nil {
		return err
	}
	if there { // files of before have no such table
		erased = " UNION ALL SELECT device, counter FROM erased NOT INDEXED"
		if err := db.QueryRowContext(ctx, "SELECT count(*) FROM erased").Scan(&r.Erased); err != nil {
			return err
		}
	}
	last := map[string]int64{}
	return each(ctx, db, func(device string, counter int64) {
		if from := last[device] + 1; from < counter {
			if len(r.Gaps) < listedAtMost {
				r.Gaps = append(r.Gaps, Gap{device, from, counter - 1})
			} else {
				r.UnlistedGaps++
			}
		}
		last[device] = counter
	}, "SELECT device, counter FROM "+allEvents+erased+" ORDER BY device, counter")
}

// each calls use with the two columns of every row.
func each[A, B any](ctx context.Context, db *sql.DB, use func(A, B), query string) error {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var a A
		var b B
		if err := rows.Scan(&a, &b); err != nil {
			return err
		}
		use(a, b)
	}
	return rows.Err()
}
