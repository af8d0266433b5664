package room

import (
	"context"
	"encoding/json"
	"log/slog"
	"slices"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/store"
)

// Store is what a pair needs of the disk. *store.Store is one.
type Store interface {
	Append(pair string, events []protocol.Event, done func([]store.Outcome, error))
	Has(ctx context.Context, pair string, e *protocol.Event) (bool, error)
	Hold(ctx context.Context, pair, hold string) ([]protocol.Event, error)
	NewestHold(ctx context.Context, pair string) (string, error)
	NewestStarted(ctx context.Context, pair string) (string, error)
	Counters(ctx context.Context, device string, from int64) (upTo int64, beyond []store.Run, err error)
	Memberships(ctx context.Context, p store.Pair) ([]store.Membership, error)
	OutsideHolds(ctx context.Context, pair string) ([][]byte, error)
}

// Member is a device as the others of its pair see it.
type Member struct {
	Device string
	Role   string
	Name   string
}

// seat is a connected device's place in a pair.
type seat struct {
	Peer
	Member
	watches bool // is told all that a board shows
}

// Peer is a connected device. Its methods must not block: a peer that cannot
// keep up cuts itself off.
type Peer interface {
	Send(frame []byte)
	// Part ends the connection after a last word to the device.
	Part(reason string)
}

// Env is what surrounds a pair.
type Env struct {
	Store Store
	Clock clock.Clock
	NowMs func() int64 // shared time
	// CatchUp is told of an event's time that is too far ahead, and tells whether
	// shared time has gone on from there.
	CatchUp func(atMs int64) bool
	Log     *slog.Logger
	// Later does something in the pair's turn that the disk's answer brings. It is
	// called by whoever writes to the disk, once for each Offer that had something
	// to write.
	Later func(func())
	// Wake has Look called after that time or sooner, in place of the time said before.
	Wake func(time.Duration)
}

// Core is what is known of one pair, and what each happening does to it. One
// thing happens at a time: it has no goroutine and no lock, and waits for
// nothing but what it reads from the disk. A Room sees to the turns.
type Core struct {
	Pair store.Pair

	env         Env
	seats       []seat // in the order of joining
	watchers    int    // of the peers
	grants      map[string][]access.Grant
	tokens      map[string][]byte // hashes of the devices' tokens
	members     []Member          // who is of the pair now
	devices     []string          // all that ever were
	have        map[string]int64
	underWay    int // batches that wait for the disk
	present     map[string]*present
	order       []string // devices of present, first joined first
	presenceDue time.Time
	hold        *protocol.Hold // the one that runs, or else the newest
	holdAt      int64          // of the last event that begins it
	later       *protocol.Hold // one that began while hold runs, and follows it; nil if there is none
	laterAt     int64          // of the last event that begins that
	active      bool
	activeSince time.Time
	stateSaid   stateJSON // to the watchers
	emptySince  time.Time
	diskFails   bool
	unstored    unstored
}

// NewCore reads what must be known of a pair.
func NewCore(p store.Pair, env Env) (*Core, error) {
	ctx := context.Background() // others may be waiting for the same pair
	members, err := env.Store.Memberships(ctx, p)
	if err != nil {
		return nil, err
	}
	r := &Core{
		Pair: p, env: env,
		grants: map[string][]access.Grant{}, tokens: map[string][]byte{}, have: map[string]int64{}, present: map[string]*present{},
		emptySince: env.Clock.Now(),
	}
	r.setMembers(members)
	if err := r.findHolds(ctx); err != nil {
		return nil, err
	}
	r.followHold(env.Clock.Now())
	return r, nil
}

// Snapshot is what a device that joins is told first.
type Snapshot struct {
	Devices []string // whose events the pair has
	Present json.RawMessage
}

// Join adds a peer: from now on it is sent what happens in the pair. One whose
// place changed since it said who it is, is told to come again instead; nobody
// would tell it later.
func (r *Core) Join(peer Peer, m Member) Snapshot {
	r.admit(seat{Peer: peer, Member: m})
	return Snapshot{slices.Clone(r.devices), encode(r.presentNow(r.env.NowMs()))}
}

// admit takes a peer in, and tells whether it did.
func (r *Core) admit(s seat) bool {
	if !r.belongs(s.Member) {
		s.Part("changed")
		return false
	}
	r.dismiss(s.Peer)
	r.seats = append(r.seats, s)
	if s.watches {
		r.watchers++
	}
	r.seen(s.Member)
	r.Look()
	return true
}

func (r *Core) dismiss(peer Peer) {
	r.seats = slices.DeleteFunc(r.seats, func(s seat) bool {
		if s.Peer == peer && s.watches {
			r.watchers--
		}
		return s.Peer == peer
	})
}

