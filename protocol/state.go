package protocol

// Phase says where in its course a hold is.
type Phase string

// The phases of a hold.
const (
	Planned      Phase = "planned"
	BreatheUp    Phase = "breathe-up"
	Holding      Phase = "hold"
	Recovery     Phase = "recovery"
	Watch        Phase = "watch"
	Over         Phase = "over"
	InIncident   Phase = "incident"
	sinceStart         = "start"
	sinceSurface       = "surfaced"
	sinceRecover       = "recovered"
)

// Rung is one rung of a ladder, reached or to come.
type Rung struct {
	Rung  string `json:"rung"`  // prompt, again, alarm
	Asks  string `json:"asks"`  // look, tap, up, ok, awake, help
	AtMs  int64  `json:"at_ms"` // ms since `since`
	Since string `json:"since"` // start, surfaced or recovered
	At    int64  `json:"-"`     // shared time, Unix ms
}

// IncidentState is an incident that has not ended.
type IncidentState struct {
	What     string
	At       int64 // shared time, Unix ms
	WithThem bool  // somebody is at the diver: the pair's alarm is turned down
}

// state is the fold of a hold's events up to some instant. It is copied by
// value; only rungs and met are shared, and are appended to.
type state struct {
	plan      Plan
	startAt   int64 // absolute, never if the hold has not started
	breatheUp bool
	zeroAt    int64 // absolute time of the countdown's zero, or never

	foldedAt   int64 // absolute time of the last event folded: rungs before it are reached
	raises     raises
	silence    silence
	bringUp    bringUp
	asksSoFar  int   // `asked` events in the running silence
	askedAt    int64 // the newest of them, or -1
	ownTouch   bool  // the last proof was a touch nobody asked for
	surfacedAt int64 // absolute, or never

	longestSilenceMs int64 // among the silences that have ended

	after           bool // surfaced, or an incident has ended
	watching        watching
	incident        IncidentState
	inIncident      bool
	incidentSounded bool // its alarm was reached
	recovered       bool
	overAt          int64 // absolute, or never
	forcedEnd       bool
	awakeMissed     bool // nobody said awake in time

	rungs []Rung    // reached so far, in order
	met   []metRung // what stood when answers came
}

// metRung is the rung of the first ladder that stood when an answer came.
type metRung struct {
	id   string
	rung RungKind
}

func newState(p Plan, startAt int64) state {
	return state{
		plan: p, startAt: startAt, foldedAt: startAt, zeroAt: never,
		raises:  noRaises(),
		silence: newSilence(0, -never),
		bringUp: bringUp{call: p.EndMs, urgent: never},
		askedAt: -1, surfacedAt: never, overAt: never,
	}
}

func (s *state) started() bool { return s.startAt != never }

// announced tells whether the announced pattern still holds for an event or
// rung at t: a raise ends it from its own instant on.
func (s *state) announced() bool {
	return s.plan.Cadence == CadenceAnnounced && s.raises.any() == never
}

func (s *state) checks() checks { return checksOf(s.plan, s.raises) }

func (s *state) phase() Phase {
	switch {
	case !s.started() && s.breatheUp:
		return BreatheUp
	case !s.started():
		return Planned
	case s.inIncident:
		return InIncident
	case s.overAt != never:
		return Over
	case s.after && s.watching.okGiven():
		return Watch
	case s.after:
		return Recovery
	}
	return Holding
}

// advance reaches every rung earlier than `to` (absolute ms).
func (s *state) advance(to int64) {
	defer s.soundIncident(to)
	for s.started() && !s.inIncident && s.overAt == never {
		if s.after {
			st, incident := s.watching.next()
			if s.watching.base+st.at >= to {
				return
			}
			s.reachWatching(st, incident)
			continue
		}
		st, listedTap, isBringUp := s.nextInHold()
		if st.at >= to-s.startAt {
			return
		}
		s.reachInHold(st, listedTap, isBringUp)
	}
}

// nextInHold gives the next rung of the two ladders of a hold; at the same
// instant the first ladder comes first.
func (s *state) nextInHold() (st step, listedTap, isBringUp bool) {
	lo := s.foldedAt - s.startAt
	if s.announced() {
		st, listedTap = s.silence.nextAnnounced(s.plan.PlannedMs, lo)
	} else {
		st = s.silence.next(s.checks(), lo)
	}
	if up := s.bringUp.next(); up.at < st.at {
		return up, false, true
	}
	return st, listedTap, false
}

func (s *state) reachInHold(st step, listedTap, isBringUp bool) {
	if isBringUp {
		s.bringUp.reached, s.bringUp.at = st.kind, st.at
	} else {
		s.silence.reach(st, listedTap)
	}
	s.note(st, sinceStart, s.startAt)
}

func (s *state) reachWatching(st step, incident bool) {
	if incident {
		s.awakeMissed = true
		s.beginIncident("unknown", s.watching.base+st.at)
		return
	}
	s.watching.reach(st)
	s.note(st, s.watching.since, s.watching.base)
}

func (s *state) note(st step, since string, base int64) {
	s.rungs = append(s.rungs, Rung{st.kind.String(), st.asks, st.at, since, base + st.at})
}

// beginIncident sounds the alarm at once and stops the other ladders.
func (s *state) beginIncident(what string, at int64) {
	if s.inIncident {
		s.incident.What = what
		return
	}
	if !s.after {
		s.endSilence(at - s.startAt)
	}
	s.inIncident = true
	s.incident = IncidentState{What: what, At: at}
	s.incidentSounded = false
}

// soundIncident reaches the alarm of an incident that began before `to`. What
// ends an incident at its own instant comes before the alarm.
func (s *state) soundIncident(to int64) {
	if !s.inIncident || s.incidentSounded || s.incident.At >= to {
		return
	}
	s.incidentSounded = true
	since, base := sinceStart, s.startAt
	if s.after {
		since, base = s.watching.since, s.watching.base
	}
	s.note(step{AlarmRung, AsksHelp, s.incident.At - base}, since, base)
}

// anyAlarmStands tells whether an alarm of either ladder of the hold stands for
// an event at t ms since the start.
func (s *state) anyAlarmStands(t int64) bool {
	return s.silence.alarmStands(t) || s.bringUp.alarmStands(t)
}
