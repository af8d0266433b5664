// Package room holds the pairs that are live. Each pair has one goroutine that
// judges, stores and passes on its events and knows its devices; nothing else
// touches a pair's state, and no pair waits for another or for the disk.
package room

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"slices"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/protocol"
	"buddyclock/server/access"
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

// Member is a device as the others of its pair see it.
type Member struct {
	Device string
	Role   string
	Name   string
}

// Peer is a connected device. Its methods are called from the pair's goroutine
// and must not block: a peer that cannot keep up cuts itself off.
type Peer interface {
	Send(frame []byte)
	// Part ends the connection after a last word to the device.
	Part(reason string)
}

// Room is one live pair.
type Room struct {
	Pair store.Pair

	owner *Rooms
	store *store.Store
	clk   clock.Clock
	nowMs func() int64
	log   *slog.Logger

	inbox     chan func()
	completed chan func() // as long as maxUnderWay, so that the committer never waits here
	stop      chan struct{}

	// What follows belongs to the pair's goroutine.
	peers       map[Peer]Member
	grants      map[string][]access.Grant
	devices     []string // all that ever were of the pair
	have        map[string]int64
	underWay    int
	present     map[string]*present
	order       []string // devices of present, first joined first
	presenceDue time.Time
	hold        *protocol.Hold // the newest
	holdAt      int64          // of the last event that begins it
	active      bool
	activeSince time.Time
	timer       *clock.Timer
	emptySince  time.Time
	diskFails   bool
}

