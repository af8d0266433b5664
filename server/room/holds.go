package room

import (
	"context"
	"time"

	"buddyclock/protocol"
)

// A pair's hold is the one that runs, or else the newest.

// activeForMs bounds a hold that nobody ended.
const activeForMs = 3_600_000

// findHolds reads the newest hold, and the one that was started last where that
// still runs.
func (r *Core) findHolds(ctx context.Context) error {
	newest, err := r.env.Store.NewestHold(ctx, r.Pair.ID)
	if err != nil {
		return err
	}
	started, err := r.env.Store.NewestStarted(ctx, r.Pair.ID)
	if err != nil {
		return err
	}
	r.hold, r.holdAt, r.later = nil, 0, nil
	for _, id := range []string{started, newest} {
		if id == "" || r.hold != nil && r.hold.ID == id {
			continue
		}
		r.begin(r.loadHold(id))
	}
	return nil
}

// begin has a hold followed that began after the others, or has it wait for the
// one that runs: whoever plans the next one, on a phone that was cut off, must not
// end the watch over it.
func (r *Core) begin(h *protocol.Hold) {
	if r.hold != nil && r.holdRuns() {
		r.later, r.laterAt = h, beganAt(h)
		return
	}
	r.hold, r.holdAt, r.later = h, beganAt(h), nil
}

// holdRuns tells whether the hold that is followed runs: from its start to the
// end of its watch.
func (r *Core) holdRuns() bool {
	nowMs := r.env.NowMs()
	phase := r.hold.StatusAt(nowMs).Phase
	return running(phase) && phase != protocol.BreatheUp && !r.abandoned(nowMs)
}

// beganAt is the time of the last event that begins a hold.
func beganAt(h *protocol.Hold) int64 {
	var at int64
	for _, e := range h.Events() {
		if begins(e.Kind) {
			at = e.At
		}
	}
	return at
}

// follow keeps the pair's hold folded, so that the server too knows where the pair
// is.
func (r *Core) follow(e *protocol.Event) {
	switch {
	case r.hold != nil && r.hold.ID == e.Hold:
		r.hold.Add(*e)
		if begins(e.Kind) {
			r.holdAt = max(r.holdAt, e.At)
		}
	case r.later != nil && r.later.ID == e.Hold:
		r.later.Add(*e)
		if begins(e.Kind) {
			r.laterAt = max(r.laterAt, e.At)
		}
	case !begins(e.Kind), r.hold != nil && e.At <= r.holdAt, r.later != nil && e.At <= r.laterAt:
	default:
		r.begin(r.loadHold(e.Hold))
	}
}

// begins tells whether events of a kind can make their hold the newest.
func begins(kind string) bool {
	return kind == protocol.KindPlan || kind == protocol.KindBreatheUp || kind == protocol.KindStart
}

func (r *Core) loadHold(id string) *protocol.Hold {
	hold := protocol.NewHold(id)
	events, err := r.env.Store.Hold(context.Background(), r.Pair.ID, id)
	if err != nil {
		r.env.Log.Error("a hold could not be read from disk", "pair", r.Pair.Number, "reason", err)
	}
	for _, e := range events {
		hold.Add(e)
	}
	return hold
}

// followHold works out whether the pair is in a hold, from its events, and goes on
// to the one that waits where the one before it is over. It gives the pair's hold as
// it stands, or nil if there is none.
func (r *Core) followHold(now time.Time) *protocol.Status {
	var status *protocol.Status
	active := false
	if r.later != nil && !r.holdRuns() {
		r.hold, r.holdAt, r.later = r.later, r.laterAt, nil
		r.sendPair(r.watching()...)
	}
	if r.hold != nil {
		nowMs := r.env.NowMs()
		st := r.hold.StatusAt(nowMs)
		status = &st
		active = running(st.Phase) && !r.abandoned(nowMs)
	}
	if active && !r.active {
		r.activeSince = now
	}
	r.active = active
	return status
}

func running(p protocol.Phase) bool { return p != protocol.Planned && p != protocol.Over }

// abandoned tells whether nothing was recorded in the pair's hold for so long that
// nobody can still be in it.
func (r *Core) abandoned(nowMs int64) bool {
	last, ok := r.hold.LastAt()
	return !ok || nowMs-last > activeForMs
}

// InHold tells whether a hold of the pair runs: from the countdown on to the
// end of its watch.
func (r *Core) InHold() bool {
	status := r.followHold(r.env.Clock.Now())
	// A breathe-up without a countdown has been called off, or has no time yet.
	return r.active && (status.Phase != protocol.BreatheUp || status.ZeroAt != nil)
}