// Leave removes a peer. Its device stays listed until its heartbeats are missed.
func (r *Core) Leave(peer Peer) {
	r.dismiss(peer)
	r.Look()
}

// Have gives which events of the pair's devices are stored.
func (r *Core) Have(ctx context.Context) (store.Counts, error) {
	all := store.Counts{Have: make(map[string]int64, len(r.devices)), Beyond: map[string][]store.Run{}}
	for _, device := range r.devices {
		n, beyond, err := r.env.Store.Counters(ctx, device, r.have[device])
		if err != nil {
			return all, err
		}
		if r.have[device] = n; n > 0 {
			all.Have[device] = n
		}
		if len(beyond) > 0 {
			all.Beyond[device] = beyond
		}
	}
	return all, nil
}

// Refresh looks up who belongs to the pair now, after a device joined, changed
// its role or left. Whoever is connected with a role that is no longer theirs
// is told to come again.
func (r *Core) Refresh() {
	list, err := r.env.Store.Memberships(context.Background(), r.Pair)
	if err != nil {
		r.env.Log.Error("the members of a pair could not be read", "pair", r.Pair.Number, "reason", err)
		return
	}
	r.setMembers(list)
	for _, s := range slices.Clone(r.seats) {
		if !r.belongs(s.Member) {
			s.Part(r.partingWord(s.Device))
			r.dismiss(s.Peer)
		}
	}
	for _, device := range slices.Clone(r.order) {
		if !r.belongs(r.present[device].member) {
			r.forget(device)
		}
	}
	r.sendPair(r.watching()...)
	r.Look()
}

// partingWord tells why a device no longer has its place.
func (r *Core) partingWord(device string) string {
	for _, g := range r.grants[device] {
		if g.Removed {
			return "removed"
		}
	}
	return "changed"
}

func (r *Core) setMembers(list []store.Membership) {
	clear(r.grants)
	clear(r.tokens)
	r.devices, r.members = r.devices[:0], r.members[:0]
	for _, m := range list {
		if len(r.grants[m.Device]) == 0 {
			r.devices = append(r.devices, m.Device)
		}
		r.grants[m.Device] = append(r.grants[m.Device], access.Grant{Role: m.Role, SinceMs: m.SinceMs, UntilMs: m.UntilMs, Removed: m.Removed})
		r.tokens[m.Device] = m.TokenHash
		if m.UntilMs == 0 && !m.OfAll {
			r.members = append(r.members, Member{m.Device, m.Role, m.Name})
		}
	}
}

// belongs tells whether a device still has the role it came with.
func (r *Core) belongs(m Member) bool {
	for _, g := range r.grants[m.Device] {
		if g.Role == m.Role && g.UntilMs == 0 {
			return true
		}
	}
	return false
}

