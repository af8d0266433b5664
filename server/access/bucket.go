package access

import (
	"sync"
	"time"

	"github.com/benbjohnson/clock"
)

// Bucket lets one sender do something burst times at once and then once per every.
type Bucket struct {
	clk   clock.Clock
	burst time.Duration
	every time.Duration

	mu   sync.Mutex
	full time.Time // when it has its whole burst again
}

// NewBucket makes a full bucket.
func NewBucket(clk clock.Clock, burst int, every time.Duration) *Bucket {
	return &Bucket{clk: clk, burst: time.Duration(burst) * every, every: every}
}

// Take counts one more, unless that is beyond burst and pace.
func (b *Bucket) Take() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	full, left := b.next()
	if left < 0 {
		return false
	}
	b.full = full
	return true
}

// Owe counts one more in any case, and tells how long its sender should wait to
// be back at its pace.
func (b *Bucket) Owe() time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	full, left := b.next()
	b.full = full
	return max(0, -left)
}

// next gives when the bucket would be full again after one more, and how much
// of the burst would be left.
func (b *Bucket) next() (full time.Time, left time.Duration) {
	now := b.clk.Now()
	full = b.full
	if full.Before(now) {
		full = now
	}
	full = full.Add(b.every)
	return full, b.burst - full.Sub(now)
}
