package demo

import (
	"fmt"
	"math"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/store"
)

// Earlier outings: how many days ago, and how many holds each diver made there.
var earlierDays = []int{30, 23, 16, 9, 2}

const (
	earlierHolds = 2
	dayMs        = 86_400_000
	// lookEveryMs is how often the people of earlier holds look up.
	lookEveryMs = 500
	// outingMs bounds an earlier outing of one pair.
	outingMs = 3 * 3_600_000
	// untrained is what a diver's holds and first contraction were at the first
	// of the earlier outings, as shares of the last (own).
	untrainedHold, untrainedOnset = 0.78, 0.88
)

// Remember puts some weeks of earlier holds into an empty data folder, so that
// logs and trends have something to show. They are made by the same bodies and
// the same people as those of the outing, and end before nowMs.
func Remember(dir string, nowMs int64, pace float64, seed uint64) error {
	at := nowMs
	st, err := store.Open(dir, func() int64 { return at })
	if err != nil {
		return err
	}
	for n, days := range earlierDays {
		at = nowMs - int64(days)*dayMs - outingMs
		if err := remember(st, at, float64(n)/float64(len(earlierDays)-1), pace, seed+uint64(100*n)); err != nil {
			st.Close()
			return fmt.Errorf("the earlier outings cannot be written: %w", err)
		}
	}
	return st.Close()
}

// remember makes one earlier outing; trained goes from 0 to 1 over all of them.
func remember(st *store.Store, fromMs int64, trained, pace float64, seed uint64) error {
	session, err := st.ContinueSession(access.NewID(), -1)
	if err != nil {
		return err
	}
	for i, p := range cast {
		pr, err := st.AddPair(access.NewID(), session.ID)
		if err != nil {
			return err
		}
		ids := map[string]string{}
		for role, person := range map[string]string{protocol.RoleBuddy: p.Buddy, protocol.RoleDiver: p.Diver} {
			ids[role] = access.NewID()
			_, hash := access.NewToken()
			if err := st.Admit(store.Device{ID: ids[role], Session: session.ID, Pair: pr.ID, Role: role, Name: person}, hash); err != nil {
				return err
			}
		}
		written := make(chan error, 1)
		st.Append(pr.ID, earlier(p, ids, fromMs, trained, pace, seed+uint64(i)), func(_ []store.Outcome, err error) { written <- err })
		if err := <-written; err != nil {
			return err
		}
	}
	_, err = st.EndSession(session.ID, fromMs+outingMs)
	return err
}

// earlier plays one pair's earlier outing through, and gives what was recorded.
func earlier(p part, ids map[string]string, fromMs int64, trained, pace float64, seed uint64) []protocol.Event {
	p.Story = ordinary
	p.PlannedS = int(float64(p.LongestS) * (untrainedHold + (0.97-untrainedHold)*trained))
	p.LongestS = p.PlannedS
	p.Body.OnsetS = math.Round(p.Body.OnsetS * (untrainedOnset + (1-untrainedOnset)*trained))
	sheet := newPaper()
	pr := newPair(p, sheet.phone(ids[protocol.RoleBuddy], protocol.RoleBuddy), sheet.phone(ids[protocol.RoleDiver], protocol.RoleDiver), seed, pace)
	pr.begin(fromMs)
	for now := fromMs; now < fromMs+outingMs && !(pr.holds == earlierHolds && pr.h == nil); now += lookEveryMs {
		pr.step(now)
	}
	return sheet.events
}
