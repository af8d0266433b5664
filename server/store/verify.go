package store

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
)

// UnsoundError names what is wrong with a stored event or with the file.
type UnsoundError struct{ What string }

func (e *UnsoundError) Error() string { return "the data file is not sound: " + e.What }

// Verify reads the whole file: SQLite's own integrity check, then every
// event's checksum. It gives the number of events, and an *UnsoundError for
// the first thing that is wrong.
func (s *Store) Verify(ctx context.Context) (events int64, err error) {
	if err := s.Settle(ctx); err != nil {
		return 0, err
	}
	return verify(ctx, s.read.DB)
}

func verify(ctx context.Context, db *sql.DB) (int64, error) {
	var verdict string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&verdict); err != nil {
		return 0, err
	}
	if verdict != "ok" {
		return 0, &UnsoundError{What: verdict}
	}
	rows, err := db.QueryContext(ctx, "SELECT seq, "+rowColumns+" FROM event ORDER BY seq")
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	var n int64
	for rows.Next() {
		if _, err := scanRow(rows); err != nil {
			return n, err
		}
		n++
	}
	return n, rows.Err()
}

// rowColumns are the columns that are written; reading puts seq before them.
const rowColumns = "id, pair, hold, kind, device, counter, at, stored_ms, body, sum"

// scanRow reads one event and holds it against its checksum.
func scanRow(rows *sql.Rows) (*row, error) {
	r, sound, err := readRow(rows)
	if err == nil && !sound {
		err = &UnsoundError{What: fmt.Sprintf("event %q does not match its checksum", r.id)}
	}
	if err != nil {
		return nil, err
	}
	return r, nil
}

// readRow reads one event and tells whether it matches its checksum.
func readRow(rows *sql.Rows) (r *row, sound bool, err error) {
	r = &row{}
	var sum []byte
	err = rows.Scan(&r.seq, &r.id, &r.pair, &r.hold, &r.kind, &r.device, &r.counter, &r.at, &r.storedMs, &r.body, &sum)
	return r, bytes.Equal(sum, r.sum()), err
}
