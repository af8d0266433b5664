package server

import (
	"context"
	"errors"
	"net/http"
	"sync"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/store"
)

const (
	// offerLife is how long an offer waits for its answer.
	offerLife = time.Minute
	// maxOffers bounds those that one device has open.
	maxOffers = 32
)

// offer is another place that a device may take if its holder wants to.
type offer struct {
	id    string
	from  *incoming
	to    string // device
	pair  store.Pair
	role  string
	swap  bool // the one who offers takes the other's role
	timer *clock.Timer
}

// offers are those without an answer yet.
type offers struct {
	srv *Server

	mu   sync.Mutex
	open map[string]*offer
}

type offerJSON struct {
	Type    string     `json:"type"`
	Offer   string     `json:"offer"`
	From    deviceJSON `json:"from"`
	Pair    string     `json:"pair"`
	Number  int        `json:"number"`
	Role    string     `json:"role"`
	Swap    bool       `json:"swap"`
	UntilMs int64      `json:"until_ms"` // shared time
}

// offeredJSON tells the one who offered what became of it. It was not made
// where a code says why.
type offeredJSON struct {
	Type  string `json:"type"`
	Offer string `json:"offer"`
	To    string `json:"to"`
	State string `json:"state"` // sent, accepted, declined, over
	*problemJSON
}

type offerOverJSON struct {
	Type  string `json:"type"`
	Offer string `json:"offer"`
}

// make takes an offer and hands it on.
func (o *offers) make(ctx context.Context, from *incoming, fields object) {
	made, err := o.read(ctx, from, fields)
	if err == nil {
		err = o.send(made)
	}
	if err == nil {
		from.Send(encode(offeredJSON{"offered", made.id, made.to, "sent", nil}))
		return
	}
	to, _ := fields.text("to", protocol.MaxIDBytes)
	why := &problemJSON{codeFailed, reasonFailed}
	var problem *protocol.Problem
	if errors.As(err, &problem) {
		why = &problemJSON{problem.Code, problem.Reason}
	} else {
		o.srv.log.Error("an offer could not be handed on", "reason", err)
	}
	from.Send(encode(offeredJSON{"offered", "", to, "over", why}))
}

// read finds out what is offered to whom, and whether it may be.
func (o *offers) read(ctx context.Context, from *incoming, fields object) (*offer, error) {
	if err := o.srv.goesOn(); err != nil {
		return nil, err
	}
	to, err := fields.text("to", protocol.MaxIDBytes)
	if err != nil {
		return nil, err
	}
	pairID, err := fields.text("pair", protocol.MaxIDBytes)
	if err != nil {
		return nil, err
	}
	role, err := fields.text("role", protocol.MaxByBytes)
	if err != nil {
		return nil, err
	}
	made := &offer{id: access.NewID(), from: from, to: to, role: role, swap: string(fields["swap"]) == "true"}
	if made.pair, err = o.srv.pairOfOuting(ctx, pairID); err != nil {
		return nil, err
	}
	device, err := o.srv.store.Device(ctx, to)
	if errors.Is(err, store.ErrUnknown) || err == nil && device.Session != o.srv.session.ID {
		return nil, problem("no-device", "this device is not of the present outing")
	}
	if err != nil {
		return nil, err
	}
	samePair := from.own != nil && from.own.pair.ID == device.Pair && made.pair.ID == device.Pair
	switch {
	case role != protocol.RoleBuddy && role != protocol.RoleDiver && role != protocol.RoleSiren:
		return nil, problem("bad-role", "an offered role is diver, buddy or siren")
	case made.to == from.member.Device:
		return nil, problem("not-allowed", "a device offers nothing to itself")
	case !samePair && (from.board == nil || from.member.Role != protocol.RoleInstructor):
		return nil, problem("not-allowed", "a phone makes offers within its own pair only")
	case made.swap && !samePair:
		return nil, problem("not-allowed", "only phones of one pair exchange their roles")
	case made.swap:
		if err := maySwap(from.member.Role, device.Role, role); err != nil {
			return nil, err
		}
	}
	return made, o.srv.mayMove(ctx, device, made.pair)
}

// maySwap refuses an exchange by which any other place changes hands than the
// diver's and the buddy's: an instructor's right comes by the instructor's link
// alone, and no diver is left with a phone that only makes noise.
func maySwap(roles ...string) error {
	for _, role := range roles {
		if role != protocol.RoleBuddy && role != protocol.RoleDiver {
			return problem("not-allowed", "only a diver's and a buddy's phone exchange their roles")
		}
	}
	return nil
}

// mayMove fails while the pair that a device is in, or is to be in, is in a hold.
func (s *Server) mayMove(ctx context.Context, d store.Device, to store.Pair) error {
	if err := s.betweenHolds(ctx, to); err != nil {
		return err
	}
	if d.Pair == "" || d.Pair == to.ID {
		return nil
	}
	from, err := s.store.Pair(ctx, d.Pair)
	if err != nil {
		return err
	}
	return s.betweenHolds(ctx, from)
}

