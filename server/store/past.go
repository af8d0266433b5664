package store

import (
	"context"
	"strings"

	"buddyclock/protocol"
)

// Holds gives the holds of a pair, or of all where pair is "", in the order in
// which their first events came.
func (s *Store) Holds(ctx context.Context, pair string) ([]HoldRef, error) {
	if err := s.Settle(ctx); err != nil {
		return nil, err
	}
	rows, err := s.read.QueryContext(ctx, "SELECT pair, hold FROM event WHERE ?1 = '' OR pair = ?1 GROUP BY pair, hold ORDER BY min(seq)", pair)
	if err != nil {
		return nil, err
	}
	return collect(rows, func(h *HoldRef) []any { return []any{&h.Pair, &h.Hold} })
}

// EventCounts tells how many events each hold of a pair has, or each of all
// where pair is "". As events are only added, a hold with the same count is the
// same.
func (s *Store) EventCounts(ctx context.Context, pair string) (map[HoldRef]int, error) {
	if err := s.Settle(ctx); err != nil {
		return nil, err
	}
	rows, err := s.read.QueryContext(ctx, "SELECT pair, hold, count(*) FROM event WHERE ?1 = '' OR pair = ?1 GROUP BY pair, hold", pair)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	counts := map[HoldRef]int{}
	for rows.Next() {
		var h HoldRef
		var n int
		if err := rows.Scan(&h.Pair, &h.Hold, &n); err != nil {
			return nil, err
		}
		counts[h] = n
	}
	return counts, rows.Err()
}

// Filed is an event as the file has it.
type Filed struct {
	Pair     string
	StoredMs int64 // shared time of its coming
	Event    protocol.Event
	Sum      []byte // checksum over the event and how it is filed
}

// FiledHold gives the events of one hold with how they are filed, in their
// order of arrival.
func (s *Store) FiledHold(ctx context.Context, h HoldRef) ([]Filed, error) {
	return s.filed(ctx, "WHERE pair = ? AND hold = ? ORDER BY seq", h.Pair, h.Hold)
}

// FiledEvent gives one event by its id; none where it is not there.
func (s *Store) FiledEvent(ctx context.Context, id string) ([]Filed, error) {
	r, err := s.byID(ctx, id)
	if r == nil {
		return nil, err
	}
	f, err := r.filed()
	return []Filed{f}, err
}

// FiledKinds gives all events of some kinds, whatever their pair.
func (s *Store) FiledKinds(ctx context.Context, kinds ...string) ([]Filed, error) {
	args := make([]any, len(kinds))
	for i, kind := range kinds {
		args[i] = kind
	}
	return s.filed(ctx, "WHERE kind IN (?"+strings.Repeat(",?", len(kinds)-1)+")", args...)
}

func (s *Store) filed(ctx context.Context, where string, args ...any) ([]Filed, error) {
	if err := s.Settle(ctx); err != nil {
		return nil, err
	}
	rows, err := s.rows(ctx, where, args...)
	if err != nil {
		return nil, err
	}
	var all []Filed
	for _, r := range rows {
		f, err := r.filed()
		if err != nil {
			return nil, err
		}
		all = append(all, f)
	}
	return all, nil
}

func (r *row) filed() (Filed, error) {
	e, err := r.event()
	return Filed{r.pair, r.storedMs, e, r.sum()}, err
}

// SumOf gives the checksum that an event has as it is filed; false where its id
// is none that a device makes.
func SumOf(pair string, storedMs int64, e *protocol.Event) ([]byte, bool) {
	r, ok := rowOf(pair, storedMs, e)
	if !ok {
		return nil, false
	}
	return r.sum(), true
}

func rowOf(pair string, storedMs int64, e *protocol.Event) (row, bool) {
	counter, ok := protocol.CounterOf(e.ID)
	return row{
		id: e.ID, pair: pair, hold: e.Hold, kind: e.Kind, device: protocol.DeviceOf(e.ID),
		counter: counter, at: e.At, storedMs: storedMs, body: e.Encode(),
	}, ok
}

// isAhead tells whether an event of a file lies further ahead of shared time than one
// that a device brings, or its coming does: else the file decided what time it is
// here once the program is started again.
func (f *Filed) isAhead(nowMs int64) bool {
	return max(f.Event.At, f.StoredMs)-nowMs > MostAheadMs(f.Event.Kind)
}

// Import stores events that came from another file, with their own times of
// coming, and waits until they are in the data file. Their pairs must be there.
// With bringBack events that were erased come in again.
func (s *Store) Import(events []Filed, bringBack bool) ([]Outcome, error) {
	result := make(chan error, 1)
	a := newArrival(len(events), func(_ []Outcome, err error) { result <- err })
	now := s.nowMs()
	for i := range events {
		if r, ok := rowOf(events[i].Pair, events[i].StoredMs, &events[i].Event); ok && !events[i].isAhead(now) {
			a.rows[i] = &r
		}
	}
	if bringBack {
		if err := s.do(func(w *writer) error { return w.forgive(a.rows) }); err != nil {
			return nil, err
		}
	}
	s.arrive(a)
	if err := <-result; err != nil {
		return nil, err
	}
	for i := range events {
		if events[i].isAhead(now) {
			a.outcomes[i] = Ahead
		}
	}
	return a.outcomes, s.Settle(context.Background())
}

// AddPast adds an outing of another file and its pairs, those that are not there
// yet. It has ended, so that nobody joins it.
func (s *Store) AddPast(session Session, pairs []PastPair) error {
	return s.do(func(w *writer) error {
		if err := w.exec("INSERT OR IGNORE INTO session (id, started_ms, ended_ms) VALUES (?, ?, ?)", session.ID, session.StartedMs, session.StartedMs); err != nil {
			return err
		}
		for _, p := range pairs {
			// Another pair may have its number where the outing went on elsewhere.
			if err := w.exec(`INSERT OR IGNORE INTO pair (id, session, number, made_ms) SELECT ?1, ?2,
				CASE WHEN EXISTS (SELECT 1 FROM pair WHERE session = ?2 AND number = ?3) THEN (SELECT max(number) + 1 FROM pair WHERE session = ?2) ELSE ?3 END, ?4`,
				p.ID, session.ID, p.Number, p.MadeMs); err != nil {
				return err
			}
		}
		return nil
	})
}

// PastPair is a pair with when it was made, shared Unix ms.
type PastPair struct {
	Pair
	MadeMs int64
}

// Outings gives all sessions, oldest first, and all pairs.
func (s *Store) Outings(ctx context.Context) ([]Session, []PastPair, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT id, started_ms FROM session ORDER BY started_ms, id")
	if err != nil {
		return nil, nil, err
	}
	sessions, err := collect(rows, func(o *Session) []any { return []any{&o.ID, &o.StartedMs} })
	if err != nil {
		return nil, nil, err
	}
	if rows, err = s.read.QueryContext(ctx, "SELECT id, session, number, made_ms FROM pair ORDER BY made_ms, id"); err != nil {
		return nil, nil, err
	}
	pairs, err := collect(rows, func(p *PastPair) []any { return []any{&p.ID, &p.Session, &p.Number, &p.MadeMs} })
	return sessions, pairs, err
}

// AllDevices gives every device that was ever admitted.
func (s *Store) AllDevices(ctx context.Context) ([]Device, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT "+deviceColumns+" FROM device ORDER BY id")
	if err != nil {
		return nil, err
	}
	return collect(rows, deviceFields)
}
