package store

import "sync"

// queue is what waits for a goroutine that alone takes it. Whoever puts something
// in goes on at once.
type queue[T any] struct {
	mu      sync.Mutex
	waiting []T
	closed  bool
	wake    chan struct{}
}

func newQueue[T any]() *queue[T] { return &queue[T]{wake: make(chan struct{}, 1)} }

// put tells whether it was taken: nothing is, once the queue is closed.
func (q *queue[T]) put(one T) bool {
	q.mu.Lock()
	closed := q.closed
	if !closed {
		q.waiting = append(q.waiting, one)
	}
	q.mu.Unlock()
	q.poke()
	return !closed
}

// poke has the taker look again.
func (q *queue[T]) poke() {
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// close lets nothing more in, and tells whether that was so before.
func (q *queue[T]) close() (before bool) {
	q.mu.Lock()
	before, q.closed = q.closed, true
	q.mu.Unlock()
	q.poke()
	return before
}

// take gives as many of those that wait as pick says of all, in their order.
func (q *queue[T]) take(pick func([]T) int) (taken []T, closed bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	n := pick(q.waiting)
	taken = q.waiting[:n:n]
	q.waiting = q.waiting[n:]
	if len(q.waiting) == 0 {
		q.waiting = nil // lets go of what was taken
	}
	return taken, q.closed
}
