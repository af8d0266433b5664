package server

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"sync"

	"buddyclock/server/room"
	"buddyclock/server/store"
)

// places are a board's places: one in each pair of the outing.
type places struct {
	mu     sync.Mutex
	by     map[string]*place
	closed bool
}

// in gives the board's place in a pair, or nil.
func (ps *places) in(pair string) *place {
	ps.mu.Lock()
	defer ps.mu.Unlock()
	return ps.by[pair]
}

func (ps *places) heartbeat(m room.Member, state json.RawMessage) {
	ps.mu.Lock()
	defer ps.mu.Unlock()
	for _, p := range ps.by {
		p.room.Heartbeat(m, state)
	}
}

// beginBoard welcomes a device of the whole outing. The pairs follow.
func (in *incoming) beginBoard(ctx context.Context, version int, h hello) error {
	device, err := in.srv.deviceOf(ctx, h.Token)
	switch {
	case err != nil:
		return err
	case device.ID != h.Device:
		return problem("bad-token", "this token belongs to another device")
	case device.Pair != "" || device.Session != in.srv.session.ID:
		return problem("not-allowed", "a board is of all pairs: join it by the instructor's link, and no pair")
	}
	in.is(device)
	in.board = &places{by: map[string]*place{}}
	us, clockID := in.srv.shared.NowUs()
	welcome := encode(boardWelcomeJSON{
		Type: "welcome", V: version, Board: true, Outing: in.srv.outingNow(), Session: device.Session,
		Device: device.ID, Role: device.Role, Name: device.Name, ClockID: clockID, ServerMs: us / 1000, Simulated: in.srv.simulated,
	})
	if !in.write(outgoing{frame: welcome}) {
		return errGone
	}
	return nil
}

// openBoard takes a place in every pair, one after the other.
func (in *incoming) openBoard(ctx context.Context) error {
	in.srv.boards.add(in) // first, so that a pair made meanwhile is not missed
	pairs, err := in.srv.store.Pairs(ctx, in.srv.session.ID)
	if err != nil {
		return err
	}
	for _, p := range pairs {
		if err := in.watch(ctx, p); err != nil {
			return err
		}
		if !in.drain() {
			return errGone
		}
	}
	in.Send(encode(struct {
		Type string `json:"type"`
	}{"pairs-done"}))
	return nil
}

// watch takes a place in a pair, unless the board has it already.
func (in *incoming) watch(ctx context.Context, p store.Pair) error {
	at := &place{conn: in.conn, pair: p, named: true}
	in.board.mu.Lock()
	defer in.board.mu.Unlock()
	if in.board.closed || in.board.by[p.ID] != nil {
		return nil
	}
	var err error
	if at.room, at.release, err = in.srv.rooms.Enter(p); err != nil {
		return err
	}
	if err = at.room.Watch(ctx, at, in.member); err != nil {
		at.release()
		return err
	}
	in.board.by[p.ID] = at
	return nil
}

func (in *incoming) closeBoard() {
	in.srv.boards.remove(in)
	in.board.mu.Lock()
	defer in.board.mu.Unlock()
	in.board.closed = true
	for _, p := range in.board.by {
		p.leave()
	}
	in.board.by = nil
}

// boards are the connected boards.
type boards struct {
	mu   sync.Mutex
	open map[*incoming]struct{}
}

func (b *boards) add(in *incoming) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.open[in] = struct{}{}
}

func (b *boards) remove(in *incoming) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.open, in)
}

func (b *boards) list() []*incoming {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Collect(maps.Keys(b.open))
}
