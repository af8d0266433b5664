package logbook

import (
	"context"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// Plan is what erasing a diver takes away, and what it leaves.
type Plan struct {
	Diver  Diver
	Holds  int // with all their events
	Events int
	Named  int // holds of others that name the diver as their buddy, and stay
	Pairs  []string

	chosen  chosen
	devices []string
}

// PlanErase finds what is there of a diver: the holds they made, their profile,
// series and words about them elsewhere, and devices that bear their name.
func PlanErase(ctx context.Context, st *store.Store, scope Scope) (*Plan, error) {
	c, err := choose(ctx, st, scope)
	if err != nil {
		return nil, err
	}
	p := &Plan{Diver: *scope.Diver, Holds: len(c.holds), Named: c.named, chosen: c}
	pairs := map[string]bool{}
	err = c.events(ctx, st, func(filed []store.Filed) error {
		p.Events += len(filed)
		for _, f := range filed {
			if !pairs[f.Pair] {
				pairs[f.Pair] = true
				p.Pairs = append(p.Pairs, f.Pair)
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	covers, err := pairsOf(ctx, st, scope)
	if err != nil {
		return nil, err
	}
	devices, err := st.AllDevices(ctx)
	for _, d := range devices {
		if covers(d.Pair) && p.Diver.is(protocol.Person{Key: NameKey(d.Name)}) {
			p.devices = append(p.devices, d.ID)
		}
	}
	return p, err
}

// Carry erases what was planned, for good, and gives how many events there were.
func (p *Plan) Carry(ctx context.Context, st *store.Store) (events int64, err error) {
	return st.Erase(ctx, p.chosen.holds, p.chosen.loose, p.devices)
}
