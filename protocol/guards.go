package protocol

const (
	buddyRestMs    = 180_000       // a buddy whose own hold ended less than this ago is not fresh yet (own)
	restTimes      = 2             // rest is at least this many times the last hold (common practice)
	blockAtLeastMs = 8 * 3_600_000 // a block lasts to the end of the day, and never less than this (own): midnight is no recovery
	daysInRowMost  = 3             // more training days in a row than these are spoken of (own)
)

// Where a guard comes from.
const (
	sourceLog    = "log"
	sourceCommon = "common practice"
	sourceOwn    = "own"
)

// Lift is an instructor's word that lifts a diver's block.
type Lift struct {
	Diver Person `json:"diver"`
	At    int64  `json:"at"` // shared time, Unix ms
}

// Guard is what is to be said before a hold. It warns or, where it is hard,
// forbids; none clears.
type Guard struct {
	What     string `json:"what"`
	Hard     bool   `json:"hard"`   // no "go on"
	Source   string `json:"source"` // log, typed, common practice, or own
	Hold     string `json:"hold,omitempty"`
	Percent  *int64 `json:"percent,omitempty"`   // how far over the longest clean hold
	SuggestS *int64 `json:"suggest_s,omitempty"` // what would pass
	UntilMs  *int64 `json:"until_ms,omitempty"`  // shared time from which it no longer holds
	LeftMs   *int64 `json:"left_ms,omitempty"`
	NeedMs   *int64 `json:"need_ms,omitempty"`
	Days     *int64 `json:"days,omitempty"`
	Rests    *int64 `json:"rests,omitempty"` // how many rests of the series are too short
}

// GuardInput is what the guards are read from.
type GuardInput struct {
	NowMs       int64
	Where       Locale
	Diver       Person
	Buddy       Person
	PlannedS    *int64
	EndByS      *int64
	LongestS    *int64 // nil where no clean hold is known
	LongestFrom string // log or typed
	Holds       []LogHold
	Log         []LogHold // all that are known, the pair's Holds among them
	Lifts       []Lift
	Others      []Person // further buddies and instructors present
	Series      *Series  // the one the plan belongs to
}

// marginS is how far a plan may exceed the longest clean hold without a
// warning: as far as the agreed end lies after the planned time.
func marginS(s int64) int64 { return AgreedMarginMs(s*1000) / 1000 }

func percentOf(over, of int64) *int64 {
	percent := int64(100)
	if of > 0 {
		percent = floorDiv(over*200+of, 2*of)
	}
	return &percent
}

// OverLongest holds the planned time against the longest clean hold, and, where
// that passes, the agreed end against what it would be then. All may be nil.
func OverLongest(plannedS, endS, longestS *int64, source string) *Guard {
	if longestS == nil {
		return nil
	}
	most := *longestS + marginS(*longestS)
	if plannedS != nil && *plannedS > most {
		return &Guard{What: "over-longest", Source: source, Percent: percentOf(*plannedS-*longestS, *longestS), SuggestS: &most}
	}
	mostEnd := most + marginS(most)
	if endS != nil && *endS > mostEnd {
		return &Guard{What: "end-over-longest", Source: source, Percent: percentOf(*endS-*longestS, *longestS), SuggestS: &mostEnd}
	}
	return nil
}

// Blocks tells whether a hold keeps its diver from diving for the day: an LMC
// or a blackout, named or said at the debrief, and an incident of which nobody
// has said what it was.
func (h *LogHold) Blocks() bool {
	verdict, incident := "", ""
	if h.Verdict != nil {
		verdict = *h.Verdict
	}
	if h.Incident != nil {
		incident = *h.Incident
	}
	return h.PassedOut || verdict == "passed-out" || incident == "lmc" || incident == "blackout" ||
		incident == "unknown" && verdict != "clean"
}

// Block is a person's block: until when (shared ms), and for which hold.
type Block struct {
	UntilMs int64  `json:"until_ms"`
	Hold    string `json:"hold"`
}

// BlockOf gives a person's block at `nowMs`, the one that lasts longest, or nil.
func BlockOf(person Person, log []LogHold, lifts []Lift, where Locale, nowMs int64) *Block {
	var found *Block
	for i := range log {
		h := &log[i]
		if !h.DiverIn().MaybeSame(person) || !h.Blocks() {
			continue
		}
		at := h.StartAt
		if h.EndAt != nil {
			at = *h.EndAt
		}
		if h.IncidentAt != nil {
			at = *h.IncidentAt
		}
		until := max(where.DayEnd(at), at+blockAtLeastMs)
		if nowMs < until && (found == nil || until > found.UntilMs) && !lifted(person, lifts, at) {
			found = &Block{until, h.Hold}
		}
	}
	return found
}

