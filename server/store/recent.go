package store

import (
	"slices"
	"sync"
)

// recentSeq is what the order of arrival of recent events counts from: they come
// after all that are in the data file.
const recentSeq = int64(1) << 62

// eventKey is by what an event is kept apart from others.
type eventKey struct {
	device  string
	counter int64
}

// recent are the events that are on the disk, in the journal, and not in the data
// file yet. Who reads asks here first and the data file then: an event that is
// folded in between is found twice, and not missed.
type recent struct {
	mu    sync.Mutex
	rows  []*row // in their order of arrival
	came  int64  // how many ever did; only the keeper adds
	byKey map[eventKey]*row
	keyed int // how many of the first rows are in byKey: hardly anybody asks for one
}

func newRecent() *recent { return &recent{byKey: map[eventKey]*row{}} }

func (r *recent) add(rows []*row) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, one := range rows {
		r.came++
		one.seq = recentSeq + r.came
	}
	r.rows = append(r.rows, rows...)
}

// drop forgets the first n.
func (r *recent) drop(n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, one := range r.rows[:min(n, r.keyed)] {
		delete(r.byKey, one.key())
	}
	r.keyed = max(0, r.keyed-n)
	if r.rows = r.rows[n:]; len(r.rows) == 0 {
		r.rows = nil
	}
}

func (r *recent) len() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.rows)
}

// first gives the first n.
func (r *recent) first(n int) []*row {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.rows[:n:n]
}

// one gives the event of a key, or nil.
func (r *recent) one(key eventKey) *row {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, one := range r.rows[r.keyed:] {
		r.byKey[one.key()] = one
	}
	r.keyed = len(r.rows)
	return r.byKey[key]
}

// those gives the events that a filter lets through. They are looked through one
// by one: hardly ever are there many, and adding one must cost next to nothing.
func (r *recent) those(filter func(*row) bool) (some []*row) {
	r.mu.Lock()
	rows := r.rows[:len(r.rows):len(r.rows)]
	r.mu.Unlock()
	for _, one := range rows {
		if filter(one) {
			some = append(some, one)
		}
	}
	return some
}

// with adds recent events to those that were read from the data file afterwards.
func with(rows, recent []*row) []*row {
	if len(recent) == 0 {
		return rows
	}
	there := make(map[eventKey]bool, len(rows))
	for _, one := range rows {
		there[one.key()] = true
	}
	return append(rows, slices.DeleteFunc(recent, func(one *row) bool { return there[one.key()] })...)
}
