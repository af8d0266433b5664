package demo

import (
	"time"

	"github.com/benbjohnson/clock"
)

// lapse is a clock that runs many times as fast as the real one, so that an
// outing of minutes is over in seconds. Shared time and the phones are given the
// same one and see nothing unusual. What bounds work on this machine stays real.
type lapse struct {
	clock.Clock
	began time.Time
	times time.Duration
}

func newLapse(times int) *lapse {
	real := clock.New()
	return &lapse{real, real.Now(), time.Duration(times)}
}

func (l *lapse) Now() time.Time                         { return l.began.Add(l.Clock.Since(l.began) * l.times) }
func (l *lapse) Since(t time.Time) time.Duration        { return l.Now().Sub(t) }
func (l *lapse) After(d time.Duration) <-chan time.Time { return l.Clock.After(d / l.times) }
