package room

import (
	"slices"
	"time"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

const (
	// retryEvery is how often the pair tries itself to store what the disk refused.
	retryEvery = 2 * time.Second
	// maxUnstored bounds what is kept for that; the phones keep it too.
	maxUnstored = 2_000
)

// unstored are events that were passed on although the disk had refused them.
// Who made them offers them again, but may be gone: then some phones have seen
// what the host would never have.
type unstored struct {
	events  []protocol.Event
	retryAt time.Time
	trying  bool
}

func (u *unstored) keep(e *protocol.Event, now time.Time) {
	known := slices.ContainsFunc(u.events, func(k protocol.Event) bool { return k.ID == e.ID })
	if known || len(u.events) == maxUnstored {
		return
	}
	if len(u.events) == 0 {
		u.retryAt = now.Add(retryEvery)
	}
	u.events = append(u.events, *e)
}

// settle lets go of an event which the disk has, or for which it has another.
func (u *unstored) settle(id string) {
	u.events = slices.DeleteFunc(u.events, func(k protocol.Event) bool { return k.ID == id })
}

// Passed gives what was passed on, though the disk has not taken it, and somebody
// lacks who has these: JSON texts. Whoever comes in while the disk is full is
// told of it too, and its own maker that it has used those ids.
func (r *Core) Passed(theirs store.Counts) [][]byte {
	var bodies [][]byte
	for _, e := range r.unstored.events {
		n, _ := protocol.CounterOf(e.ID)
		if !theirs.Has(protocol.DeviceOf(e.ID), n) {
			bodies = append(bodies, e.Encode())
		}
	}
	return bodies
}

// retryStoring tries what is due. It gives when to come again; zero where there
// is nothing to try.
func (r *Core) retryStoring(now time.Time) time.Time {
	u := &r.unstored
	if len(u.events) == 0 || u.trying {
		return time.Time{}
	}
	if u.retryAt.After(now) {
		return u.retryAt
	}
	u.retryAt = now.Add(retryEvery)
	u.trying = true
	r.write(nil, slices.Clone(u.events[:min(len(u.events), MaxBatch)]), true, Result{}, func(Result) {
		u.trying = false
		r.Look()
	})
	return time.Time{}
}
