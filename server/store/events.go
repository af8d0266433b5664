package store

import (
	"cmp"
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"slices"

	"buddyclock/protocol"
)

// Outcome is what became of an event that was to be stored.
type Outcome int

const (
	// Stored: the event is new and on disk.
	Stored Outcome = iota
	// Known: the very same event was on disk already.
	Known
	// Conflict: another event has that id; the one on disk stays.
	Conflict
	// Erased: the event was erased, and stays so.
	Erased
)

// Append queues events of one pair and returns at once. done is called once
// they are on disk, with an outcome for each, or with the error for which none
// of them is. It is called from the committer's goroutine and must not block.
// Every event's id must be a device id, '-' and a counter.
func (s *Store) Append(pair string, events []protocol.Event, done func([]Outcome, error)) {
	outcomes := make([]Outcome, len(events))
	s.submit(job{
		run: func(w *writer) error {
			now := s.nowMs()
			for i := range events {
				var err error
				if outcomes[i], err = w.append(pair, &events[i], now); err != nil {
					return fmt.Errorf("cannot write an event to disk: %w", err)
				}
			}
			return nil
		},
		done: func(err error) {
			if err != nil {
				done(nil, err)
				return
			}
			done(outcomes, nil)
		},
	})
}

func (w *writer) append(pair string, e *protocol.Event, nowMs int64) (Outcome, error) {
	r, ok := rowOf(pair, nowMs, e)
	if !ok {
		return Conflict, nil
	}
	return w.insertRow(r)
}

func (w *writer) insertRow(r row) (Outcome, error) {
	if w.erasedAny {
		if gone, err := w.isErased(r.device, r.counter); gone || err != nil {
			return Erased, err
		}
	}
	ctx := context.Background()
	for i, value := range [...]driver.Value{r.id, r.pair, r.hold, r.kind, r.device, r.counter, r.at, r.storedMs, r.body, r.sum()} {
		w.args[i].Value = value
	}
	res, err := w.insert.ExecContext(ctx, w.args[:])
	if err != nil {
		return 0, err
	}
	if n, err := res.RowsAffected(); err != nil || n == 1 {
		return Stored, err
	}
	rows, err := w.lookup.QueryContext(ctx, r.device, r.counter)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	if !rows.Next() {
		return 0, errors.Join(rows.Err(), fmt.Errorf("event %q is neither new nor there", r.id))
	}
	old, err := scanRow(rows)
	if err != nil {
		return 0, err
	}
	if old.pair == r.pair && protocol.SameContent(protocol.Event{Raw: old.body}, protocol.Event{Raw: r.body}) {
		return Known, nil
	}
	return Conflict, nil
}

// Run is a row of counters without a gap, by its first and its last.
type Run [2]int64

// Counts tell which events somebody has.
type Counts struct {
	Have   map[string]int64 // of each device the highest counter with no gap below it
	Beyond map[string][]Run // of each device what there is above that gap
}

// Has tells whether the event with a counter is among them.
func (c Counts) Has(device string, counter int64) bool {
	return counter <= c.Have[device] ||
		slices.ContainsFunc(c.Beyond[device], func(r Run) bool { return r[0] <= counter && counter <= r[1] })
}

// Missing gives the events of a pair that somebody lacks who has these. They
// come in their order of arrival, as JSON texts. devices are the devices the
// pair has had.
func (s *Store) Missing(ctx context.Context, pair string, devices []string, theirs Counts) ([][]byte, error) {
	var found []*row
	for _, device := range devices {
		err := s.eachRow(ctx, func(r *row) error {
			if !theirs.Has(device, r.counter) {
				found = append(found, r)
			}
			return nil
		}, "WHERE device = ? AND counter > ? AND pair = ?", device, theirs.Have[device], pair)
		if err != nil {
			return nil, err
		}
	}
	slices.SortFunc(found, func(a, b *row) int { return cmp.Compare(a.seq, b.seq) })
	bodies := make([][]byte, len(found))
	for i, r := range found {
		bodies[i] = r.body
	}
	return bodies, nil
}

// Hold gives the events of one hold, in their order of arrival.
func (s *Store) Hold(ctx context.Context, pair, hold string) ([]protocol.Event, error) {
	var events []protocol.Event
	err := s.eachRow(ctx, func(r *row) error {
		e, err := protocol.Decode(r.body)
		if err != nil {
			return &UnsoundError{What: fmt.Sprintf("event %q cannot be read: %v", r.id, err)}
		}
		events = append(events, e)
		return nil
	}, "WHERE pair = ? AND hold = ? ORDER BY seq", pair, hold)
	return events, err
}

