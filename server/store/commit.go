package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
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
	if !s.jobs.put(j) {
		j.done(ErrClosed)
	}
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

// commitLoop is the only goroutine that writes to the SQLite file. It ends once
// the queue is closed and nothing is waiting.
func (s *Store) commitLoop(w *writer) {
	defer close(s.committed)
	defer w.close()
	for {
		jobs, closed := s.jobs.take(together)
		if len(jobs) > 0 {
			err := w.carryOut(jobs)
			for _, j := range jobs {
				j.done(err)
			}
			continue
		}
		if closed {
			return
		}
		<-s.jobs.wake
	}
}

// together tells how many of the jobs make up the next transaction.
func together(jobs []job) int {
	n := min(len(jobs), maxJobs)
	if i := slices.IndexFunc(jobs[:n], func(j job) bool { return j.alone }); i >= 0 {
		return max(i, 1)
	}
	return n
}

// writer is the writing connection with its statements. Only the committer uses it.
type writer struct {
	conn *sql.Conn

	begin, end, undo *sql.Stmt

	one, many *insert // of one event, and of insertedTogether
}

func newWriter(db *sql.DB) (*writer, error) {
	ctx := context.Background()
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	w := &writer{conn: conn}
	for stmt, query := range map[**sql.Stmt]string{
		&w.begin: "BEGIN IMMEDIATE",
		&w.end:   "COMMIT",
		&w.undo:  "ROLLBACK",
	} {
		if err == nil {
			*stmt, err = conn.PrepareContext(ctx, query)
		}
	}
	if err == nil {
		w.one, err = newInsert(ctx, conn, 1)
	}
	if err == nil {
		w.many, err = newInsert(ctx, conn, insertedTogether)
	}
	if err != nil {
		return nil, errors.Join(err, w.close())
	}
	return w, nil
}

func (w *writer) close() error {
	for _, stmt := range []*sql.Stmt{w.begin, w.end, w.undo} {
		if stmt != nil {
			stmt.Close()
		}
	}
	w.one.close()
	w.many.close()
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
