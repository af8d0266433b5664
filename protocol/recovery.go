package protocol

// Own figures for the time after surfacing, in ms since surfacing.
const (
	awakeWithinMs   = 5_000  // without `awake` that long after AWAKE? it is an incident
	easyWatchMs     = 30_000 // watch where the diver surfaced in the easy stage without an alarm
	afterOKMs       = 20_000 // the watch never ends sooner than this after the OK sign
	recoveredWatch  = 60_000 // least watch after an incident
	lookAgainMs     = 4_000
	lookAlarmMs     = 8_000
	laterLooksEvery = 30_000
)

// firstLooksMs are the looks of the watch up to one minute. The lowest oxygen
// comes about 20 s after surfacing, and oxygen can go on falling for 30 s.
var firstLooksMs = [...]int64{8_000, 15_000, 22_000, 30_000, 45_000, 60_000}

// watching is what is asked for after surfacing, or after an incident ended.
// Its times are ms since `base`.
type watching struct {
	base        int64 // absolute time of surfacing or of `recovered`
	since       string
	lengthMs    int64 // length of the watch without a late OK sign
	okWindowMs  int64
	awakeAsked  bool // the diver came up under an alarm, or something grave was told since
	awakeAt     int64
	awakeBy     int64 // without an answer by then it is an incident
	awake       bool  // `awake` or `ok` was said
	awakeBegun  bool  // the AWAKE? prompt was reached
	okAt        int64
	metThrough  int64 // looks due up to here are met
	reached     RungKind
	reachedAt   int64
	reachedAsks string
}

func (w watching) okGiven() bool { return w.okAt != never }

// endMs gives the end of the watch, or never while the OK sign is missing.
func (w watching) endMs() int64 {
	if !w.okGiven() {
		return never
	}
	return max(w.lengthMs, w.okAt+afterOKMs)
}

// dueAfter gives the first look due after t, or never.
func (w watching) dueAfter(t int64) int64 {
	end := w.endMs()
	if t >= end {
		return never
	}
	for _, due := range firstLooksMs {
		if due > t {
			return min(due, end)
		}
	}
	return min((t/laterLooksEvery+1)*laterLooksEvery, end)
}

// next gives the next rung; incident tells that it begins one.
func (w watching) next() (st step, incident bool) {
	if w.awakeAsked && !w.awake {
		if !w.awakeBegun {
			return step{PromptRung, AsksAwake, w.awakeAt}, false
		}
		return step{AlarmRung, AsksHelp, w.awakeBy}, true
	}
	var times [3]int64
	asks := AsksOK
	if w.okGiven() {
		asks = AsksLook
		due := w.dueAfter(w.metThrough)
		if due == never {
			return noStep, false
		}
		times = [...]int64{due, due + lookAgainMs, due + lookAlarmMs}
	} else {
		times = [...]int64{w.okWindowMs / 2, w.okWindowMs * 3 / 4, w.okWindowMs}
	}
	if w.reached == AlarmRung {
		return noStep, false
	}
	return step{w.reached + 1, asks, times[w.reached]}, false
}

func (w *watching) reach(st step) {
	if st.asks == AsksAwake {
		w.awakeBegun = true
		return
	}
	w.reached, w.reachedAt, w.reachedAsks = st.kind, st.at, st.asks
}

// standing gives the highest rung reached and not lifted.
func (w watching) standing() step {
	if w.awakeAsked && !w.awake && w.awakeBegun {
		return step{PromptRung, AsksAwake, w.awakeAt}
	}
	if w.reached == NoRung {
		return noStep
	}
	return step{w.reached, w.reachedAsks, w.reachedAt}
}

// askAwake asks AWAKE? as something grave is told at t, before the OK sign. No
// alarm comes later for it than without.
func (w *watching) askAwake(t, watchMs int64) {
	if w.okGiven() || w.awakeAsked && !w.awake {
		return
	}
	w.awakeAsked, w.awake, w.awakeBegun = true, false, false
	w.awakeAt, w.awakeBy = t, max(t, min(t+awakeWithinMs, w.okWindowMs))
	w.lengthMs = watchMs
}

// sayAwake takes `awake`.
func (w *watching) sayAwake() { w.awake = true }

// giveOK takes an OK sign at t. The first one ends the wait for it; later ones
// are looks.
func (w *watching) giveOK(t int64) {
	w.awake = true
	if !w.okGiven() {
		w.okAt = t
		w.reached = NoRung
		w.metThrough = t + meetsBeforeMs
		return
	}
	w.look(t)
}

// look takes a look at t: it meets what is due up to 4 s after it.
func (w *watching) look(t int64) {
	if !w.okGiven() {
		return
	}
	if due := w.dueAfter(w.metThrough); t+meetsBeforeMs >= due {
		w.reached = NoRung
	}
	w.metThrough = max(w.metThrough, t+meetsBeforeMs)
}

// locked tells whether `watch-ended` at t comes too early.
func (w watching) locked(t int64) bool {
	return !w.okGiven() || w.standing() != noStep || t < w.endMs()
}
