package protocol

// apply folds one event that comes after the start and after all events folded
// before it. An event at the same ms as a rung comes before it.
func (s *state) apply(e *entry) {
	if !s.started() {
		return
	}
	s.advance(e.At)
	s.foldedAt = e.At
	switch e.Kind {
	case KindIncident:
		s.beginIncident(incidentWhat(e.what), e.At)
		return
	case KindSurfaced:
		s.surface(e)
		return
	case KindWithThem:
		if s.inIncident {
			s.incident.WithThem = true
		}
		return
	case KindRecovered:
		s.recover(e)
		return
	case KindWatchEnded:
		s.endWatch(e)
		return
	}
	switch {
	case s.inIncident || s.overAt != never:
	case s.after:
		s.applyAfter(e)
	default:
		s.applyInHold(e, e.At-s.startAt)
	}
}

func incidentWhat(what string) string {
	switch what {
	case "lmc", "blackout":
		return what
	}
	return "unknown"
}

// applyInHold folds an event of the hold itself, at t ms since the start.
func (s *state) applyInHold(e *entry, t int64) {
	inPattern := s.announced()
	s.actInHold(e, t)
	if inPattern && !s.announced() {
		s.silence.endPattern(s.plan.PlannedMs, t)
	}
}

func (s *state) actInHold(e *entry, t int64) {
	switch e.Kind {
	case KindLook:
		if e.By == RoleBuddy && s.lookProves(t) {
			s.prove(t, false)
		}
	case KindAsked:
		if e.By == RoleBuddy {
			s.asksSoFar++
			s.askedAt = t
			s.silence.asked = t
			if s.asksSoFar >= 2 {
				s.raises.final = min(s.raises.final, t)
			}
		}
	case KindAnswered:
		s.answer(e, t)
	case KindContraction:
		s.contraction(e, t)
	case KindSign:
		s.sign(e, t)
	case KindNoAnswer:
		s.callUp(t)
	case KindEndHold:
		if e.By == RoleBuddy || e.By == RoleInstructor {
			s.bringUp.call = min(s.bringUp.call, t)
		}
	}
}

// lookProves tells whether a buddy's look at t proves that the diver responds:
// only while the stage is easy or, announced, while looks are asked for.
func (s *state) lookProves(t int64) bool {
	if s.anyAlarmStands(t) {
		return false
	}
	if s.announced() {
		return t < listedTapAfter(s.plan.PlannedMs, 0)
	}
	return boundariesOf(s.plan, s.raises).StageAt(t) == Easy
}

// touchProves tells whether a touch of the diver's own phone at t is proof, and
// whether somebody had asked for it. Only a dry hold has such touches, so that
// water on the glass never answers; without a buddy's tap one counts in the
// easy stage, and never two running, so that the buddy stays needed.
func (s *state) touchProves(t int64) (proves, asked bool) {
	if !s.plan.Dry || s.anyAlarmStands(t) {
		return false, false
	}
	if s.askedAt >= 0 && t-s.askedAt <= askedHoldsMs {
		return true, true
	}
	return !s.ownTouch && boundariesOf(s.plan, s.raises).StageAt(t) == Easy, false
}

// prove begins a new silence at t, and with it a new ladder. A listed tap of
// the announced pattern is met by answers only: its ladder goes on beside any
// other proof.
func (s *state) prove(t int64, isAnswer bool) {
	s.endSilence(t)
	s.asksSoFar, s.askedAt = 0, -1
	s.ownTouch = false
	if !isAnswer {
		if s.announced() && s.silence.reached != NoRung && s.silence.isTap {
			s.silence.proof = t
			return
		}
		s.silence = newSilence(t, s.silence.lastAnswer)
		return
	}
	s.silence = newSilence(t, t)
}

// endSilence notes how long a silence was that ends at t.
func (s *state) endSilence(t int64) {
	s.longestSilenceMs = max(s.longestSilenceMs, t-s.silence.proof)
}