func lifted(person Person, lifts []Lift, at int64) bool {
	for _, l := range lifts {
		if l.At >= at && l.Diver.MaybeSame(person) {
			return true
		}
	}
	return false
}

func lastEnded(log []LogHold, person Person) *LogHold {
	var last *LogHold
	for i := range log {
		h := &log[i]
		if h.EndAt != nil && h.DiverIn().MaybeSame(person) && (last == nil || *h.EndAt > *last.EndAt) {
			last = h
		}
	}
	return last
}

// daysInRow counts training days in a row up to today, which counts: a hold is
// being planned.
func daysInRow(person Person, log []LogHold, today int64) int64 {
	days := map[int64]bool{}
	for i := range log {
		if log[i].DiverIn().MaybeSame(person) {
			days[log[i].Day] = true
		}
	}
	row := int64(1)
	for days[today-row] {
		row++
	}
	return row
}

// shortRests counts the rests of a series that are shorter than twice the hold
// before them. After the last hold none is needed.
func shortRests(steps []Step) (short int64) {
	for i, s := range steps {
		if i < len(steps)-1 && s.RestS < restTimes*s.PlannedS {
			short++
		}
	}
	return short
}

// GuardsOf gives all guards that stand, the gravest first.
func GuardsOf(in GuardInput) []Guard {
	guards := []Guard{}
	var previous *LogHold
	for i := range in.Holds {
		if h := &in.Holds[i]; previous == nil || h.StartAt > previous.StartAt {
			previous = h
		}
	}
	switch {
	case previous != nil && !previous.Over:
		guards = append(guards, Guard{What: "running", Hard: true, Source: sourceLog, Hold: previous.Hold})
	case previous != nil && previous.Verdict == nil:
		guards = append(guards, Guard{What: "verdict", Hard: true, Source: sourceLog, Hold: previous.Hold})
	}
	blockOf := func(p Person) *Block { return BlockOf(p, in.Log, in.Lifts, in.Where, in.NowMs) }
	if b := blockOf(in.Diver); b != nil {
		guards = append(guards, Guard{What: "blocked", Hard: true, Source: sourceCommon, Hold: b.Hold, UntilMs: &b.UntilMs})
	}
	if b := blockOf(in.Buddy); b != nil && !in.anotherBuddy(blockOf) {
		guards = append(guards, Guard{What: "buddy-blocked", Hard: true, Source: sourceCommon, Hold: b.Hold, UntilMs: &b.UntilMs})
	}
	if g := OverLongest(in.PlannedS, in.EndByS, in.LongestS, in.LongestFrom); g != nil {
		guards = append(guards, *g)
	}
	return append(guards, in.rests()...)
}

// anotherBuddy tells whether somebody present may be a buddy instead.
func (in GuardInput) anotherBuddy(blockOf func(Person) *Block) bool {
	for _, o := range in.Others {
		if (o.Key != "" || o.ID != nil) && !o.MaybeSame(in.Buddy) && !o.MaybeSame(in.Diver) && blockOf(o) == nil {
			return true
		}
	}
	return false
}

// rests gives the guards that speak of rest and of days. Of a series it was
// said before its first hold.
func (in GuardInput) rests() (guards []Guard) {
	begun := false
	for i := range in.Log {
		s := in.Log[i].Series
		begun = begun || in.Series != nil && s != nil && *s == in.Series.ID
	}
	if last := lastEnded(in.Log, in.Diver); last != nil && last.HoldMs != nil && !begun {
		need := restTimes * *last.HoldMs
		until := *last.EndAt + need
		if left := until - in.NowMs; left > 0 {
			guards = append(guards, Guard{What: "rest", Source: sourceCommon, UntilMs: &until, LeftMs: &left, NeedMs: &need})
		}
	}
	if in.Series != nil && !begun {
		if short := shortRests(in.Series.Steps); short > 0 {
			guards = append(guards, Guard{What: "series-rest", Source: sourceCommon, Rests: &short})
		}
	}
	if last := lastEnded(in.Log, in.Buddy); last != nil && in.NowMs-*last.EndAt < buddyRestMs {
		until := *last.EndAt + buddyRestMs
		left := until - in.NowMs
		guards = append(guards, Guard{What: "buddy-rest", Source: sourceOwn, UntilMs: &until, LeftMs: &left})
	}
	if days := daysInRow(in.Diver, in.Log, in.Where.DayOf(in.NowMs)); days > daysInRowMost {
		guards = append(guards, Guard{What: "days-in-row", Source: sourceOwn, Days: &days})
	}
	return guards
}
