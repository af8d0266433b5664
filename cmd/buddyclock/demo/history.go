package demo

import (
	"errors"
	"fmt"
	"math"
	"sync"

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

// Remember puts some weeks of earlier holds into the data, so that logs and trends
// have something to show. They are made by the same bodies and the same people as
// those of the outing, and end before nowMs. The data may be in use: people need
// not wait for it.
func Remember(st *store.Store, nowMs int64, pace float64, seed uint64) error {
	for n, days := range earlierDays {
		fromMs := nowMs - int64(days)*dayMs - outingMs
		if err := remember(st, fromMs, nowMs, float64(n)/float64(len(earlierDays)-1), pace, seed+uint64(100*n)); err != nil {
			return fmt.Errorf("the earlier outings cannot be written: %w", err)
		}
	}
	return nil
}

// remember makes one earlier outing; trained goes from 0 to 1 over all of them.
// Its pairs live side by side: what one of them waits to have on disk is written
// with what the others do.
func remember(st *store.Store, fromMs, nowMs int64, trained, pace float64, seed uint64) error {
	session, err := st.ContinueSession(access.NewID(), -1)
	if err != nil {
		return err
	}
	// At once: a program that is killed now begins with a new one.
	if _, err := st.EndSession(session.ID, nowMs); err != nil {
		return err
	}
	var living sync.WaitGroup
	failed := make([]error, len(cast))
	for i, p := range cast {
		pr, err := st.AddPair(access.NewID(), session.ID) // one after the other, for their numbers
		if err != nil {
			living.Wait()
			return err
		}
		living.Go(func() { failed[i] = rememberPair(st, pr, p, fromMs, trained, pace, seed+uint64(i)) })
	}
	living.Wait()
	return errors.Join(failed...)
}

func rememberPair(st *store.Store, pr store.Pair, p part, fromMs int64, trained, pace float64, seed uint64) error {
	ids := map[string]string{}
	for role, person := range map[string]string{protocol.RoleBuddy: p.Buddy, protocol.RoleDiver: p.Diver} {
		ids[role] = access.NewID()
		_, hash := access.NewToken()
		if err := st.Admit(store.Device{ID: ids[role], Session: pr.Session, Pair: pr.ID, Role: role, Name: person}, hash); err != nil {
			return err
		}
	}
	written := make(chan error, 1)
	st.Append(pr.ID, earlier(p, ids, fromMs, trained, pace, seed), func(_ []store.Outcome, err error) { written <- err })
	return <-written
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
	for now := fromMs; now < fromMs+outingMs && !(pr.holds == earlierHolds && pr.h == nil); now = max(now+lookEveryMs, pr.idleUntil()) {
		pr.step(now)
	}
	return sheet.events
}
