package logbook

import (
	"context"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// Scope says of whom and of what a log is. What is not set does not restrict.
type Scope struct {
	Diver  *Diver
	Outing string // id of a session
	Pair   string // id
}

// chosen is what a scope covers: whole holds, and single events elsewhere.
type chosen struct {
	holds []store.HoldRef
	loose []string // ids
	named int      // holds of others that name the diver as their buddy
}

// looseKinds are the kinds whose events may speak of a diver outside their holds.
var looseKinds = []string{protocol.KindProfile, protocol.KindSeries, protocol.KindNote, protocol.KindPlan, protocol.KindSoundCheck}

func choose(ctx context.Context, st *store.Store, scope Scope) (chosen, error) {
	var c chosen
	covers, err := pairsOf(ctx, st, scope)
	if err != nil {
		return c, err
	}
	all, err := st.Holds(ctx, scope.Pair)
	if err != nil {
		return c, err
	}
	if scope.Diver == nil {
		for _, h := range all {
			if covers(h.Pair) {
				c.holds = append(c.holds, h)
			}
		}
		return c, nil
	}
	plans, err := newestPlans(ctx, st)
	if err != nil {
		return c, err
	}
	whole := map[store.HoldRef]bool{}
	for _, h := range all {
		plan, there := plans[h]
		if !there || !covers(h.Pair) {
			continue
		}
		diver, _ := personIn(plan.Data, "diver_id", "diver")
		buddy, _ := personIn(plan.Data, "buddy_id", "buddy")
		switch {
		case scope.Diver.is(diver):
			whole[h] = true
			c.holds = append(c.holds, h)
		case scope.Diver.is(buddy):
			c.named++
		}
	}
	others, err := st.FiledKinds(ctx, looseKinds...)
	if err != nil {
		return c, err
	}
	for _, f := range others {
		h := store.HoldRef{Pair: f.Pair, Hold: f.Event.Hold}
		newest := f.Event.Kind == protocol.KindPlan && plans[h].ID == f.Event.ID
		if !whole[h] && !newest && covers(f.Pair) && scope.Diver.isIn(&f.Event) {
			c.loose = append(c.loose, f.Event.ID)
		}
	}
	return c, nil
}

// isIn tells whether an event that stands for itself is about this diver.
func (d *Diver) isIn(e *protocol.Event) bool {
	name := "diver"
	if e.Kind == protocol.KindProfile || e.Kind == protocol.KindSoundCheck {
		name = "name"
	}
	who, _ := personIn(e.Data, "diver_id", name)
	return d.is(who)
}

// pairsOf tells which pairs a scope covers.
func pairsOf(ctx context.Context, st *store.Store, scope Scope) (func(pair string) bool, error) {
	if scope.Outing == "" {
		return func(pair string) bool { return scope.Pair == "" || pair == scope.Pair }, nil
	}
	pairs, err := st.Pairs(ctx, scope.Outing)
	if err != nil {
		return nil, err
	}
	covered := map[string]bool{}
	for _, p := range pairs {
		covered[p.ID] = scope.Pair == "" || p.ID == scope.Pair
	}
	return func(pair string) bool { return covered[pair] }, nil
}

// events gives what was chosen, hold by hold, so that a slow reader of an export
// never keeps the file from being tidied.
func (c *chosen) events(ctx context.Context, st *store.Store, use func([]store.Filed) error) error {
	for _, h := range c.holds {
		filed, err := st.FiledHold(ctx, h)
		if err == nil {
			err = use(filed)
		}
		if err != nil {
			return err
		}
	}
	for _, id := range c.loose {
		filed, err := st.FiledEvent(ctx, id)
		if err == nil {
			err = use(filed)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func foldHold(ctx context.Context, st *store.Store, ref store.HoldRef) (*protocol.Hold, error) {
	events, err := st.Hold(ctx, ref.Pair, ref.Hold)
	if err != nil {
		return nil, err
	}
	hold := protocol.NewHold(ref.Hold)
	for _, e := range events {
		hold.Add(e)
	}
	return hold, nil
}
