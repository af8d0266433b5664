// Package store keeps a session's events on disk, in one SQLite file.
//
// Four things hold, and tests watch them:
//
//   - An event is reported as stored only after it has reached the disk: first in
//     the journal, and some seconds later in the SQLite file (WAL,
//     synchronous=FULL).
//   - One goroutine writes the journal. It takes all events that are waiting into
//     one record, so that many devices share one wait for the disk. Another one
//     writes to the SQLite file, and no live event waits for that.
//   - Readers use connections of their own and never wait for a writer.
//   - A damaged file is never written to: it is set aside and named.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"syscall"

	"github.com/benbjohnson/clock"
	"github.com/gofrs/flock"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"buddyclock/server/folder"
)

// FileName is the name of the data file in its folder.
const FileName = "buddyclock.db"

// lockName is the file by which one program at a time has the folder.
const lockName = "buddyclock.lock"

// durable are the pragmas by which a commit has reached the disk when it
// returns, and what is deleted is gone. A Mac's fsync stops at the drive's own
// memory unless it is asked for more; elsewhere fullfsync changes nothing. init
// has it wait for the data alone, where the system can: the time at which a file
// was changed need not outlast a power cut.
var durable = []string{"synchronous(FULL)", "fullfsync(ON)", "checkpoint_fullfsync(ON)", "secure_delete(ON)"}

// longLog is the length of SQLite's log in pages from which on a commit folds it into
// the file. Nobody waits for a commit long; the fewer times, the less is written.
const longLog = 4000

// writeCacheKB is how much of the file who writes it has in memory at most: enough
// for the pages that a fold of a large outing comes to, so that none is written twice.
const writeCacheKB = 16 << 10

func init() {
	// Where it cannot be, all is waited for.
	_, _ = sqlite.Fdatasync(true)
}

// openCheckBytes is the size up to which a file is checked whole when it is
// opened. Larger ones would keep people waiting; `buddyclock verify` reads those.
const openCheckBytes = 16 << 20

// ErrInUse is returned by Open when another program has the data folder.
var ErrInUse = errors.New("another Buddyclock is using the data folder")

// DamagedError tells that the data file cannot be trusted.
type DamagedError struct {
	File   string // where the file was
	Aside  string // where it is now; empty if it could not be moved
	Reason string
}

func (e *DamagedError) Error() string {
	if e.Aside == "" {
		return fmt.Sprintf("the data file %s is damaged (%s); nothing was changed in it: move it away to begin with an empty one", e.File, e.Reason)
	}
	return fmt.Sprintf("the data file %s is damaged (%s); it was set aside, unchanged, as %s: start again to begin with an empty one; `buddyclock verify` with its name says all that is wrong with it", e.File, e.Reason, e.Aside)
}

// Store is an open data file. Its methods may be called from any goroutine.
type Store struct {
	path  string
	nowMs func() int64
	lock  *flock.Flock
	read  *reader
	write *sql.DB
	clk   clock.Clock     // nil where events are folded as they come
	wrap  func(File) File // what puts another file in place, or nil
	tell  func(error)     // of folds that begin to fail, or nil

	arrivals  *queue[*arrival] // for the keeper
	recent    *recent
	kept      chan struct{} // closed once the keeper has ended
	keptErr   error         // what went wrong at its end
	jobs      *queue[job]   // for the committer
	committed chan struct{} // closed once the committer has ended
	erasing   sync.Mutex    // held by whoever erases or wipes

	mu               sync.Mutex // guards those below
	settling, wiping []chan error
	tops             map[string]int64 // of devices, as last read
}

// Option is something that a store may be opened with.
type Option func(*Store)

// Troubled has tell called with why once events cannot be brought into the data file
// and stay in the journal, and with nil once they can again. It must not block.
func Troubled(tell func(error)) Option { return func(s *Store) { s.tell = tell } }

// Files has each file of the journal replaced by what wrap gives for it, as a test
// does that fails a disk.
func Files(wrap func(File) File) Option { return func(s *Store) { s.wrap = wrap } }

// Open opens the data file in dir, and makes folder and file where there are
// none. nowMs gives the shared time in Unix ms. The error is ErrInUse, a
// *DamagedError, or tells what stands in the way.
func Open(dir string, nowMs func() int64, options ...Option) (*Store, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("cannot make the data folder: %w", err)
	}
	path := filepath.Join(dir, FileName)
	lock := flock.New(filepath.Join(dir, lockName), flock.SetPermissions(0o600))
	held, err := lock.TryLock()
	if err != nil {
		return nil, fmt.Errorf("cannot write to the data folder: %w", err)
	}
	if !held {
		return nil, fmt.Errorf("%w %s", ErrInUse, dir)
	}
	s := &Store{
		path: path, nowMs: nowMs, lock: lock,
		arrivals: newQueue[*arrival](), recent: newRecent(), kept: make(chan struct{}),
		jobs: newQueue[job](), committed: make(chan struct{}), tops: map[string]int64{},
	}
	for _, set := range options {
		set(s)
	}
	if err := s.open(); err != nil {
		s.closeFiles()
		var damaged *DamagedError
		if errors.As(err, &damaged) {
			damaged.Aside, _ = setAside(path, nowMs())
		}
		return nil, err
	}
	return s, nil
}

