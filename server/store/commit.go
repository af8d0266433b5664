package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/benbjohnson/clock"
)

// ErrClosed is given to writes that come after Close.
var ErrClosed = errors.New("the data file is closed")

// maxJobs bounds one transaction, so that those at its head do not wait long.
const maxJobs = 512

// job is one piece of work inside a transaction. run is called once, by the
// committer; an error from it fails the whole transaction, so what is merely
// refused is an outcome and not an error. done is called after the commit, in
// the committer's goroutine, and must not block.
type job struct {
	run  func(*writer) error
	done func(error)
	// alone jobs make their transactions themselves.
	alone bool
}

// submit queues a job and returns at once.
func (s *Store) submit(j job) {
	s.mu.Lock()
	closed := s.closed
	if !closed {
		s.waiting = append(s.waiting, j)
	}
	s.mu.Unlock()
	if closed {
		j.done(ErrClosed)
		return
	}
	s.poke()
}

// do runs a job and waits until it is on disk.
func (s *Store) do(run func(*writer) error) error {
	result := make(chan error, 1)
	s.submit(job{run: run, done: func(err error) { result <- err }})
	return <-result
}

// doAlone is do for a job that makes its transactions itself.
func (s *Store) doAlone(run func(*writer) error) error {
	result := make(chan error, 1)
	s.submit(job{run: run, done: func(err error) { result <- err }, alone: true})
	return <-result
}

func (s *Store) poke() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// longestGather bounds how long events are gathered before a commit.
const longestGather = time.Millisecond

// Paced has events gathered for as long as a commit takes, up to a millisecond,
// when several came while the last one went on: under load twice as many share
// the work of a commit. One that comes alone is committed at once.
func Paced(clk clock.Clock) Option { return func(s *Store) { s.clk = clk } }

// gather waits, after a commit of several jobs, until others had the same time.
func (s *Store) gather(jobs int, begun, ended time.Time) {
	if jobs > 1 && s.clk != nil {
		s.clk.Sleep(min(ended.Sub(begun), longestGather) - s.clk.Since(ended))
	}
}

func (s *Store) now() time.Time {
	if s.clk == nil {
		return time.Time{}
	}
	return s.clk.Now()
}

// commitLoop is the only goroutine that writes. It ends after Close, once
// nothing is waiting.
func (s *Store) commitLoop(w *writer) {
	defer close(s.done)
	defer w.close()
	for {
		jobs, closed := s.take()
		if len(jobs) > 0 {
			begun := s.now()
			err := w.carryOut(jobs)
			ended := s.now()
			s.fold.committed()
			for _, j := range jobs {
				j.done(err)
			}
			s.gather(len(jobs), begun, ended)
			continue
		}
		if closed {
			return
		}
		<-s.wake
	}
}

func (s *Store) take() (jobs []job, closed bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := min(len(s.waiting), maxJobs)
	if i := slices.IndexFunc(s.waiting[:n], func(j job) bool { return j.alone }); i >= 0 {
		n = max(i, 1)
	}
	jobs = s.waiting[:n:n]
	s.waiting = s.waiting[n:]
	if len(s.waiting) == 0 {
		s.waiting = nil // lets go of the finished jobs
	}
	return jobs, s.closed
}

// writer is the writing connection with its statements. Only the committer uses it.
type writer struct {
	conn *sql.Conn

	begin, end, undo, lookup, gone *sql.Stmt

	// insert is asked without database/sql in between, which would copy and check
	// each time what is right already. Nothing else uses the connection.
	insert driver.StmtExecContext
	args   [10]driver.NamedValue

	erasedAny bool // whether any event was ever erased
}

func newWriter(db *sql.DB) (*writer, error) {
	ctx := context.Background()
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	w := &writer{conn: conn}
	err = w.lookForErased()
	for stmt, query := range map[**sql.Stmt]string{
		&w.begin:  "BEGIN IMMEDIATE",
		&w.end:    "COMMIT",
		&w.undo:   "ROLLBACK",
		&w.lookup: "SELECT seq, " + rowColumns + " FROM event WHERE device = ? AND counter = ?",
		&w.gone:   "SELECT EXISTS (SELECT 1 FROM erased WHERE device = ? AND counter = ?)",
	} {
		if err == nil {
			*stmt, err = conn.PrepareContext(ctx, query)
		}
	}
	if err == nil {
		err = conn.Raw(func(c any) error {
			stmt, err := c.(driver.ConnPrepareContext).PrepareContext(ctx, "INSERT INTO event ("+rowColumns+") VALUES (?,?,?,?,?,?,?,?,?,?) ON CONFLICT DO NOTHING")
			if err == nil {
				w.insert = stmt.(driver.StmtExecContext)
			}
			return err
		})
	}
	for i := range w.args {
		w.args[i].Ordinal = i + 1
	}
	if err != nil {
		return nil, errors.Join(err, w.close())
	}
	return w, nil
}

func (w *writer) close() error {
	for _, stmt := range []*sql.Stmt{w.begin, w.end, w.undo, w.lookup, w.gone} {
		if stmt != nil {
			stmt.Close()
		}
	}
	if w.insert != nil {
		w.insert.(driver.Stmt).Close()
	}
	return w.conn.Close()
}

// carryOut commits jobs; one that stands alone makes its transactions itself.
func (w *writer) carryOut(jobs []job) error {
	if jobs[0].alone {
		return inWords(jobs[0].run(w))
	}
	return w.commit(jobs)
}

// commit runs the jobs in one transaction: all are on disk, or none.
func (w *writer) commit(jobs []job) error {
	if _, err := w.begin.Exec(); err != nil {
		return fmt.Errorf("cannot begin to write: %w", inWords(err))
	}
	for _, j := range jobs {
		if err := j.run(w); err != nil {
			return w.rollback(inWords(err))
		}
	}
	if _, err := w.end.Exec(); err != nil {
		return w.rollback(fmt.Errorf("cannot write to disk: %w", inWords(err)))
	}
	return nil
}

func (w *writer) rollback(cause error) error {
	// SQLite has already rolled back by itself after a full disk; a second time is refused, and no harm.
	_, _ = w.undo.Exec()
	return cause
}

func (w *writer) exec(query string, args ...any) error {
	_, err := w.conn.ExecContext(context.Background(), query, args...)
	return err
}

func (w *writer) queryRow(query string, args ...any) *sql.Row {
	return w.conn.QueryRowContext(context.Background(), query, args...)
}
