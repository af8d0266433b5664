package protocol

// RungKind is how far a ladder has gone. Higher is more urgent.
type RungKind int

// The rungs of a ladder, from none to the last.
const (
	NoRung RungKind = iota
	PromptRung
	AgainRung
	AlarmRung
)

func (r RungKind) String() string {
	return [...]string{"", "prompt", "again", "alarm"}[r]
}

// What a rung asks for.
const (
	AsksLook  = "look"
	AsksTap   = "tap"
	AsksUp    = "up"
	AsksOK    = "ok"
	AsksAwake = "awake"
	AsksHelp  = "help"
)

// step is a rung with its time on the axis of the moment: ms since the start,
// or since surfacing.
type step struct {
	kind RungKind
	asks string
	at   int64
}

var noStep = step{at: never}

// firstTime gives the smallest t from lo on for which reached(t) holds. It must
// stay true once it is, and be true at hi.
func firstTime(lo, hi int64, reached func(int64) bool) int64 {
	for lo < hi {
		if mid := lo + (hi-lo)/2; reached(mid) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// silence is the ladder of a hold: it acts on the time since the last proof.
// Its times are ms since the start.
type silence struct {
	proof      int64 // when the diver last gave proof of being responsive
	lastAnswer int64 // the last proof that was an answer; listed taps are met by answers only
	asked      int64 // the last `asked` of the ladder, or -1
	reached    RungKind
	asks       string // what the highest rung reached asks for
	reachedAt  int64  // when the highest rung was reached
	prompt     int64  // when the prompt was reached, if it was
	isTap      bool   // the prompt is a listed tap of the announced pattern
	lookAlarm  int64  // alarm of a look ladder that a listed tap replaced, or never

	// Where a raise has ended the announced pattern in this silence: when the
	// pattern would have brought its prompt and its alarm; else never.
	latestPrompt, latestAlarm int64
}

func newSilence(proof, lastAnswer int64) silence {
	return silence{proof: proof, lastAnswer: lastAnswer, asked: -1, lookAlarm: never, latestPrompt: never, latestAlarm: never}
}

// alarmStands tells whether the alarm stands for an event at t: it must have
// been reached before.
func (s silence) alarmStands(t int64) bool { return s.reached == AlarmRung && s.reachedAt < t }

// next gives the next rung from lo on if nothing happens. Nothing earlier than
// lo is left to be reached.
func (s silence) next(c checks, lo int64) step {
	if s.reached == AlarmRung {
		return noStep
	}
	if s.reached == NoRung {
		at := firstTime(lo, max(lo, s.proof+c.easy.every), func(t int64) bool {
			return t-s.proof >= c.at(t).every
		})
		at = min(at, s.latestPrompt)
		return step{PromptRung, asksAt(c, at), at}
	}
	return s.nextOfBegun(c, lo)
}

// nextOfBegun gives *again* or the alarm of a ladder whose prompt was reached.
func (s silence) nextOfBegun(c checks, lo int64) step {
	longest := c.easy.first + c.easy.second
	alarm := firstTime(lo, max(lo, s.prompt+longest), func(t int64) bool {
		p := c.at(t)
		return t-s.prompt >= p.first+p.second
	})
	alarm = min(alarm, s.latestAlarm)
	if s.reached == PromptRung {
		from := max(s.prompt, s.asked)
		again := firstTime(lo, max(lo, from+c.easy.first), func(t int64) bool {
			return t-from >= c.at(t).first
		})
		if again < alarm {
			return step{AgainRung, asksAt(c, again), again}
		}
	}
	return step{AlarmRung, AsksTap, alarm}
}

// nextAnnounced is next while the announced pattern holds. The second result
// tells whether the step is a listed tap's prompt, which replaces a running
// look ladder.
func (s silence) nextAnnounced(plannedMs, lo int64) (step, bool) {
	if s.reached == AlarmRung {
		return noStep, false
	}
	if s.reached != NoRung && s.isTap {
		return s.nextOfPattern(announcedTap, AsksTap, lo), false
	}
	tap := step{PromptRung, AsksTap, listedTapAfter(plannedMs, s.lastAnswer+meetsBeforeMs)}
	var look step
	if s.reached == NoRung {
		look = step{PromptRung, AsksLook, s.proof + announcedLook.every}
		if look.at >= listedTapAfter(plannedMs, 0) {
			look = noStep
		}
	} else {
		look = s.nextOfPattern(announcedLook, AsksLook, lo)
	}
	if look.at < tap.at || (look.at == tap.at && look.kind == AlarmRung) {
		return look, false
	}
	return tap, true
}

// nextOfPattern gives *again* or the alarm with fixed windows.
func (s silence) nextOfPattern(p pace, asks string, lo int64) step {
	alarm := min(s.prompt+p.first+p.second, s.lookAlarm)
	if s.reached == PromptRung {
		if again := max(lo, max(s.prompt, s.asked)+p.first); again < alarm {
			return step{AgainRung, asks, again}
		}
	}
	return step{AlarmRung, AsksTap, alarm}
}

// endPattern notes what the announced pattern would bring if nothing happened
// after lo, where a raise ends it: a raise puts neither prompt nor alarm off.
func (s *silence) endPattern(plannedMs, lo int64) {
	for would := *s; would.reached != AlarmRung; {
		st, listedTap := would.nextAnnounced(plannedMs, lo)
		would.reach(st, listedTap)
		if st.kind == PromptRung {
			s.latestPrompt = min(s.latestPrompt, st.at)
		}
		s.latestAlarm = st.at
	}
}

// reach takes a step that next gave.
func (s *silence) reach(st step, listedTap bool) {
	if st.kind == PromptRung {
		if listedTap && s.reached != NoRung {
			s.lookAlarm = s.prompt + announcedLook.first + announcedLook.second
		}
		s.prompt, s.isTap = st.at, listedTap
	}
	s.reached, s.asks, s.reachedAt = st.kind, st.asks, st.at
}

func asksAt(c checks, t int64) string {
	if c.StageAt(t) == Easy {
		return AsksLook
	}
	return AsksTap
}

// bringUp is the ladder that calls the diver up. It has one prompt, one *again*
// and one alarm; only surfacing lifts it. Times are ms since the start.
type bringUp struct {
	call    int64 // the first `end-hold` or the agreed end
	urgent  int64 // the first no-answer, shaking, air or limp; never where none came
	reached RungKind
	at      int64 // when the highest rung was reached
}

// Own figures: a call to come up is repeated after 4 s and is an alarm after 8 s.
const (
	bringUpAgainMs = 4_000
	bringUpAlarmMs = 8_000
)

func (b bringUp) next() step {
	alarm := min(b.call+bringUpAlarmMs, b.urgent)
	if b.reached < PromptRung && b.call < alarm {
		return step{PromptRung, AsksUp, b.call}
	}
	if b.reached < AgainRung && b.call+bringUpAgainMs < alarm {
		return step{AgainRung, AsksUp, b.call + bringUpAgainMs}
	}
	if b.reached < AlarmRung {
		return step{AlarmRung, AsksUp, alarm}
	}
	return noStep
}

func (b bringUp) alarmStands(t int64) bool { return b.reached == AlarmRung && b.at < t }
