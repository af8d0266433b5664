package room

import (
	"bytes"
	"context"
	"encoding/json"
	"slices"
	"time"

	"buddyclock/protocol"
)

// Watch adds a peer that is told all a board shows: the pair as it is, what is
// recorded in it, and what the server finds by folding it. The pair as it is
// comes before anything later. One whose place has changed is told to come again.
func (r *Core) Watch(peer Peer, m Member) {
	if !r.admit(seat{Peer: peer, Member: m, watches: true}) {
		return
	}
	r.sendPair(peer)
	r.stateSaid = stateJSON{}
	r.Look()
}

func (r *Core) watching() []Peer {
	var list []Peer
	for _, s := range r.seats {
		if s.watches {
			list = append(list, s.Peer)
		}
	}
	return list
}

type memberJSON struct {
	Device string `json:"device"`
	Role   string `json:"role"`
	Name   string `json:"name"`
}

// pairJSON is a pair as it is: it takes the place of what a board knew of it.
type pairJSON struct {
	Type    string          `json:"type"`
	Pair    string          `json:"pair"`
	Number  int             `json:"number"`
	Hold    *string         `json:"hold"` // the newest
	Devices []memberJSON    `json:"devices"`
	At      int64           `json:"at"` // shared ms from which the ages of present count
	Present []presentJSON   `json:"present"`
	Events  json.RawMessage `json:"events"`
	More    bool            `json:"more,omitempty"`
}

// sendPair tells peers of the pair as it is: its hold whole, the one that waits for
// its end, and what belongs to no hold, such as the place card.
func (r *Core) sendPair(peers ...Peer) {
	if len(peers) == 0 {
		return
	}
	bodies, err := r.env.Store.OutsideHolds(context.Background(), r.Pair.ID)
	if err != nil {
		r.env.Log.Error("what a pair has recorded could not be read", "pair", r.Pair.Number, "reason", err)
	}
	nowMs := r.env.NowMs()
	frame := pairJSON{
		Type: "pair", Pair: r.Pair.ID, Number: r.Pair.Number, Devices: []memberJSON{},
		At: nowMs, Present: r.presentNow(nowMs),
	}
	for _, m := range r.members {
		frame.Devices = append(frame.Devices, memberJSON(m))
	}
	if r.hold != nil {
		frame.Hold = &r.hold.ID
	}
	for _, hold := range []*protocol.Hold{r.hold, r.later} {
		if hold == nil {
			continue
		}
		for _, e := range hold.Events() {
			bodies = append(bodies, e.Encode())
		}
	}
	n := FrameShare(bodies)
	frame.More = n < len(bodies)
	var first bytes.Buffer
	WriteList(&first, bodies[:n])
	frame.Events = first.Bytes()
	frames := append([][]byte{encode(frame)}, EventFrames(r.Pair.ID, bodies[n:])...)
	for _, peer := range peers {
		for _, f := range frames {
			peer.Send(f)
		}
	}
}

// rungJSON is a rung of the newest hold; At is shared ms.
type rungJSON struct {
	Rung string `json:"rung"`
	Asks string `json:"asks"`
	At   int64  `json:"at"`
}

// stateJSON is what the server finds by folding the newest hold, for boards: it
// does so even when every phone of the pair is gone.
type stateJSON struct {
	Type      string    `json:"type"`
	Pair      string    `json:"pair"`
	At        int64     `json:"at"` // shared ms
	Hold      *string   `json:"hold"`
	Phase     *string   `json:"phase"`
	Stage     *string   `json:"stage"`
	Standing  *rungJSON `json:"standing"`
	WithThem  bool      `json:"with_them"`
	Next      *rungJSON `json:"next"`
	Abandoned bool      `json:"abandoned"` // nothing was recorded in it for an hour
}

// lookAtHold tells the boards what has changed in the newest hold, and gives
// when the next change is due if nothing happens.
func (r *Core) lookAtHold(status *protocol.Status, now time.Time) time.Time {
	far := now.Add(time.Hour)
	if r.watchers == 0 {
		return far
	}
	nowMs := r.env.NowMs()
	state := stateJSON{Type: "state", Pair: r.Pair.ID}
	due := far
	if status != nil {
		state.fill(status)
		if state.Abandoned = r.abandoned(nowMs); state.Abandoned {
			state.Standing, state.Next = nil, nil
		} else if at := nextChange(status, nowMs); at > nowMs {
			due = now.Add(time.Duration(at-nowMs) * time.Millisecond)
		}
	}
	if !state.same(r.stateSaid) {
		r.stateSaid = state
		state.At = nowMs
		frame := encode(state)
		for _, peer := range r.watching() {
			peer.Send(frame)
		}
	}
	return due
}

func (s *stateJSON) fill(status *protocol.Status) {
	phase := string(status.Phase)
	s.Hold, s.Phase, s.Stage = &status.Hold, &phase, status.Stage
	if status.Standing != nil {
		s.Standing = &rungJSON{status.Standing.Rung, status.Standing.Asks, *status.StandingAt}
	}
	if len(status.Next) > 0 {
		s.Next = &rungJSON{status.Next[0].Rung, status.Next[0].Asks, status.Next[0].At}
	}
	s.WithThem = status.Incident != nil && status.Incident.WithThem
}

func (s stateJSON) same(other stateJSON) bool {
	return bytes.Equal(encode(s), encode(other))
}

// nextChange gives when a hold's phase, stage or standing rung changes next if
// nothing happens, in shared ms, or 0 if it does not.
func nextChange(status *protocol.Status, nowMs int64) int64 {
	var ahead []int64
	for _, rung := range status.Sounding {
		ahead = append(ahead, rung.At)
	}
	if start := status.StartAt; start != nil {
		b := status.Boundaries
		ahead = append(ahead, *start, *start+b.StruggleAtMs, *start+b.LateAtMs, *start+b.FinalAtMs)
	}
	ahead = slices.DeleteFunc(ahead, func(at int64) bool { return at <= nowMs })
	if len(ahead) == 0 {
		return 0
	}
	return slices.Min(ahead)
}
