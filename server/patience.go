package server

import (
	"sync/atomic"
	"time"

	"github.com/benbjohnson/clock"
)

// patience ends something that takes longer than it may. It is made for what
// begins and ends thousands of times a second: its timer is set only once in a
// while, and then looks how long it has really been.
type patience struct {
	clk   clock.Clock
	limit time.Duration
	over  func()
	timer *clock.Timer
	made  time.Time
	since atomic.Int64 // ns after made from when on it is waited, 0 while nobody waits
	set   atomic.Bool  // whether the timer runs
}

// init makes it ready; over is called in a goroutine of its own.
func (p *patience) init(clk clock.Clock, limit time.Duration, over func()) {
	p.clk, p.limit, p.over, p.made = clk, limit, over, clk.Now()
	p.timer = clk.AfterFunc(limit, p.look)
	p.timer.Stop()
}

// begin counts from now on.
func (p *patience) begin() {
	p.since.Store(int64(p.clk.Since(p.made)) + 1)
	p.run(p.limit)
}

// end stops counting, until the next begin.
func (p *patience) end() { p.since.Store(0) }

// stop lets it go for good.
func (p *patience) stop() {
	p.end()
	p.timer.Stop()
}

func (p *patience) run(d time.Duration) {
	if p.set.CompareAndSwap(false, true) {
		p.timer.Reset(d)
	}
}

func (p *patience) look() {
	p.set.Store(false)
	since := p.since.Load()
	if since == 0 {
		return
	}
	if left := p.limit - p.clk.Since(p.made) + time.Duration(since-1); left > 0 {
		p.run(left)
		return
	}
	p.over()
}