// run is the pair's goroutine.
func (r *Room) run() {
	defer r.owner.running.Done()
	defer r.timer.Stop()
	for {
		inbox := r.inbox
		if r.underWay >= maxUnderWay {
			inbox = nil
		}
		select {
		case act := <-inbox:
			act()
		case act := <-r.completed:
			r.underWay--
			act()
		case <-r.timer.C:
			r.judgePresence()
			if r.mayEnd() && r.owner.retire(r) {
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

// Snapshot is what a device that joins is told first.
type Snapshot struct {
	Devices []string // whose events the pair has
	Present json.RawMessage
}

// Join adds a peer: from now on it is sent what happens in the pair. One whose
// place changed since it said who it is, is told to come again instead; nobody
// would tell it later.
func (r *Room) Join(ctx context.Context, peer Peer, m Member) (Snapshot, error) {
	return ask(ctx, r, func() (Snapshot, error) {
		if r.belongs(m) {
			r.peers[peer] = m
			r.seen(m)
			r.judgePresence()
		} else {
			peer.Part("changed")
		}
		return Snapshot{slices.Clone(r.devices), encode(r.presentNow(r.clk.Now()))}, nil
	})
}

// Leave removes a peer. Its device stays listed until its heartbeats are missed.
func (r *Room) Leave(peer Peer) {
	r.act(context.Background(), func() {
		delete(r.peers, peer)
		r.judgePresence()
	})
}

// Heartbeat passes on what a device says of itself; state is a JSON object. It
// never waits: while the pair waits for the disk, the device's clock must go on
// being answered, and the next heartbeat tells the same.
func (r *Room) Heartbeat(m Member, state json.RawMessage) {
	select {
	case r.inbox <- func() { r.heartbeat(m, state) }:
	default:
	}
}

// Have gives for each device of the pair the highest counter up to which all
// its events are stored.
func (r *Room) Have(ctx context.Context) (map[string]int64, error) {
	return ask(ctx, r, func() (map[string]int64, error) {
		have := make(map[string]int64, len(r.devices))
		for _, device := range r.devices {
			n, err := r.store.Gapless(ctx, device, r.have[device])
			if err != nil {
				return nil, err
			}
			if r.have[device] = n; n > 0 {
				have[device] = n
			}
		}
		return have, nil
	})
}

// Devices gives the devices whose events the pair has.
func (r *Room) Devices(ctx context.Context) ([]string, error) {
	return ask(ctx, r, func() ([]string, error) { return slices.Clone(r.devices), nil })
}

// Refresh has the pair look up who belongs to it now, after a device joined,
// changed its role or left. Whoever is connected with a role that is no longer
// theirs is told to come again.
func (r *Room) Refresh() {
	r.act(context.Background(), func() {
		list, err := r.store.Memberships(context.Background(), r.Pair)
		if err != nil {
			r.log.Error("the members of a pair could not be read", "pair", r.Pair.Number, "reason", err)
			return
		}
		r.setMembers(list)
		for peer, m := range r.peers {
			if !r.belongs(m) {
				peer.Part("changed")
				delete(r.peers, peer)
			}
		}
		for _, device := range slices.Clone(r.order) {
			if !r.belongs(r.present[device].member) {
				r.forget(device)
			}
		}
		r.judgePresence()
	})
}

func (r *Room) setMembers(list []store.Membership) {
	clear(r.grants)
	r.devices = r.devices[:0]
	for _, m := range list {
		if len(r.grants[m.Device]) == 0 {
			r.devices = append(r.devices, m.Device)
		}
		r.grants[m.Device] = append(r.grants[m.Device], access.Grant{Role: m.Role, UntilMs: m.UntilMs})
	}
}

// belongs tells whether a device still has the role it came with.
func (r *Room) belongs(m Member) bool {
	for _, g := range r.grants[m.Device] {
		if g.Role == m.Role && g.UntilMs == 0 {
			return true
		}
	}
	return false
}

// Offer judges events, stores them, and passes on what is new to everybody but
// the sender (nil where it has no connection). reply is called from the pair's
// goroutine once all is on disk, and must not block. It is not called if Offer
// gives false, because ctx ended or the server stops.
func (r *Room) Offer(ctx context.Context, from Peer, events []protocol.Event, refused []Refusal, reply func(Result)) bool {
	return r.act(ctx, func() { r.offer(from, events, refused, reply) })
}

func (r *Room) offer(from Peer, events []protocol.Event, refused []Refusal, reply func(Result)) {
	res := Result{Refused: refused}
	now := r.nowMs()
	taken := make([]protocol.Event, 0, len(events))
	for i := range events {
		e := &events[i]
		problem := access.MaySend(r.grants[protocol.DeviceOf(e.ID)], e)
		if problem == nil {
			problem = checkTime(e, now)
		}
		switch {
		case problem == nil:
			taken = append(taken, *e)
		case r.knows(e):
			res.Stored = append(res.Stored, e.ID)
		default:
			res.Refused = append(res.Refused, refusal(e.ID, "", problem))
		}
	}
	if len(taken) == 0 {
		reply(res)
		return
	}
	r.underWay++
	r.store.Append(r.Pair.ID, taken, func(outcomes []store.Outcome, err error) {
		r.completed <- func() { r.committed(from, taken, outcomes, err, res, reply) }
	})
}

// knows tells whether the very same event is stored: one that has waited more
// than a day for its `stored` is not refused.
func (r *Room) knows(e *protocol.Event) bool {
	known, err := r.store.Has(context.Background(), r.Pair.ID, e)
	return known && err == nil
}

// committed goes on after the disk has answered.
func (r *Room) committed(from Peer, events []protocol.Event, outcomes []store.Outcome, err error, res Result, reply func(Result)) {
	fresh := make([][]byte, 0, len(events))
	for i := range events {
		e := &events[i]
		switch {
		case err != nil:
			res.Failed = append(res.Failed, e.ID)
		case outcomes[i] == store.Conflict:
			res.Refused = append(res.Refused, Refusal{IDs: []string{e.ID}, Code: "conflict", Reason: "another event with this id is stored already; the first one counts"})
			continue
		default:
			res.Stored = append(res.Stored, e.ID)
			if outcomes[i] == store.Known {
				continue
			}
		}
		fresh = append(fresh, e.Encode())
		r.follow(e)
	}
	res.Err = err
	r.judgeDisk(err)
	// The others first: to them it may be an alarm, to the sender it is a receipt.
	for _, frame := range EventFrames(fresh) {
		r.sendAll(frame, from)
	}
	reply(res)
	if len(fresh) > 0 {
		r.judgePresence()
	}
}

// judgeDisk says once that the disk fails, and once that it works again: devices
// offer what is not stored every few seconds.
func (r *Room) judgeDisk(err error) {
	switch {
	case err != nil && !r.diskFails:
		r.log.Error("events cannot be written to disk: holds go on, and phones keep their events until it works again", "pair", r.Pair.Number, "reason", err)
	case err == nil && r.diskFails:
		r.log.Info("events are written to disk again", "pair", r.Pair.Number)
	}
	r.diskFails = err != nil
}

// follow keeps the newest hold folded, so that the server too knows where the
// pair is.
func (r *Room) follow(e *protocol.Event) {
	same := r.hold != nil && r.hold.ID == e.Hold
	if same {
		r.hold.Add(*e)
	}
	if !begins(e.Kind) || (r.hold != nil && e.At <= r.holdAt) {
		return
	}
	r.holdAt = e.At
	if !same {
		r.loadHold(e.Hold)
	}
}

// begins tells whether events of a kind can make their hold the newest.
func begins(kind string) bool {
	return kind == protocol.KindPlan || kind == protocol.KindBreatheUp || kind == protocol.KindStart
}

func (r *Room) loadHold(id string) {
	r.hold = protocol.NewHold(id)
	events, err := r.store.Hold(context.Background(), r.Pair.ID, id)
	if err != nil {
		r.log.Error("a hold could not be read from disk", "pair", r.Pair.Number, "reason", err)
	}
	for _, e := range events {
		r.hold.Add(e)
	}
}

func (r *Room) sendAll(frame []byte, but Peer) {
	for peer := range r.peers {
		if peer != but {
			peer.Send(frame)
		}
	}
}

func (r *Room) setTimer(d time.Duration) {
	if len(r.peers) > 0 {
		r.emptySince = time.Time{}
	} else {
		if r.emptySince.IsZero() {
			r.emptySince = r.clk.Now()
		}
		d = min(d, lingerFor)
	}
	r.timer.Stop()
	r.timer.Reset(d)
}

// mayEnd tells whether nobody needs the pair to be live any longer.
func (r *Room) mayEnd() bool {
	return !r.active && r.underWay == 0 && len(r.peers) == 0 &&
		!r.emptySince.IsZero() && r.clk.Since(r.emptySince) >= lingerFor
}