// OutsideHolds gives what a pair recorded that belongs to no hold, such as its
// place cards, in the order of arrival, as JSON texts.
func (s *Store) OutsideHolds(ctx context.Context, pair string) ([][]byte, error) {
	var bodies [][]byte
	err := s.eachRow(ctx, func(r *row) error { bodies = append(bodies, r.body); return nil },
		"WHERE pair = ? AND hold LIKE '%-h00' ORDER BY seq", pair)
	return bodies, err
}

// NewestHold gives the id of the hold of a pair that was planned or begun last,
// or "" if there is none.
func (s *Store) NewestHold(ctx context.Context, pair string) (string, error) {
	var hold string
	err := s.read.QueryRowContext(ctx, "SELECT hold FROM event WHERE pair = ? AND kind IN ('plan', 'breathe-up', 'start') ORDER BY at DESC, id DESC LIMIT 1", pair).Scan(&hold)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	return hold, err
}

// LastMs gives the shared time at which the last event was stored or the last
// role given or taken, or 0 if there is none.
func (s *Store) LastMs(ctx context.Context) (int64, error) {
	var ms int64
	err := s.read.QueryRowContext(ctx, `
		SELECT max(coalesce((SELECT stored_ms FROM event ORDER BY seq DESC LIMIT 1), 0),
			coalesce((SELECT max(max(since_ms, coalesce(until_ms, 0))) FROM membership), 0))`).Scan(&ms)
	return ms, err
}

// NewestPlan gives the data of a pair's last plan, or nil.
func (s *Store) NewestPlan(ctx context.Context, pair string) ([]byte, error) {
	var data []byte
	err := s.eachRow(ctx, func(r *row) error {
		e, err := protocol.Decode(r.body)
		data = e.Data
		return err
	}, "WHERE pair = ? AND kind = 'plan' ORDER BY at DESC, id DESC LIMIT 1", pair)
	return data, err
}

// MaxRuns bounds the runs of one device above its gap: what is left out is
// merely sent once more.
const MaxRuns = 64

// Counters gives the highest counter of a device up to which all its events are
// stored, in whatever pair, and the lowest runs above it. Those that were erased
// are no gaps: nobody is to send them again. It reads on from a counter known
// to be reached.
func (s *Store) Counters(ctx context.Context, device string, from int64) (upTo int64, beyond []Run, err error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT counter FROM event WHERE device = ?1 AND counter > ?2
		UNION ALL SELECT counter FROM erased WHERE device = ?1 AND counter > ?2 ORDER BY counter`, device, from)
	if err != nil {
		return from, nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			return from, nil, err
		}
		last := len(beyond) - 1
		switch {
		case last < 0 && n == from+1:
			from = n
		case last >= 0 && n == beyond[last][1]+1:
			beyond[last][1] = n
		case len(beyond) == MaxRuns:
			return from, beyond, nil
		default:
			beyond = append(beyond, Run{n, n})
		}
	}
	return from, beyond, rows.Err()
}

func (s *Store) eachRow(ctx context.Context, use func(*row) error, where string, args ...any) error {
	rows, err := s.read.QueryContext(ctx, "SELECT seq, "+rowColumns+" FROM event "+where, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		r, err := scanRow(rows)
		if err != nil {
			return err
		}
		if err := use(r); err != nil {
			return err
		}
	}
	return rows.Err()
}

// Has tells whether the very same event of a pair is stored.
func (s *Store) Has(ctx context.Context, pair string, e *protocol.Event) (bool, error) {
	found := false
	err := s.eachRow(ctx, func(r *row) error {
		found = protocol.SameContent(protocol.Event{Raw: r.body}, *e)
		return nil
	}, whereID+" AND pair = ?", append(idArgs(e.ID), pair)...)
	return found, err
}

// whereID finds an event by its id, with idArgs. The index is by device and
// counter.
const whereID = "WHERE device = ? AND counter = ? AND id = ?"

func idArgs(id string) []any {
	counter, _ := protocol.CounterOf(id)
	return []any{protocol.DeviceOf(id), counter, id}
}
