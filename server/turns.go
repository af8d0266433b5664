package server

import (
	"context"
	"slices"
	"time"

	"buddyclock/protocol"
)

const (
	// answerWithin bounds how long the answer to a request is held back: pages give a
	// request up after 8 s.
	answerWithin = 4 * time.Second
	// maxTurns bounds the requests of a device that wait for their turn. A page has
	// one under way, and at its end another.
	maxTurns = 4
	// aheadBurst and aheadPace (a second) are for requests that need not wait for their
	// turn: nobody raises alarms faster.
	aheadBurst, aheadPace = 10, 1
)

// turn is a request's time in which no other of its device is under way. The zero
// value is that of a device at its pace, whose requests do not wait for one another.
type turn struct {
	srv   *Server
	of    *pace
	until time.Time
}

// takeTurn makes requests by which a device is over its pace come one after the
// other, as its frames do by a socket. due is when the device is back at its pace.
// An alarm does not wait, nor does what a page sent that is gone, its last breath: of
// both a few are taken at once, and else they have their turn too.
func (s *Server) takeTurn(ctx context.Context, p *pace, events []protocol.Event, due time.Time) (turn, error) {
	if slices.ContainsFunc(events, func(e protocol.Event) bool { return isUrgent(e.Kind) }) && p.ahead.Take() {
		return turn{}, nil
	}
	if p.waiting.Add(1) > maxTurns {
		p.waiting.Add(-1)
		return turn{}, problem("too-many-requests", "this device has many requests under way that are not answered yet; wait for them")
	}
	defer p.waiting.Add(-1)
	for gone := ctx.Done(); ; gone = nil {
		select {
		case p.turns <- struct{}{}:
			if most := s.clk.Now().Add(answerWithin); due.After(most) {
				due = most
			}
			return turn{s, p, due}, nil
		case <-s.ending:
			return turn{}, nil
		case <-gone:
			if p.ahead.Take() {
				return turn{}, nil
			}
		}
	}
}

// rest waits before the answer for the turn's time to pass, unless nobody waits for
// the answer any more or the server ends.
func (t turn) rest(ctx context.Context) {
	left := t.left()
	if left <= 0 {
		return
	}
	timer := t.srv.clk.Timer(left)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	case <-t.srv.ending:
	}
}

// end lets the next request have its turn, once the time has passed: who does not
// wait for the answer gains nothing by it.
func (t turn) end() {
	if t.srv == nil {
		return
	}
	free := func() { <-t.of.turns }
	if left := t.left(); left > 0 {
		t.srv.clk.AfterFunc(left, free)
		return
	}
	free()
}

func (t turn) left() time.Duration {
	if t.srv == nil {
		return 0
	}
	return t.srv.clk.Until(t.until)
}

// isUrgent tells whether others wait for events of a kind: alarms, and what ends them.
func isUrgent(kind string) bool {
	switch kind {
	case protocol.KindNoAnswer, protocol.KindSign, protocol.KindEndHold, protocol.KindIncident, protocol.KindSurfaced:
		return true
	}
	return false
}
