package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
)

// HoldRef names a hold of a pair.
type HoldRef struct{ Pair, Hold string }

// isErased tells whether a device's event was erased.
func (s *Store) isErased(ctx context.Context, device string, counter int64) (gone bool, err error) {
	err = s.read.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM erased WHERE device = ? AND counter = ?)", device, counter).Scan(&gone)
	return gone, err
}

// owedSchema marks a file of whose erased events copies may still stand in the
// folder. The table is there for as long as that is so: a file of before needs
// nothing, and an older program leaves it alone.
const owedSchema = "CREATE TABLE IF NOT EXISTS wipe_owed (since_ms INTEGER NOT NULL) STRICT"

// NotWipedError tells that events are erased, and that copies of them may still
// stand in files of the folder. Wipe does what is left to do.
type NotWipedError struct{ Err error }

func (e *NotWipedError) Error() string {
	return fmt.Sprintf("the data was erased, but copies of it may still stand in files of the data folder: do it once more (%v)", e.Err)
}

func (e *NotWipedError) Unwrap() error { return e.Err }

// Erase takes whole holds, single events by their ids, and the names of devices
// out of the file for good, and gives how many events there were. What remains
// is that these ids were erased. It leaves no copies in pages that SQLite moved
// or keeps free, nor in the log and the journal beside the file. The error is a
// *NotWipedError where it could not do that; after any other nothing is erased.
func (s *Store) Erase(ctx context.Context, holds []HoldRef, ids, devices []string) (events int64, err error) {
	s.erasing.Lock()
	defer s.erasing.Unlock()
	now := s.nowMs()
	if err := s.Settle(ctx); err != nil {
		return 0, err
	}
	err = s.doAlone(func(w *writer) error {
		if err := w.exec("BEGIN IMMEDIATE"); err != nil {
			return err
		}
		err := w.eraseRows(ctx, now, holds, ids, devices, &events)
		if err == nil {
			err = w.owe(now)
		}
		if err == nil {
			err = w.exec("COMMIT")
		}
		if err != nil {
			return w.rollback(err)
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	return events, s.wipeOwed(context.WithoutCancel(ctx))
}

// WipeOwed tells whether copies of erased events may still stand in the folder.
func (s *Store) WipeOwed(ctx context.Context) (owed bool, err error) {
	err = s.read.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'wipe_owed')").Scan(&owed)
	return owed, known(err)
}

// Wipe takes copies of erased events out of the folder, where an erase did not get
// so far; else it does nothing. Its error is a *NotWipedError where some may be left.
func (s *Store) Wipe(ctx context.Context) error {
	s.erasing.Lock()
	defer s.erasing.Unlock()
	owed, err := s.WipeOwed(ctx)
	if err != nil || !owed {
		return err
	}
	return s.wipeOwed(context.WithoutCancel(ctx))
}

// wipeOwed does as much as it can, and notes where that is all. No other erase is
// under way.
func (s *Store) wipeOwed(ctx context.Context) error {
	err := s.doAlone((*writer).rewrite)
	if wiped := s.wipe(ctx); wiped != nil {
		err = errors.Join(err, fmt.Errorf("the journal beside the file could not be emptied: %w", wiped))
	}
	if err == nil {
		err = s.do(func(w *writer) error { return w.exec("DROP TABLE wipe_owed") })
	}
	if err != nil {
		return &NotWipedError{err}
	}
	return nil
}

// owe notes that copies of what is erased have to be wiped.
func (w *writer) owe(nowMs int64) error {
	if err := w.exec(owedSchema); err != nil {
		return err
	}
	return w.exec("INSERT INTO wipe_owed (since_ms) VALUES (?)", nowMs)
}

func (w *writer) eraseRows(ctx context.Context, nowMs int64, holds []HoldRef, ids, devices []string, events *int64) error {
	erase := func(where string, args ...any) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := w.exec("INSERT OR IGNORE INTO erased (device, counter, pair, erased_ms) SELECT device, counter, pair, ? FROM event WHERE "+where,
			append([]any{nowMs}, args...)...); err != nil {
			return err
		}
		res, err := w.conn.ExecContext(context.Background(), "DELETE FROM event WHERE "+where, args...)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		*events += n
		return err
	}
	for _, h := range holds {
		if err := erase("pair = ? AND hold = ?", h.Pair, h.Hold); err != nil {
			return err
		}
	}
	for _, id := range ids {
		if err := erase(strings.TrimPrefix(whereID, "WHERE "), idArgs(id)...); err != nil {
			return err
		}
	}
	for _, id := range devices {
		if err := w.exec("UPDATE device SET name = '' WHERE id = ?", id); err != nil {
			return err
		}
	}
	return nil
}

// rewrite builds the file anew and empties the log. secure_delete writes zeros
// over what is deleted, but a page that was split or defragmented before may
// still have a copy between its cells.
func (w *writer) rewrite() error {
	for _, step := range []string{"PRAGMA temp_store = MEMORY", "VACUUM"} {
		if err := w.exec(step); err != nil {
			return fmt.Errorf("the file could not be written anew: %w", err)
		}
	}
	var busy, frames, moved int64
	if err := w.queryRow("PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &moved); err != nil {
		return fmt.Errorf("the log beside the file could not be emptied: %w", err)
	}
	if busy != 0 {
		return errors.New("somebody was reading the file, so that the log beside it is not empty yet")
	}
	return nil
}

// forgive lets events that were erased come in again, on a person's word.
func (w *writer) forgive(rows []*row) error {
	for _, r := range rows {
		if r == nil {
			continue
		}
		if err := w.exec("DELETE FROM erased WHERE device = ? AND counter = ?", r.device, r.counter); err != nil {
			return err
		}
	}
	return nil
}

// ErasedOf gives the events of a pair that were erased, of each device as runs
// of counters.
func (s *Store) ErasedOf(ctx context.Context, pair string) (map[string][]Run, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT device, counter FROM erased WHERE pair = ? ORDER BY device, counter", pair)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	gone := map[string][]Run{}
	for rows.Next() {
		var device string
		var n int64
		if err := rows.Scan(&device, &n); err != nil {
			return nil, err
		}
		runs := gone[device]
		if last := len(runs) - 1; last >= 0 && runs[last][1] == n-1 {
			runs[last][1] = n
		} else {
			gone[device] = append(runs, Run{n, n})
		}
	}
	return gone, rows.Err()
}