func (s *Store) open() error {
	if _, err := os.Stat(s.path); errors.Is(err, os.ErrNotExist) {
		if err := create(s.path); err != nil {
			return fmt.Errorf("cannot make the data file: %w", inWords(err))
		}
	}
	records, err := s.judgeFile()
	if err != nil {
		return err
	}
	s.write, err = openDB(s.path, "rw", append([]string{
		"journal_mode(WAL)", "busy_timeout(10000)", "foreign_keys(ON)",
		fmt.Sprintf("wal_autocheckpoint(%d)", longLog), fmt.Sprintf("cache_size(-%d)", writeCacheKB),
	}, durable...)...)
	if err != nil {
		return err
	}
	s.write.SetMaxOpenConns(1)
	if err := s.renew(); err != nil {
		return s.judgeError(err)
	}
	read, err := openDB(s.path, "rw", "query_only(ON)", "busy_timeout(10000)")
	if err != nil {
		return err
	}
	s.read = newReader(read)
	s.read.SetMaxOpenConns(4)
	s.read.SetMaxIdleConns(4)
	w, err := newWriter(s.write)
	if err != nil {
		return s.judgeError(err)
	}
	go s.commitLoop(w)
	if err := s.startKeeping(records); err != nil {
		s.jobs.close()
		<-s.committed
		return err
	}
	// What still cannot be wiped stays owed, and is no reason to have no outing.
	_ = s.Wipe(context.Background())
	return nil
}

// renew adds to a file of before what it lacks.
func (s *Store) renew() error {
	var format int
	if err := s.write.QueryRow("PRAGMA user_version").Scan(&format); err != nil || format == formatVersion {
		return err
	}
	_, err := s.write.Exec(fmt.Sprintf("BEGIN; %s %s %s PRAGMA user_version=%d; COMMIT;", additions, erasedSchema, journalSchema, formatVersion))
	return err
}

// startKeeping brings what a program that was killed left in its journal into the
// data file, and goes on with an empty one.
func (s *Store) startKeeping(records []record) error {
	var left []*row
	for _, r := range records {
		left = append(left, r.rows...)
	}
	if len(left) > 0 {
		if err := s.fold(left, records[len(records)-1].number); err != nil {
			return s.judgeError(err)
		}
	}
	head, err := readJournalHead(s.read.DB)
	if err != nil {
		return s.judgeError(err)
	}
	j, err := openJournal(s.path, head, s.wrap)
	if err != nil {
		return err
	}
	go newKeeper(s, j).keepLoop()
	return nil
}

// readJournalHead reads what a data file says of its journal; nothing where it has
// none yet.
func readJournalHead(db *sql.DB) (head journalHead, err error) {
	var there bool
	if err := db.QueryRow("SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'journal')").Scan(&there); err != nil || !there {
		return head, err
	}
	var id []byte
	err = db.QueryRow("SELECT id, folded FROM journal").Scan(&id, &head.folded)
	copy(head.id[:], id)
	return head, err
}

// judgeFile refuses what is not a whole, readable file of ours. It gives what is
// in its journal and not in the file.
func (s *Store) judgeFile() ([]record, error) {
	info, err := os.Stat(s.path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the data file: %w", err)
	}
	// create never leaves an empty file, so an empty one has lost its content.
	if info.Size() == 0 {
		return nil, &DamagedError{File: s.path, Reason: "it is empty"}
	}
	if isCutOff(s.path, info) {
		return nil, &DamagedError{File: s.path, Reason: cutOff}
	}
	if what, err := walDamage(s.path); err != nil {
		return nil, fmt.Errorf("cannot read the log of the data file: %w", err)
	} else if what != "" {
		return nil, &DamagedError{File: s.path, Reason: what}
	}
	// Read-only: closing it must not write the log into a file that is damaged.
	db, err := openDB(s.path, "ro", "busy_timeout(10000)")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	var app, format int64
	if err := db.QueryRow("PRAGMA application_id").Scan(&app); err != nil {
		return nil, s.judgeError(err)
	}
	if err := db.QueryRow("PRAGMA user_version").Scan(&format); err != nil {
		return nil, s.judgeError(err)
	}
	switch {
	case app != applicationID:
		return nil, fmt.Errorf("%s is not a data file of Buddyclock; choose another folder with -data", s.path)
	case format < oldestVersion || format > formatVersion:
		return nil, fmt.Errorf("%s was written by another version of Buddyclock (its format is %d, this program reads %d); use that version, or choose another folder with -data", s.path, format, formatVersion)
	}
	head, err := readJournalHead(db)
	if err != nil {
		return nil, s.judgeError(err)
	}
	records, what, err := readJournal(s.path, head)
	switch {
	case err != nil:
		return nil, fmt.Errorf("cannot read the journal of the data file: %w", err)
	case what != "":
		return nil, &DamagedError{File: s.path, Reason: what}
	case info.Size() > openCheckBytes:
		return records, nil
	}
	if _, err := verify(context.Background(), db); err != nil {
		return nil, s.judgeError(err)
	}
	return records, nil
}

