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
	mu       sync.Mutex
	rows     []*row // in their order of arrival
	came     int64  // how many ever did; only the keeper adds
	byKey    map[eventKey]*row
	byPair   map[string][]*row
	byDevice map[string][]*row
}

func newRecent() *recent {
	return &recent{byKey: map[eventKey]*row{}, byPair: map[string][]*row{}, byDevice: map[string][]*row{}}
}

func (r *recent) add(rows []*row) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, one := range rows {
		r.came++
		one.seq = recentSeq + r.came
		r.byKey[one.key()] = one
		r.byPair[one.pair] = append(r.byPair[one.pair], one)
		r.byDevice[one.device] = append(r.byDevice[one.device], one)
	}
	r.rows = append(r.rows, rows...)
}

// drop forgets the first n.
func (r *recent) drop(n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, one := range r.rows[:n] {
		delete(r.byKey, one.key())
		dropFirst(r.byPair, one.pair)
		dropFirst(r.byDevice, one.device)
	}
	if r.rows = r.rows[n:]; len(r.rows) == 0 {
		r.rows = nil
	}
}

func dropFirst(of map[string][]*row, key string) {
	if len(of[key]) == 1 {
		delete(of, key)
	} else {
		of[key] = of[key][1:]
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
	return r.byKey[key]
}

// ofPair gives the events of a pair that a filter lets through.
func (r *recent) ofPair(pair string, filter func(*row) bool) []*row {
	r.mu.Lock()
	defer r.mu.Unlock()
	return chosen(r.byPair[pair], filter)
}

// ofDevice gives the events of a device that a filter lets through.
func (r *recent) ofDevice(device string, filter func(*row) bool) []*row {
	r.mu.Lock()
	defer r.mu.Unlock()
	return chosen(r.byDevice[device], filter)
}

func chosen(rows []*row, filter func(*row) bool) (some []*row) {
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
