package protocol

import "slices"

// Standing is the highest rung that was reached and not lifted.
type Standing struct {
	Rung string `json:"rung"`
	Asks string `json:"asks"`
}

// Status is a hold at one instant: what every device shows.
type Status struct {
	Hold       string     `json:"hold"`
	Phase      Phase      `json:"phase"`
	Stage      *string    `json:"stage"`      // null outside a hold
	SilenceMs  *int64     `json:"silence_ms"` // null outside a hold
	Boundaries Boundaries `json:"boundaries"`
	Standing   *Standing  `json:"standing"`
	Next       []Rung     `json:"next"` // the rungs to come if nothing happens, up to the first alarm

	// What follows is for programs that show or sound a hold. Absolute times
	// are shared Unix ms and nil where there is none.
	Plan        Plan           `json:"-"`
	StartAt     *int64         `json:"-"`
	ZeroAt      *int64         `json:"-"` // the countdown's zero
	SurfacedAt  *int64         `json:"-"`
	RecoveredAt *int64         `json:"-"`
	OKAt        *int64         `json:"-"`
	OverAt      *int64         `json:"-"`
	WatchEndAt  *int64         `json:"-"`
	LastProofAt *int64         `json:"-"`
	StandingAt  *int64         `json:"-"` // when the standing rung was reached
	Incident    *IncidentState `json:"-"`
	ForcedEnd   bool           `json:"-"`
	// Sounding are all rungs to come of both ladders, each up to its alarm.
	Sounding []Rung `json:"-"`
}

// StatusAt gives the hold as it stands at T (shared Unix ms): later events do
// not exist yet, but a start may lie ahead.
func (h *Hold) StatusAt(t int64) Status {
	s := h.stateAt(t)
	s.advance(t + 1)
	st := Status{
		Hold:       h.ID,
		Phase:      s.phase(),
		Boundaries: boundariesOf(s.plan, s.raises),
		Next:       []Rung{},
		Plan:       s.plan,
		ForcedEnd:  s.forcedEnd,
		StartAt:    known(s.startAt), ZeroAt: known(s.zeroAt),
		SurfacedAt: known(s.surfacedAt), OverAt: known(s.overAt),
	}
	if !s.started() {
		return st
	}
	if t < s.startAt {
		st.Phase = Planned
		if s.breatheUp {
			st.Phase = BreatheUp
		}
	}
	if st.Phase == Holding {
		since := t - s.startAt
		stage := st.Boundaries.StageAt(since).String()
		silence := since - s.silence.proof
		st.Stage, st.SilenceMs = &stage, &silence
		st.LastProofAt = known(s.startAt + s.silence.proof)
	}
	if s.inIncident {
		incident := s.incident
		st.Incident = &incident
	}
	if s.after {
		if s.watching.since == sinceRecover {
			st.RecoveredAt = known(s.watching.base)
		}
		if s.watching.okGiven() {
			st.OKAt = known(s.watching.base + s.watching.okAt)
			st.WatchEndAt = known(s.watching.base + s.watching.endMs())
		}
	}
	st.Standing, st.StandingAt = s.standing()
	st.Sounding = s.toCome()
	for _, r := range st.Sounding {
		st.Next = append(st.Next, r)
		if r.Rung == AlarmRung.String() {
			break
		}
	}
	return st
}

// TimelineAt gives every rung reached up to and including T, in order.
func (h *Hold) TimelineAt(t int64) []Rung {
	s := h.stateAt(t)
	s.advance(t + 1)
	return slices.Clone(s.rungs)
}

// standing gives the higher rung of the two ladders; where they are level, the
// one that calls the diver up. The second result is when it was reached.
func (s *state) standing() (*Standing, *int64) {
	give := func(kind RungKind, asks string, at int64) (*Standing, *int64) {
		return &Standing{kind.String(), asks}, &at
	}
	switch {
	case s.inIncident:
		return give(AlarmRung, AsksHelp, s.incident.At)
	case s.overAt != never:
	case s.after:
		if st := s.watching.standing(); st != noStep {
			return give(st.kind, st.asks, s.watching.base+st.at)
		}
	case s.bringUp.reached != NoRung && s.bringUp.reached >= s.silence.reached:
		return give(s.bringUp.reached, AsksUp, s.startAt+s.bringUp.at)
	case s.silence.reached != NoRung:
		return give(s.silence.reached, s.silence.asks, s.startAt+s.silence.reachedAt)
	}
	return nil, nil
}

// toCome gives the rungs that come if nothing happens: each ladder up to its
// alarm.
func (s *state) toCome() []Rung {
	ahead := *s
	ahead.rungs = nil
	for ahead.started() && !ahead.inIncident && ahead.overAt == never {
		if ahead.after {
			st, incident := ahead.watching.next()
			if st.at == never {
				break
			}
			ahead.reachWatching(st, incident)
			continue
		}
		st, listedTap, isBringUp := ahead.nextInHold()
		if st.at == never {
			break
		}
		ahead.reachInHold(st, listedTap, isBringUp)
	}
	ahead.soundIncident(never)
	return ahead.rungs
}

func known(at int64) *int64 {
	if at >= never {
		return nil
	}
	return &at
}