// send hands an offer to the device it is for.
func (o *offers) send(made *offer) error {
	links := o.srv.here.of(made.to)
	if len(links) == 0 {
		return problem("not-here", "that phone is not connected at the moment")
	}
	o.mu.Lock()
	n := 0
	for _, other := range o.open {
		if other.from == made.from {
			n++
		}
	}
	if n >= maxOffers {
		o.mu.Unlock()
		return problem("too-many-requests", "there are too many offers without an answer; wait for them")
	}
	o.open[made.id] = made
	made.timer = o.srv.clk.AfterFunc(offerLife, func() { o.over(made.id, "over") })
	o.mu.Unlock()
	m := made.from.member
	frame := encode(offerJSON{
		Type: "offer", Offer: made.id, From: deviceJSON{m.Device, m.Role, m.Name},
		Pair: made.pair.ID, Number: made.pair.Number, Role: made.role, Swap: made.swap,
		UntilMs: o.srv.shared.NowMs() + offerLife.Milliseconds(),
	})
	for _, in := range links {
		in.Send(frame)
	}
	return nil
}

// take removes an offer that waits, or gives nil.
func (o *offers) take(id string, fits func(*offer) bool) *offer {
	o.mu.Lock()
	defer o.mu.Unlock()
	made := o.open[id]
	if made == nil || !fits(made) {
		return nil
	}
	made.timer.Stop()
	delete(o.open, id)
	return made
}

// over ends an offer and tells both sides.
func (o *offers) over(id, state string) {
	if made := o.take(id, func(*offer) bool { return true }); made != nil {
		o.tell(made, state)
	}
}

func (o *offers) tell(made *offer, state string) {
	made.from.Send(encode(offeredJSON{"offered", made.id, made.to, state, nil}))
	for _, in := range o.srv.here.of(made.to) {
		in.Send(encode(offerOverJSON{"offer-over", made.id}))
	}
}

// end takes a `decline` from the one or a `withdraw` from the other side.
func (o *offers) end(in *incoming, how string, fields object) {
	id, err := fields.text("offer", protocol.MaxIDBytes)
	if err != nil {
		return
	}
	state := "over"
	if how == typeDecline {
		state = "declined"
	}
	made := o.take(id, func(made *offer) bool {
		if how == typeDecline {
			return made.to == in.member.Device
		}
		return made.from == in
	})
	if made != nil {
		o.tell(made, state)
	}
}

// leave ends what a connection offered that is gone.
func (o *offers) leave(in *incoming) {
	o.mu.Lock()
	var left []string
	for id, made := range o.open {
		if made.from == in {
			left = append(left, id)
		}
	}
	o.mu.Unlock()
	for _, id := range left {
		o.over(id, "over")
	}
}

// apiAccept moves a device to the place it was offered.
func (s *Server) apiAccept(r *http.Request, fields object) (any, error) {
	ctx := r.Context()
	token, err := fields.text("token", 128)
	if err != nil {
		return nil, err
	}
	id, err := fields.text("offer", protocol.MaxIDBytes)
	if err != nil {
		return nil, err
	}
	d, err := s.deviceOf(ctx, token)
	if err != nil {
		return nil, err
	}
	made := s.offers.take(id, func(made *offer) bool { return made.to == d.ID })
	if made == nil {
		return nil, problem("no-offer", "this offer is over; ask for it again")
	}
	moved, err := s.acceptOffer(ctx, made, d)
	if err != nil {
		s.offers.tell(made, "over")
		return nil, err
	}
	s.offers.tell(made, "accepted")
	s.refresh(ctx, append(moved, d)...)
	return joinedJSON{token, d.ID, made.pair.ID, d.Session, made.role}, nil
}

// acceptOffer moves the devices, and gives them as they are now.
func (s *Server) acceptOffer(ctx context.Context, made *offer, d store.Device) ([]store.Device, error) {
	if err := s.goesOn(); err != nil {
		return nil, err
	}
	if err := s.mayMove(ctx, d, made.pair); err != nil {
		return nil, err
	}
	to := d
	to.Pair, to.Role = made.pair.ID, made.role
	moved := []store.Device{to}
	if made.swap {
		other, err := s.store.Device(ctx, made.from.member.Device)
		if err != nil {
			return nil, err
		}
		if other.Pair != d.Pair {
			return nil, problem("no-offer", "this offer is over; ask for it again")
		}
		if err := maySwap(other.Role, d.Role, made.role); err != nil { // either may have another since
			return nil, err
		}
		other.Role = d.Role
		moved = append(moved, other)
	}
	return moved, s.store.Move(moved...)
}
