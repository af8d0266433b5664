package store

import (
	"context"
	"database/sql"
	"sync"
)

// maxPrepared bounds the queries that are kept prepared; the store has fewer.
const maxPrepared = 128

// reader reads from the data file. It keeps its queries prepared: a phone that
// connects needs a dozen of them, and SQLite takes longer to understand one than
// to answer it.
type reader struct {
	*sql.DB

	mu       sync.Mutex
	prepared map[string]*sql.Stmt
}

func newReader(db *sql.DB) *reader { return &reader{DB: db, prepared: map[string]*sql.Stmt{}} }

// statement gives a prepared query, or nil where it cannot be kept.
func (r *reader) statement(query string) *sql.Stmt {
	r.mu.Lock()
	defer r.mu.Unlock()
	if stmt := r.prepared[query]; stmt != nil || len(r.prepared) >= maxPrepared {
		return stmt
	}
	// Not in a caller's context: others use it when that one has ended.
	stmt, err := r.DB.PrepareContext(context.Background(), query)
	if err != nil {
		return nil // asking it directly says what is wrong
	}
	r.prepared[query] = stmt
	return stmt
}

// QueryContext is sql.DB's, by a prepared query.
func (r *reader) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	if stmt := r.statement(query); stmt != nil {
		return stmt.QueryContext(ctx, args...)
	}
	return r.DB.QueryContext(ctx, query, args...)
}

// QueryRowContext is sql.DB's, by a prepared query.
func (r *reader) QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row {
	if stmt := r.statement(query); stmt != nil {
		return stmt.QueryRowContext(ctx, args...)
	}
	return r.DB.QueryRowContext(ctx, query, args...)
}
