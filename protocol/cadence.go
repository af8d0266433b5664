package protocol

// Stage says how far into a hold the diver is. Stages only tighten.
type Stage int

// The stages, in the order in which they come.
const (
	Easy Stage = iota
	Struggle
	Late
	Final
)

func (s Stage) String() string {
	return [...]string{"easy", "struggle", "late", "final"}[s]
}

// never is a time that no hold reaches: beyond the difference of any two times
// that an event can carry, with room for sums.
const never = int64(1) << 60

// slowAnswerMs and more between the tap and the answer moves the hold to its
// final stage (own figure: half of the second chance that a late check gives).
const slowAnswerMs = 3_000

// pace is what a stage asks for: a prompt when `every` has passed since the
// last proof, *again* after `first` more, the alarm after `first` + `second`.
type pace struct{ every, first, second int64 }

// table is one cadence. In the late stage each number glides from lateFrom to
// lateTo. Own figures, tighter than the judged and the novice practice.
type table struct{ easy, struggle, lateFrom, lateTo, final pace }

var (
	standardTable = table{
		easy:     pace{30_000, 8_000, 7_000},
		struggle: pace{30_000, 6_000, 5_000},
		lateFrom: pace{15_000, 5_000, 4_000},
		lateTo:   pace{6_000, 4_000, 3_000},
		final:    pace{6_000, 4_000, 3_000},
	}
	closeTable = table{
		easy:     pace{30_000, 6_000, 5_000},
		struggle: pace{15_000, 5_000, 4_000},
		lateFrom: pace{10_000, 5_000, 4_000},
		lateTo:   pace{6_000, 4_000, 3_000},
		final:    pace{6_000, 4_000, 3_000},
	}
	// The announced pattern: looks until the first listed time, then taps.
	announcedLook = pace{30_000, 8_000, 7_000}
	announcedTap  = pace{0, 4_000, 3_000}
)

// meetsBeforeMs is how long before a listed tap or a look of the watch an
// answer or look already meets it.
const meetsBeforeMs = 4_000

// Boundaries are the times, in ms since the start, at which the stages begin.
type Boundaries struct {
	StruggleAtMs int64 `json:"struggle_at_ms"`
	LateAtMs     int64 `json:"late_at_ms"`
	FinalAtMs    int64 `json:"final_at_ms"`
	EndAtMs      int64 `json:"end_at_ms"`
}

// raises are the instants, in ms since the start, to which events moved the
// boundaries; never where none did.
type raises struct{ contraction, late, final int64 }

func noRaises() raises { return raises{never, never, never} }

// any gives the instant of the first raise to late or final.
func (r raises) any() int64 { return min(r.late, r.final) }

// boundariesOf gives the boundaries of a plan and what was raised since.
func boundariesOf(p Plan, r raises) Boundaries {
	onset, longest := never, never
	if p.OnsetMs != nil {
		onset = *p.OnsetMs
	}
	if p.LongestMs != nil {
		longest = *p.LongestMs
	}
	late := p.PlannedMs - 60_000
	if p.PlannedMs < 120_000 {
		late = p.PlannedMs / 2
	}
	if longest != never {
		late = min(late, longest*8/10)
	}
	final := min(p.PlannedMs, longest, r.final)
	return Boundaries{
		StruggleAtMs: min(r.contraction, onset, p.PlannedMs/2),
		LateAtMs:     min(late, r.late, final),
		FinalAtMs:    final,
		EndAtMs:      p.EndMs,
	}
}

// StageAt gives the stage at t ms since the start.
func (b Boundaries) StageAt(t int64) Stage {
	switch {
	case t >= b.FinalAtMs:
		return Final
	case t >= b.LateAtMs:
		return Late
	case t >= b.StruggleAtMs:
		return Struggle
	}
	return Easy
}

// checks is a cadence with the boundaries of one hold.
type checks struct {
	table
	Boundaries
	glideEnd int64
}

func checksOf(p Plan, r raises) checks {
	c := checks{table: closeTable, Boundaries: boundariesOf(p, r), glideEnd: p.PlannedMs}
	if p.Cadence != CadenceClose {
		c.table = standardTable
	}
	if p.LongestMs != nil {
		c.glideEnd = min(c.glideEnd, *p.LongestMs)
	}
	return c
}

// at gives the pace at t ms since the start. No number of it ever grows with t.
func (c checks) at(t int64) pace {
	switch c.StageAt(t) {
	case Easy:
		return c.easy
	case Struggle:
		return c.struggle
	case Final:
		return c.final
	}
	glide := func(from, to int64) int64 {
		return from - (from-to)*(t-c.LateAtMs)/(c.glideEnd-c.LateAtMs)
	}
	return pace{
		every:  glide(c.lateFrom.every, c.lateTo.every),
		first:  glide(c.lateFrom.first, c.lateTo.first),
		second: glide(c.lateFrom.second, c.lateTo.second),
	}
}

// listedTapAfter gives the first listed tap of the announced pattern that lies
// after t (ms since the start): 60 s and 30 s before the planned time, at it,
// and every 15 s from then on; times of 0 or less are left out.
func listedTapAfter(plannedMs, t int64) int64 {
	t = max(t, 0)
	for _, before := range []int64{60_000, 30_000, 0} {
		if at := plannedMs - before; at > t {
			return at
		}
	}
	return plannedMs + ((t-plannedMs)/15_000+1)*15_000
}
