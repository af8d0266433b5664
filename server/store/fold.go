package store

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync/atomic"
	"time"
)

const (
	// foldAfter is how long events stand in the journal alone, unless many come.
	foldAfter = 5 * time.Second
	// foldBusy is how many events in that time are many: folding them in waits until
	// fewer come, since it needs the disk that they need.
	foldBusy = 4_096
	// foldAt is the number of events at which they are folded in without delay.
	foldAt = 131_072
	// maxRecent bounds the events that are not folded in: they are held in memory.
	maxRecent = 2 * foldAt
	// foldShare is how many events are folded in by one transaction, so that other
	// work on the data file does not wait long.
	foldShare = 16_384
	// insertedTogether is how many events one statement adds: a fold needs a quarter less
	// time than with a statement for each, and more at once save little more.
	insertedTogether = 32
	// tryAgainAfter is the time until a fold that failed is tried once more.
	tryAgainAfter = time.Second
)

// fold is some recent events on their way into the data file.
type fold struct {
	rows    []*row
	waiters []chan error
}

// Settle waits until all that was stored before is in the data file, so that the
// file alone tells of it. Live events do not wait along.
func (s *Store) Settle(ctx context.Context) error {
	if s.recent.len() == 0 {
		return nil
	}
	return s.ask(ctx, &s.settling)
}

// wipe waits until nothing of any event is left in the journal. Live events wait
// along.
func (s *Store) wipe(ctx context.Context) error { return s.ask(ctx, &s.wiping) }

// ask has the keeper do something, and waits for it.
func (s *Store) ask(ctx context.Context, list *[]chan error) error {
	result := make(chan error, 1)
	s.mu.Lock()
	*list = append(*list, result)
	s.mu.Unlock()
	s.arrivals.poke()
	select {
	case err := <-result:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-s.kept:
		return ErrClosed
	}
}

// lookAfterFolds begins a fold where one is due. came tells whether events came
// since the last time.
func (k *keeper) lookAfterFolds(came bool) {
	select {
	case err := <-k.folded:
		k.afterFold(err)
	default:
	}
	k.mu.Lock()
	wiping := k.wiping
	k.wiping = nil
	k.waiters, k.settling = append(k.waiters, k.settling...), nil
	k.mu.Unlock()
	if len(wiping) > 0 {
		answer(wiping, k.empty())
	}
	n := k.recent.len()
	due := k.isDue(n)
	switch {
	case k.folding != nil:
	case n == 0:
		answer(k.waiters, nil)
		k.waiters = nil
	case due, len(k.waiters) > 0:
		k.beginFold()
	case k.failed != nil && (k.clk != nil || !came): // its time comes
	case k.clk == nil, n >= foldAt:
		k.beginFold()
	case k.due == nil:
		k.foldIn(foldAfter)
	}
}

// isDue tells whether the time for a fold has come, and no better one is near.
func (k *keeper) isDue(n int) bool {
	if k.due == nil || !k.due.Load() {
		return false
	}
	if k.due = nil; k.failed == nil && n < foldAt && k.recent.came-k.cameBefore > foldBusy {
		k.foldIn(foldAfter)
		return false
	}
	return true
}

func (k *keeper) foldIn(d time.Duration) {
	if k.clk != nil {
		due := new(atomic.Bool) // of this time alone: one that was set before a fold means nothing after it
		k.due, k.cameBefore = due, k.recent.came
		k.clk.AfterFunc(d, func() { due.Store(true); k.arrivals.poke() })
	}
}

// beginFold has all recent events folded in. What comes meanwhile goes into the
// other file.
func (k *keeper) beginFold() {
	k.due = nil
	k.folding = &fold{rows: k.recent.first(k.recent.len()), waiters: k.waiters}
	k.waiters = nil
	if k.failed == nil { // else events that are not folded in stand in both files
		k.journal.turn()
	}
	rows, upTo := k.folding.rows, k.journal.number
	go func() { k.folded <- k.fold(rows, upTo) }()
}

func (k *keeper) afterFold(err error) {
	f := k.folding
	if k.tell != nil && (err == nil) != (k.failed == nil) {
		k.tell(err)
	}
	k.folding, k.failed = nil, err
	if err == nil {
		k.recent.drop(len(f.rows))
	} else {
		k.foldIn(tryAgainAfter)
	}
	answer(f.waiters, err)
}

func answer(waiters []chan error, err error) {
	for _, w := range waiters {
		w <- err
	}
}

// foldAll waits until all recent events are in the data file, or cannot be brought
// there.
func (k *keeper) foldAll() error {
	if k.folding != nil {
		k.afterFold(<-k.folded)
	}
	if k.recent.len() > 0 {
		k.beginFold()
		k.afterFold(<-k.folded)
	}
	return k.failed
}

// empty takes all out of the journal.
func (k *keeper) empty() error {
	if err := k.foldAll(); err != nil {
		return err
	}
	return k.journal.empty()
}

// finish ends the keeper's work. Where all is in the data file no journal is left.
func (k *keeper) finish() {
	err := k.foldAll()
	answer(k.waiters, err)
	closed := k.journal.close()
	if err == nil {
		closed = errors.Join(closed, k.journal.remove())
	} else {
		err = fmt.Errorf("the newest events stay in the journal, and are brought into the data file at the next start: %w", err)
	}
	k.keptErr = errors.Join(err, closed)
}

// fold brings events into the data file, whose journal is folded in up to a number
// then.
func (s *Store) fold(rows []*row, upTo int64) error {
	for len(rows) > 0 {
		share := rows[:min(len(rows), foldShare)]
		rows = rows[len(share):]
		last := len(rows) == 0
		if err := s.do(func(w *writer) error { return w.fold(share, upTo, last) }); err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) fold(rows []*row, upTo int64, last bool) error {
	for len(rows) > 0 {
		insert := w.one
		if len(rows) >= w.many.rows {
			insert = w.many
		}
		if err := insert.add(rows[:insert.rows]); err != nil {
			return fmt.Errorf("cannot write events to the data file: %w", err)
		}
		rows = rows[insert.rows:]
		runtime.Gosched() // whatever else is to be done goes first
	}
	if !last {
		return nil
	}
	return w.exec("UPDATE journal SET folded = ?", upTo)
}