func (s *state) answer(e *entry, t int64) {
	if s.silence.reached != NoRung && (e.By == RoleBuddy || e.By == RoleDiver) {
		s.met = append(s.met, metRung{e.ID, s.silence.reached})
	}
	switch e.By {
	case RoleBuddy:
		underAlarm := s.anyAlarmStands(t)
		s.prove(t, true)
		if e.slow || underAlarm {
			s.raises.final = min(s.raises.final, t)
		}
	case RoleDiver:
		proves, asked := s.touchProves(t)
		if !proves {
			return
		}
		s.prove(t, true)
		s.ownTouch = !asked
		if e.slow {
			s.raises.final = min(s.raises.final, t)
		}
	}
}

// contraction folds a mark. One that the diver signalled is proof as well, from
// their own phone only where a touch would be.
func (s *state) contraction(e *entry, t int64) {
	raisesLate := e.site == "throat"
	if e.signalled {
		switch e.By {
		case RoleBuddy:
			if !s.anyAlarmStands(t) {
				s.prove(t, false)
			}
		case RoleDiver:
			proves, asked := s.touchProves(t)
			if proves {
				s.prove(t, false)
				s.ownTouch = !asked
			}
			raisesLate = raisesLate && proves
		default:
			return
		}
	}
	s.raises.contraction = min(s.raises.contraction, t)
	if raisesLate {
		s.raises.late = min(s.raises.late, t)
	}
}

func (s *state) sign(e *entry, t int64) {
	switch e.what {
	case "tense":
		s.raises.late = min(s.raises.late, t)
	case "blue":
		s.raises.final = min(s.raises.final, t)
	}
	if e.callsUpAtOnce() {
		s.callUp(t)
	}
}

func (s *state) callUp(t int64) { s.bringUp.urgent = min(s.bringUp.urgent, t) }

// callsUpAtOnce tells whether an event says that the diver is to come up at once.
func (e *entry) callsUpAtOnce() bool {
	grave := e.what == "shaking" || e.what == "air" || e.what == "limp"
	return e.Kind == KindNoAnswer || e.Kind == KindSign && grave
}

// surface ends the hold's ladders at the first `surfaced`.
func (s *state) surface(e *entry) {
	if e.By != RoleBuddy || s.surfacedAt != never || s.recovered {
		return
	}
	s.surfacedAt = e.At
	if s.inIncident {
		return
	}
	t := e.At - s.startAt
	s.endSilence(t)
	alarmStood := s.anyAlarmStands(t) || e.alarm // late news may have ended one that sounded on there
	length := s.plan.WatchMs
	if !alarmStood && boundariesOf(s.plan, s.raises).StageAt(t) == Easy {
		length = easyWatchMs
	}
	s.after = true
	s.watching = watching{
		base: e.At, since: sinceSurface, lengthMs: length, okWindowMs: s.plan.OKMs,
		awakeAsked: alarmStood, awakeBy: awakeWithinMs, okAt: never,
	}
}

// applyAfter folds an event of the recovery or the watch.
func (s *state) applyAfter(e *entry) {
	t := e.At - s.watching.base
	if e.callsUpAtOnce() { // on a device that had not heard yet that they are up
		s.watching.askAwake(t, s.plan.WatchMs)
		return
	}
	if e.By != RoleBuddy {
		return
	}
	switch e.Kind {
	case KindAwake:
		s.watching.sayAwake()
	case KindOK:
		s.watching.giveOK(t)
	case KindLook:
		s.watching.look(t)
	}
}

// recover ends an incident. It stands for the surfacing and the OK sign, and
// begins a new full watch.
func (s *state) recover(e *entry) {
	if e.By != RoleBuddy || !s.inIncident {
		return
	}
	s.inIncident = false
	s.incident = IncidentState{}
	s.after, s.recovered = true, true
	s.overAt = never
	s.watching = watching{
		base: e.At, since: sinceRecover, lengthMs: max(s.plan.WatchMs, recoveredWatch),
		okWindowMs: s.plan.OKMs, okAt: 0,
	}
}

// endWatch takes `watch-ended`. One that comes too early is kept and flagged:
// the people at the side decide, and the log says so.
func (s *state) endWatch(e *entry) {
	if e.By != RoleBuddy || !s.after || s.inIncident || s.overAt != never {
		return
	}
	s.overAt = e.At
	s.forcedEnd = s.forcedEnd || s.watching.locked(e.At-s.watching.base)
}
