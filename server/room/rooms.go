package room

import (
	"context"
	"log/slog"
	"maps"
	"slices"
	"sync"

	"github.com/benbjohnson/clock"

	"buddyclock/server/store"
)

// Rooms are the live pairs of a server.
type Rooms struct {
	store   *store.Store
	clk     clock.Clock
	nowMs   func() int64
	catchUp func(atMs int64) bool
	log     *slog.Logger

	stop chan struct{}

	mu      sync.Mutex
	live    map[string]*entry
	rooms   map[*Room]struct{} // of the live ones, those that have begun
	stopped bool
}

// entry counts who holds a room, so that it does not end under their hands.
type entry struct {
	pair store.Pair
	once sync.Once
	room *Room
	err  error
	held int
}

// NewRooms makes an empty set of live pairs. nowMs gives shared time; catchUp is
// Env.CatchUp.
func NewRooms(st *store.Store, clk clock.Clock, nowMs func() int64, catchUp func(atMs int64) bool, log *slog.Logger) *Rooms {
	return &Rooms{store: st, clk: clk, nowMs: nowMs, catchUp: catchUp, log: log, stop: make(chan struct{}), live: map[string]*entry{}, rooms: map[*Room]struct{}{}}
}

// Enter gives the room of a pair, and makes it live if it is not. The caller
// calls release when done with it.
func (rs *Rooms) Enter(p store.Pair) (r *Room, release func(), err error) {
	rs.mu.Lock()
	e := rs.live[p.ID]
	if e == nil {
		e = &entry{pair: p}
		rs.live[p.ID] = e
	}
	e.held++
	rs.mu.Unlock()

	e.once.Do(func() { e.room, e.err = rs.begin(p) })
	release = func() {
		rs.mu.Lock()
		defer rs.mu.Unlock()
		if e.held--; e.held == 0 && e.err != nil && rs.live[p.ID] == e {
			delete(rs.live, p.ID)
		}
	}
	if e.err != nil {
		release()
		return nil, nil, e.err
	}
	return e.room, release, nil
}

// begin reads what a live pair must know.
func (rs *Rooms) begin(p store.Pair) (*Room, error) {
	r, err := newRoom(rs, p)
	if err != nil {
		return nil, err
	}
	rs.mu.Lock()
	defer rs.mu.Unlock()
	if rs.stopped {
		r.end()
		return nil, ErrStopping
	}
	rs.rooms[r] = struct{}{}
	return r, nil
}

// Refresh is Room.Refresh for a pair that may not be live; then there is
// nothing to do.
func (rs *Rooms) Refresh(p store.Pair) {
	rs.mu.Lock()
	live := rs.live[p.ID] != nil
	rs.mu.Unlock()
	if !live {
		return
	}
	if r, release, err := rs.Enter(p); err == nil {
		r.Refresh()
		release()
	}
}

// InHold tells whether any live pair is in a hold.
func (rs *Rooms) InHold(ctx context.Context) (bool, error) {
	rs.mu.Lock()
	var pairs []store.Pair
	for _, e := range rs.live {
		pairs = append(pairs, e.pair)
	}
	rs.mu.Unlock()
	for _, p := range pairs {
		r, release, err := rs.Enter(p)
		if err != nil {
			return false, err
		}
		active, err := r.InHold(ctx)
		release()
		if active || err != nil {
			return active, err
		}
	}
	return false, nil
}

// Erased is Core.Erased for a pair that may not be live; then nobody is there to
// be told.
func (rs *Rooms) Erased(p store.Pair, frame []byte) {
	rs.mu.Lock()
	live := rs.live[p.ID] != nil
	rs.mu.Unlock()
	if !live {
		return
	}
	if r, release, err := rs.Enter(p); err == nil {
		r.act(func() { r.core.Erased(frame) })
		release()
	}
}

// retire forgets a room unless somebody holds it.
func (rs *Rooms) retire(r *Room) bool {
	rs.mu.Lock()
	defer rs.mu.Unlock()
	if rs.live[r.core.Pair.ID].held > 0 {
		return false
	}
	delete(rs.live, r.core.Pair.ID)
	delete(rs.rooms, r)
	return true
}

// Stop ends all rooms. Whoever waits for one of them waits no longer.
func (rs *Rooms) Stop() {
	rs.mu.Lock()
	rs.stopped = true
	rooms := slices.Collect(maps.Keys(rs.rooms))
	rs.mu.Unlock()
	close(rs.stop)
	for _, r := range rooms {
		r.halt()
	}
}
