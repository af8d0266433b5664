// Package room holds the pairs that are live. Each pair has one goroutine that
// judges, stores and passes on its events and knows its devices; nothing else
// touches a pair's state, and no pair waits for another or for the disk.
package room

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

const (
	// inboxSize bounds what waits for a pair's goroutine. A sender that finds it
	// full waits itself, and with it only its own connection.
	inboxSize = 64
	// maxUnderWay bounds the batches of a pair that wait for the disk.
	maxUnderWay = 64
	// lingerFor is how long an empty pair stays live.
	lingerFor = time.Minute
)

// ErrStopping is returned once the server stops.
var ErrStopping = errors.New("the server is stopping")

// Room is one live pair: a Core in a goroutine of its own, which alone touches it.
type Room struct {
	core  *Core
	owner *Rooms

	inbox     chan func()
	completed chan func() // as long as maxUnderWay, so that the committer never waits here
	stop      chan struct{}
	timer     *clock.Timer
}

// newRoom makes a pair live. Its goroutine is the caller's to start.
func newRoom(rs *Rooms, p store.Pair) (*Room, error) {
	r := &Room{
		owner: rs, stop: rs.stop, timer: rs.clk.Timer(lingerFor),
		inbox: make(chan func(), inboxSize), completed: make(chan func(), maxUnderWay),
	}
	var err error
	r.core, err = NewCore(p, Env{
		Store: rs.store, Clock: rs.clk, NowMs: rs.nowMs, Log: rs.log,
		Later: func(f func()) { r.completed <- f },
		Wake:  func(d time.Duration) { r.timer.Stop(); r.timer.Reset(d) },
	})
	if err != nil {
		r.timer.Stop()
		return nil, err
	}
	return r, nil
}

// run is the pair's goroutine.
func (r *Room) run() {
	defer r.owner.running.Done()
	defer r.timer.Stop()
	for {
		inbox := r.inbox
		if r.core.underWay >= maxUnderWay {
			inbox = nil
		}
		select {
		case act := <-inbox:
			act()
		case act := <-r.completed:
			act()
		case <-r.timer.C:
			r.core.Look()
			if r.core.mayEnd() && r.owner.retire(r) {
				return
			}
		case <-r.stop:
			return
		}
	}
}

// act has the pair's goroutine do something; false if ctx ended first or the
// server stops.
func (r *Room) act(ctx context.Context, f func()) bool {
	select {
	case r.inbox <- f:
		return true
	case <-ctx.Done():
	case <-r.stop:
	}
	return false
}

// ask has the pair's goroutine work something out, and waits for it.
func ask[T any](ctx context.Context, r *Room, f func() (T, error)) (T, error) {
	type answer struct {
		value T
		err   error
	}
	answers := make(chan answer, 1)
	if r.act(ctx, func() { value, err := f(); answers <- answer{value, err} }) {
		select {
		case a := <-answers:
			return a.value, a.err
		case <-ctx.Done():
		case <-r.stop:
		}
	}
	var none T
	return none, ErrStopping
}

// Join is Core.Join in the pair's goroutine.
func (r *Room) Join(ctx context.Context, peer Peer, m Member) (Snapshot, error) {
	return ask(ctx, r, func() (Snapshot, error) { return r.core.Join(peer, m), nil })
}

// Watch is Core.Watch in the pair's goroutine.
func (r *Room) Watch(ctx context.Context, peer Peer, m Member) error {
	_, err := ask(ctx, r, func() (struct{}, error) { r.core.Watch(peer, m); return struct{}{}, nil })
	return err
}

// InHold is Core.InHold in the pair's goroutine.
func (r *Room) InHold(ctx context.Context) (bool, error) {
	return ask(ctx, r, func() (bool, error) { return r.core.InHold(), nil })
}

// Leave is Core.Leave in the pair's goroutine.
func (r *Room) Leave(peer Peer) {
	r.act(context.Background(), func() { r.core.Leave(peer) })
}

// Heartbeat is Core.Heartbeat in the pair's goroutine. It never waits: while the
// pair waits for the disk, the device's clock must go on being answered, and the
// next heartbeat tells the same.
func (r *Room) Heartbeat(m Member, state json.RawMessage) {
	select {
	case r.inbox <- func() { r.core.Heartbeat(m, state) }:
	default:
	}
}

// Have is Core.Have in the pair's goroutine.
func (r *Room) Have(ctx context.Context) (store.Counts, error) {
	return ask(ctx, r, func() (store.Counts, error) { return r.core.Have(ctx) })
}

// Passed is Core.Passed in the pair's goroutine.
func (r *Room) Passed(ctx context.Context, theirs store.Counts) ([][]byte, error) {
	return ask(ctx, r, func() ([][]byte, error) { return r.core.Passed(theirs), nil })
}

// Devices gives the devices whose events the pair has.
func (r *Room) Devices(ctx context.Context) ([]string, error) {
	return ask(ctx, r, func() ([]string, error) { return slices.Clone(r.core.devices), nil })
}

// Refresh is Core.Refresh in the pair's goroutine.
func (r *Room) Refresh() {
	r.act(context.Background(), r.core.Refresh)
}

// Offer is Core.Offer in the pair's goroutine, where reply is called too. reply
// is not called if Offer gives false, because ctx ended or the server stops.
func (r *Room) Offer(ctx context.Context, from Peer, device string, events []protocol.Event, refused []Refusal, reply func(Result)) bool {
	return r.act(ctx, func() { r.core.Offer(from, device, events, refused, reply) })
}
