package logbook

import (
	"context"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// running is an outing that goes on while a file is read. A file could tell of
// answers that nobody gave, or take ids that its devices are yet to use, so that
// their own events would be refused: nothing of it comes out of a file.
type running struct {
	outing  string
	pairs   map[string]bool
	devices map[string]bool
}

// runningOf reads what belongs to an outing; to "" nothing does.
func runningOf(ctx context.Context, st *store.Store, outing string) (running, error) {
	r := running{outing, map[string]bool{}, map[string]bool{}}
	if outing == "" {
		return r, nil
	}
	pairs, err := st.Pairs(ctx, outing)
	if err != nil {
		return r, err
	}
	for _, p := range pairs {
		r.pairs[p.ID] = true
	}
	devices, err := st.AllDevices(ctx)
	if err != nil {
		return r, err
	}
	for _, d := range devices {
		r.devices[d.ID] = d.Session == outing
	}
	return r, nil
}

// of tells whether a pair is of the running outing, or is said to be.
func (r *running) of(pair, outing string) bool {
	return r.pairs[pair] || (r.outing != "" && outing == r.outing)
}

// speaksFor tells whether an event stands in a running pair, or in the name of a
// device of one.
func (r *running) speaksFor(f *store.Filed) bool {
	return r.pairs[f.Pair] || r.devices[protocol.DeviceOf(f.Event.ID)]
}
