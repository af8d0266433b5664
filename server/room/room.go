// Package room holds the pairs that are live. On each pair one thing happens at a
// time: it is judged, stored and passed on by whoever brings it. No pair waits
// for another or for the disk.
package room

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"sync"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

const (
	// maxWaiting bounds the heartbeats that wait for a pair.
	maxWaiting = 64
	// maxUnderWay bounds the batches of a pair that wait for the disk. A sender that
	// finds as many waits itself, and with it only its own connection.
	maxUnderWay = 64
	// lingerFor is how long an empty pair stays live.
	lingerFor = time.Minute
)

// ErrStopping is returned once the server stops.
var ErrStopping = errors.New("the server is stopping")

// Room is one live pair: a Core on which one thing happens at a time. What comes
// while nothing else happens is done at once, by the goroutine that brings it;
// what comes in between waits its turn.
type Room struct {
	core     *Core
	owner    *Rooms
	stop     chan struct{}
	underWay chan struct{} // has an element for each batch that waits for the disk
	timer    *clock.Timer
	wakesAt  time.Time // when the timer comes; only what happens to the pair sets it

	mu      sync.Mutex
	waiting []func()
	busy    bool // something happens
	ended   bool // nothing will any more
	rest    *sync.Cond
}

// newRoom makes a pair live.
func newRoom(rs *Rooms, p store.Pair) (*Room, error) {
	r := &Room{owner: rs, stop: rs.stop, underWay: make(chan struct{}, maxUnderWay), busy: true}
	r.rest = sync.NewCond(&r.mu)
	r.timer = rs.clk.AfterFunc(lingerFor, func() { r.act(r.look) })
	var err error
	r.core, err = NewCore(p, Env{
		Store: rs.store, Clock: rs.clk, NowMs: rs.nowMs, CatchUp: rs.catchUp, Log: rs.log,
		Later: func(f func()) { r.act(f) },
		Wake:  r.wakeIn,
	})
	if err != nil {
		r.end()
		return nil, err
	}
	r.next()
	return r, nil
}

// act has something done to the pair: at once, unless something happens to it;
// then afterwards. It never waits. false where the pair has ended.
func (r *Room) act(f func()) bool {
	r.mu.Lock()
	switch {
	case r.ended:
		r.mu.Unlock()
		return false
	case r.busy:
		r.waiting = append(r.waiting, f)
		r.mu.Unlock()
		return true
	}
	r.busy = true
	r.mu.Unlock()
	defer r.next()
	f()
	return true
}

// next goes on after something happened. What waits is done by a goroutine of its
// own, so that nobody is kept with what others brought.
func (r *Room) next() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.waiting) == 0 || r.ended {
		r.waiting, r.busy = nil, false
		r.rest.Broadcast()
		return
	}
	f := r.waiting[0]
	r.waiting = r.waiting[1:]
	go func() {
		defer r.next()
		f()
	}()
}

// end lets nothing more happen to the pair.
func (r *Room) end() {
	r.mu.Lock()
	r.ended = true
	r.mu.Unlock()
	r.timer.Stop()
}

// halt ends the pair and waits for what happens to it.
func (r *Room) halt() {
	r.end()
	r.mu.Lock()
	defer r.mu.Unlock()
	for r.busy {
		r.rest.Wait()
	}
}

// wakeIn has the pair looked at after a time, or sooner: almost every event puts the
// time off a little, and setting the timer each time would cost more than one look
// too many.
func (r *Room) wakeIn(d time.Duration) {
	now := r.owner.clk.Now()
	at := now.Add(d)
	if r.wakesAt.After(now) && !r.wakesAt.After(at) {
		return
	}
	r.wakesAt = at
	r.timer.Reset(d)
}

// look does what is due, and ends the pair where nobody needs it.
func (r *Room) look() {
	r.core.Look()
	if !r.core.mayEnd() {
		return
	}
	if r.owner.retire(r) {
		r.end()
	} else {
		r.wakeIn(lingerFor)
	}
}

// ask has something worked out of the pair, and waits for it.
func ask[T any](ctx context.Context, r *Room, f func() (T, error)) (T, error) {
	type answer struct {
		value T
		err   error
	}
	answers := make(chan answer, 1)
	if r.act(func() { value, err := f(); answers <- answer{value, err} }) {
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

// Join is Core.Join, in turn.
func (r *Room) Join(ctx context.Context, peer Peer, m Member) (Snapshot, error) {
	return ask(ctx, r, func() (Snapshot, error) { return r.core.Join(peer, m), nil })
}

// Watch is Core.Watch, in turn.
func (r *Room) Watch(ctx context.Context, peer Peer, m Member) error {
	_, err := ask(ctx, r, func() (struct{}, error) { r.core.Watch(peer, m); return struct{}{}, nil })
	return err
}

// InHold is Core.InHold, in turn.
func (r *Room) InHold(ctx context.Context) (bool, error) {
	return ask(ctx, r, func() (bool, error) { return r.core.InHold(), nil })
}

// Leave is Core.Leave, in turn.
func (r *Room) Leave(peer Peer) {
	r.act(func() { r.core.Leave(peer) })
}

// Heartbeat is Core.Heartbeat, in turn. It is left out where much waits: the next
// heartbeat tells the same.
func (r *Room) Heartbeat(m Member, state json.RawMessage) {
	r.mu.Lock()
	full := len(r.waiting) >= maxWaiting
	r.mu.Unlock()
	if !full {
		r.act(func() { r.core.Heartbeat(m, state) })
	}
}

// Have is Core.Have, in turn.
func (r *Room) Have(ctx context.Context) (store.Counts, error) {
	return ask(ctx, r, func() (store.Counts, error) { return r.core.Have(ctx) })
}

// Passed is Core.Passed, in turn.
func (r *Room) Passed(ctx context.Context, theirs store.Counts) ([][]byte, error) {
	return ask(ctx, r, func() ([][]byte, error) { return r.core.Passed(theirs), nil })
}

// Devices gives the devices whose events the pair has.
func (r *Room) Devices(ctx context.Context) ([]string, error) {
	return ask(ctx, r, func() ([]string, error) { return slices.Clone(r.core.devices), nil })
}

// Refresh is Core.Refresh, in turn.
func (r *Room) Refresh() {
	r.act(r.core.Refresh)
}

// Offer is Core.Offer, in turn, and reply is called then or later. It waits while
// many batches of the pair wait for the disk. reply is not called if Offer gives
// false, because ctx ended or the server stops.
func (r *Room) Offer(ctx context.Context, from Peer, device string, events []protocol.Event, refused []Refusal, reply func(Result)) bool {
	select { // by itself that costs much less
	case r.underWay <- struct{}{}:
	default:
		select {
		case r.underWay <- struct{}{}:
		case <-ctx.Done():
			return false
		case <-r.stop:
			return false
		}
	}
	return r.act(func() {
		r.core.Offer(from, device, events, refused, func(res Result) {
			<-r.underWay
			reply(res)
		})
	})
}