// Offer judges events that a device brings, stores them, and passes on what is
// new to everybody but from (nil where the device has no connection). The list of
// events is its own then. reply is called once all is on disk, and must not block.
func (r *Core) Offer(from Peer, device string, events []protocol.Event, refused []Refusal, reply func(Result)) {
	res := Result{Refused: refused}
	now := r.env.NowMs()
	taken := events[:0]
	for i := range events {
		e := &events[i]
		maker := protocol.DeviceOf(e.ID)
		problem := access.MaySend(r.grants[maker], e, now)
		if problem == nil && maker != device && !access.Sealed(r.tokens[maker], *e) {
			problem = &protocol.Problem{Code: "not-yours", Reason: "another device recorded this event, and its seal is missing or does not fit"}
		}
		if problem == nil && !r.isLateAddition(e, now) {
			problem = checkTime(e, now)
			if problem != nil && problem.Code == codeFuture && r.env.CatchUp(e.At-store.OnPurposeAheadMs(e.Kind)) {
				now = r.env.NowMs()
				problem = checkTime(e, now)
			}
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
		res.Refused = merged(res.Refused)
		reply(res)
		return
	}
	r.write(from, taken, false, res, reply)
}

// write stores events and goes on once the disk has answered. What is tried
// once more was passed on before.
func (r *Core) write(from Peer, events []protocol.Event, again bool, res Result, reply func(Result)) {
	r.underWay++
	r.env.Store.Append(r.Pair.ID, events, func(outcomes []store.Outcome, err error) {
		r.env.Later(func() {
			r.underWay--
			r.committed(from, events, again, outcomes, err, res, reply)
		})
	})
}

// addedLater are the kinds that people add to a hold days after it: along a
// video, or on a phone that had no network meanwhile.
var addedLater = []string{protocol.KindReading, protocol.KindNote, protocol.KindVerdict, protocol.KindAmend}

// isLateAddition tells whether an event adds to the log of a hold that is known:
// it may lie as far back as the hold's start. What takes a press out of the hold
// itself may not.
func (r *Core) isLateAddition(e *protocol.Event, nowMs int64) bool {
	if !slices.Contains(addedLater, e.Kind) || e.At > nowMs-farMs {
		return false
	}
	events, err := r.env.Store.Hold(context.Background(), r.Pair.ID, e.Hold)
	if err != nil || !slices.ContainsFunc(events, func(at protocol.Event) bool { return at.Kind == protocol.KindStart && at.At <= e.At }) {
		return false
	}
	return !slices.ContainsFunc(events, func(of protocol.Event) bool {
		return !slices.Contains(addedLater, of.Kind) && protocol.TakesBack(*e, of)
	})
}

// Erased forgets a hold that may have been erased, and tells the pair's devices
// what they are to erase too.
func (r *Core) Erased(frame []byte) {
	if err := r.findHolds(context.Background()); err != nil {
		r.env.Log.Error("a pair's newest hold could not be read", "pair", r.Pair.Number, "reason", err)
		r.hold, r.holdAt, r.later = nil, 0, nil
	}
	r.sendAll(frame, nil)
	r.sendPair(r.watching()...)
	r.Look()
}

// knows tells whether the very same event is stored: one that has waited more
// than a day for its `stored` is not refused.
func (r *Core) knows(e *protocol.Event) bool {
	known, err := r.env.Store.Has(context.Background(), r.Pair.ID, e)
	return known && err == nil
}

// committed goes on after the disk has answered.
func (r *Core) committed(from Peer, events []protocol.Event, again bool, outcomes []store.Outcome, err error, res Result, reply func(Result)) {
	fresh := make([][]byte, 0, len(events))
	before := r.hold
	for i := range events {
		e := &events[i]
		switch {
		case err != nil:
			res.Failed = append(res.Failed, e.ID)
			r.unstored.keep(e, r.env.Clock.Now())
			if again {
				continue
			}
		case outcomes[i] == store.Conflict:
			r.unstored.settle(e.ID)
			res.Refused = append(res.Refused, Refusal{IDs: []string{e.ID}, Code: "conflict", Reason: "another event with this id is stored already; the first one counts"})
			continue
		case outcomes[i] == store.Erased:
			res.Refused = append(res.Refused, Refusal{IDs: []string{e.ID}, Code: "erased", Reason: "the event was erased, with the diver's log: erase it there too"})
			continue
		default:
			res.Stored = append(res.Stored, e.ID)
			r.unstored.settle(e.ID)
			if outcomes[i] == store.Known {
				continue
			}
		}
		fresh = append(fresh, e.Encode())
		r.follow(e)
	}
	res.Err, res.Refused = err, merged(res.Refused)
	r.judgeDisk(err)
	// The others first: to them it may be an alarm, to the sender it is a receipt.
	for _, frame := range EventFrames(r.Pair.ID, fresh) {
		r.sendAll(frame, from)
	}
	if r.hold != before {
		r.sendPair(r.watching()...)
	}
	if len(fresh) > 0 {
		r.Look()
	}
	reply(res)
}

// judgeDisk says once that the disk fails, and once that it works again: devices
// offer what is not stored every few seconds.
func (r *Core) judgeDisk(err error) {
	switch {
	case err != nil && !r.diskFails:
		r.env.Log.Error("events cannot be written to disk: holds go on, and phones keep their events until it works again", "pair", r.Pair.Number, "reason", err)
	case err == nil && r.diskFails:
		r.env.Log.Info("events are written to disk again", "pair", r.Pair.Number)
	}
	r.diskFails = err != nil
}

func (r *Core) sendAll(frame []byte, but Peer) {
	for i := range r.seats {
		if to := r.seats[i].Peer; to != but {
			to.Send(frame)
		}
	}
}

// wakeIn has the pair looked at again in a time, and sooner where nobody is in it.
func (r *Core) wakeIn(d time.Duration) {
	if len(r.seats) > 0 {
		r.emptySince = time.Time{}
	} else {
		if r.emptySince.IsZero() {
			r.emptySince = r.env.Clock.Now()
		}
		d = min(d, lingerFor)
	}
	r.env.Wake(d)
}

// mayEnd tells whether nobody needs the pair to be live any longer.
func (r *Core) mayEnd() bool {
	return !r.active && r.underWay == 0 && len(r.unstored.events) == 0 && len(r.seats) == 0 &&
		!r.emptySince.IsZero() && r.env.Clock.Since(r.emptySince) >= lingerFor
}
