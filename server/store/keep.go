package store

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"

	"github.com/benbjohnson/clock"

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
	// Ahead: by the file it came from, the event lies in the future.
	Ahead
)

// Append queues events of one pair and returns at once. done is called once
// they are on disk, with an outcome for each, or with the error for which none
// of them is. It is called from the keeper's goroutine and must not block.
// Every event's id must be a device id, '-' and a counter.
func (s *Store) Append(pair string, events []protocol.Event, done func([]Outcome, error)) {
	a := newArrival(len(events), done)
	now := s.nowMs()
	for i := range events {
		if r, ok := rowOf(pair, now, &events[i]); ok {
			a.rows[i] = &r
		}
	}
	s.arrive(a)
}

func (s *Store) arrive(a *arrival) {
	if !s.arrivals.put(a) {
		a.done(nil, ErrClosed)
	}
}

// arrival is some events that wait for the keeper.
type arrival struct {
	rows     []*row // nil where an id is none that a device makes
	outcomes []Outcome
	done     func([]Outcome, error)

	// Room for what comes most often, one event.
	row     [1]*row
	outcome [1]Outcome
}

func newArrival(events int, done func([]Outcome, error)) *arrival {
	a := &arrival{done: done}
	if events == 1 {
		a.rows, a.outcomes = a.row[:], a.outcome[:]
	} else {
		a.rows, a.outcomes = make([]*row, events), make([]Outcome, events)
	}
	return a
}

// maxRecordBytes bounds one write, unless what came at once is larger.
const maxRecordBytes = 1 << 20

// FoldLater has events folded into the data file many at a time, some seconds
// after they came.
func FoldLater(clk clock.Clock) Option { return func(s *Store) { s.clk = clk } }

// keeper puts events on the disk. Its goroutine alone writes to the journal.
type keeper struct {
	*Store
	journal *journal
	top     map[string]int64 // of devices that were heard of: no counter above it was ever stored
	folding *fold            // under way, or nil
	folded  chan error       // what became of it
	waiters []chan error     // who wait for the next fold
	failed  error            // why the last fold did not succeed, or nil
	due     *atomic.Bool     // whether the time has come that was set for a fold; nil where none is set

	cameBefore int64 // how many events had come when the time was set
}

func newKeeper(s *Store, j *journal) *keeper {
	return &keeper{Store: s, journal: j, top: map[string]int64{}, folded: make(chan error, 1)}
}

// keepLoop ends once the store is closed, nothing is waiting, and all is in the
// data file or cannot be brought there.
func (k *keeper) keepLoop() {
	defer close(k.kept)
	for {
		arrivals, closed := k.arrivals.take(forOneRecord)
		if len(arrivals) > 0 {
			err := k.keep(arrivals)
			for _, a := range arrivals {
				if err != nil {
					a.done(nil, err)
				} else {
					a.done(a.outcomes, nil)
				}
			}
		}
		k.lookAfterFolds(len(arrivals) > 0)
		switch {
		case len(arrivals) > 0:
		case closed:
			k.finish()
			return
		default:
			k.rest()
		}
	}
}

// rest waits until there is something to do.
func (k *keeper) rest() {
	select {
	case <-k.arrivals.wake:
	case err := <-k.folded:
		k.afterFold(err)
	}
}

// forOneRecord tells how many arrivals make up the next record.
func forOneRecord(all []*arrival) int {
	bytes := 0
	for i, a := range all[:min(len(all), maxJobs)] {
		for _, r := range a.rows {
			if r != nil {
				bytes += len(r.body)
			}
		}
		if i > 0 && bytes > maxRecordBytes {
			return i
		}
	}
	return min(len(all), maxJobs)
}

// keep judges the events of some arrivals and puts on the disk what is new.
func (k *keeper) keep(arrivals []*arrival) error {
	for k.recent.len() >= maxRecent {
		if k.folding == nil {
			return fmt.Errorf("too many events wait for the data file: %w", k.failed)
		}
		k.afterFold(<-k.folded)
	}
	var fresh []*row
	for _, a := range arrivals {
		for i, r := range a.rows {
			if a.outcomes[i] = Conflict; r == nil {
				continue
			}
			var err error
			if a.outcomes[i], err = k.judge(r, fresh); err != nil {
				return fmt.Errorf("cannot tell whether an event is stored already: %w", inWords(err))
			}
			if a.outcomes[i] == Stored {
				fresh = append(fresh, r)
			}
		}
	}
	if len(fresh) == 0 {
		return nil
	}
	if err := k.journal.write(fresh); err != nil {
		return err
	}
	k.recent.add(fresh)
	return nil
}

// judge tells what an event is beside what is stored, and beside what is about to
// be.
func (k *keeper) judge(r *row, fresh []*row) (Outcome, error) {
	ctx := context.Background()
	top, heard := k.top[r.device]
	if !heard {
		var err error
		if top, err = k.topOf(ctx, r.device); err != nil {
			return 0, err
		}
	}
	k.top[r.device] = max(top, r.counter)
	if r.counter > top {
		return Stored, nil
	}
	old := k.recent.one(r.key())
	if i := slices.IndexFunc(fresh, func(one *row) bool { return one.key() == r.key() }); i >= 0 {
		old = fresh[i]
	}
	if old == nil {
		rows, err := k.rows(ctx, whereKey, r.device, r.counter)
		if err != nil {
			return 0, err
		}
		if len(rows) == 0 {
			gone, err := k.isErased(ctx, r.device, r.counter)
			if gone {
				return Erased, err
			}
			return Stored, err
		}
		old = rows[0]
	}
	return old.beside(r), nil
}

// beside tells what another event of the same key is to a stored one.
func (r *row) beside(other *row) Outcome {
	if r.pair == other.pair && protocol.SameContent(protocol.Event{Raw: r.body}, protocol.Event{Raw: other.body}) {
		return Known
	}
	return Conflict
}

// topOf gives the highest counter of a device whose event was ever in the data file.
// A device that connects is told what is there of its events, so that it is known
// before the first new one comes.
func (s *Store) topOf(ctx context.Context, device string) (top int64, err error) {
	s.mu.Lock()
	top, noted := s.tops[device]
	s.mu.Unlock()
	if noted {
		return top, nil
	}
	err = s.read.QueryRowContext(ctx, `
		SELECT max(coalesce((SELECT max(counter) FROM event WHERE device = ?1), 0),
			coalesce((SELECT max(counter) FROM erased WHERE device = ?1), 0))`, device).Scan(&top)
	return top, err
}

// noteTop notes a device's highest counter, as somebody read it. Whether events came
// since does not matter: the keeper knows those that it has kept.
func (s *Store) noteTop(device string, top int64) {
	s.mu.Lock()
	s.tops[device] = top
	s.mu.Unlock()
}
