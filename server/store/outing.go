package store

import (
	"context"
	"database/sql"
	"errors"
)

// Settings gives what was set for all pairs of a session, a JSON object, or nil.
func (s *Store) Settings(ctx context.Context, session string) ([]byte, error) {
	var settings []byte
	err := s.read.QueryRowContext(ctx, "SELECT settings FROM outing WHERE session = ?", session).Scan(&settings)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return settings, known(err)
}

// SetSettings keeps what was set for all pairs of a session.
func (s *Store) SetSettings(session string, settings []byte) error {
	return s.do(func(w *writer) error {
		return w.exec("INSERT INTO outing (session, settings) VALUES (?, ?) ON CONFLICT DO UPDATE SET settings = excluded.settings", session, settings)
	})
}

// EndedMs gives when a session was ended, or 0 while it goes on.
func (s *Store) EndedMs(ctx context.Context, session string) (int64, error) {
	var ms int64
	err := s.read.QueryRowContext(ctx, "SELECT coalesce(ended_ms, 0) FROM session WHERE id = ?", session).Scan(&ms)
	return ms, known(err)
}

// EndSession ends a session at atMs, unless it has ended already, and gives when
// it ended.
func (s *Store) EndSession(session string, atMs int64) (endedMs int64, err error) {
	err = s.do(func(w *writer) error {
		if err := w.exec("UPDATE session SET ended_ms = ? WHERE id = ? AND ended_ms IS NULL", atMs, session); err != nil {
			return err
		}
		return w.queryRow("SELECT ended_ms FROM session WHERE id = ?", session).Scan(&endedMs)
	})
	return endedMs, err
}