const cutOff = "its end is cut off"

// isCutOff tells whether a data file ends within a page. SQLite would take what
// is missing for zeros. With a log beside it, pages may be on their way from
// there into the file, and the log has them whole.
func isCutOff(path string, info os.FileInfo) bool {
	return info.Size()%pageBytes != 0 && !hasLog(path)
}

func hasLog(path string) bool {
	log, err := os.Stat(path + "-wal")
	return err == nil && log.Size() > 0
}

// judgeError turns SQLite's own words for damage into a *DamagedError.
func (s *Store) judgeError(err error) error {
	var unsound *UnsoundError
	if errors.As(err, &unsound) {
		return &DamagedError{File: s.path, Reason: unsound.What}
	}
	if code, ok := sqliteCode(err); ok && (code == sqlite3.SQLITE_CORRUPT || code == sqlite3.SQLITE_NOTADB) {
		return &DamagedError{File: s.path, Reason: "it is no longer a sound SQLite file"}
	}
	return fmt.Errorf("cannot use the data file %s: %w", s.path, inWords(err))
}

// inWords puts before SQLite's words for what the disk does what people can act on.
func inWords(err error) error {
	code, ok := sqliteCode(err)
	switch {
	case !ok:
		return err
	case code == sqlite3.SQLITE_FULL:
		return fmt.Errorf("the disk is full, make room on it (%w)", err)
	case code == sqlite3.SQLITE_IOERR:
		return fmt.Errorf("the disk is full or fails (%w)", err)
	case code == sqlite3.SQLITE_CANTOPEN || code == sqlite3.SQLITE_READONLY || code == sqlite3.SQLITE_PERM:
		return fmt.Errorf("the folder or a file in it cannot be written to (%w)", err)
	}
	return err
}

// diskInWords puts before the system's words for a full disk what people can act on.
func diskInWords(err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EFBIG) {
		return fmt.Errorf("the disk is full, make room on it (%w)", err)
	}
	return err
}

// sqliteCode gives SQLite's primary result code of an error.
func sqliteCode(err error) (int, bool) {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return 0, false
	}
	return e.Code() & 0xff, true
}

// create builds a new file beside its place and moves it there whole, so that
// a crash never leaves half a file under the real name.
func create(path string) error {
	draft := path + ".new"
	if err := os.Remove(draft); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	// SQLite would make the file readable for everyone; it holds health data.
	f, err := os.OpenFile(draft, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	db, err := openDB(draft, "rw", append([]string{fmt.Sprintf("page_size(%d)", pageBytes)}, durable...)...)
	if err != nil {
		return err
	}
	_, err = db.Exec(fmt.Sprintf("BEGIN; PRAGMA application_id=%d; PRAGMA user_version=%d; %s %s %s COMMIT;", applicationID, formatVersion, schema, additions, journalSchema))
	if err = errors.Join(err, db.Close()); err != nil {
		return err
	}
	if err := os.Rename(draft, path); err != nil {
		return err
	}
	return folder.Sync(filepath.Dir(path))
}

// openDB opens a database that is there with pragmas set on each of its
// connections. mode is "rw", "ro", or "immutable" for a file that nobody writes
// to and that has no log.
func openDB(path, mode string, pragmas ...string) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	slashed := filepath.ToSlash(abs)
	if slashed[0] != '/' { // a drive letter
		slashed = "/" + slashed
	}
	query := url.Values{"_pragma": pragmas, "_txlock": {"immediate"}, "mode": {mode}}
	if mode == "immutable" {
		query.Set("mode", "ro")
		query.Set("immutable", "1")
	}
	return sql.Open("sqlite", (&url.URL{Scheme: "file", Path: slashed, RawQuery: query.Encode()}).String())
}

// Close writes what is still waiting, brings all into the data file and closes it.
func (s *Store) Close() error {
	if s.arrivals.close() {
		return nil
	}
	<-s.kept
	s.jobs.close()
	<-s.committed
	return errors.Join(s.keptErr, s.closeFiles())
}

func (s *Store) closeFiles() error {
	var errs []error
	if s.read != nil {
		errs = append(errs, s.read.Close())
	}
	// The last connection to close folds the WAL into the file.
	if s.write != nil {
		errs = append(errs, s.write.Close())
	}
	return errors.Join(append(errs, s.lock.Unlock())...)
}
