package protocol_test

import "math"

// The oracle in a hold: what events do, and the two ladders.

func (w *walker) actInHold(e oEvent) {
	t := e.At - *w.startAt
	alarm := w.alarm != nil || w.upAlarm != nil
	buddy := e.By == "buddy"
	switch e.Kind {
	case "look":
		looksCount := w.stage(t) == "easy"
		if w.pattern() {
			looksCount = t < w.firstListed()
		}
		if buddy && looksCount && !alarm {
			w.prove(t, false)
			w.unaskedTouch = false
		}
	case "asked":
		if buddy {
			w.asks = append(w.asks, t)
			if len(w.asks) >= 2 {
				w.raiseFinal(t)
			}
		}
	case "answered":
		proves := buddy
		if e.By == "diver" {
			proves = w.touchProves(t)
		}
		if !proves {
			return
		}
		asked := w.askedNow(t)
		w.prove(t, true)
		w.lastAnswer = &t
		w.unaskedTouch = !buddy && !asked
		if took, ok := e.Data["took_ms"].(float64); ok && took >= 3000 || alarm {
			w.raiseFinal(t)
		}
	case "no-answer":
		w.comeUpNow(t)
	case "contraction":
		signalled := e.Data["signalled"] == true
		if signalled && !buddy && e.By != "diver" {
			return
		}
		touch := e.By == "diver" && w.touchProves(t)
		raises := e.Data["site"] == "throat" && (!signalled || buddy || touch)
		if signalled && (buddy && !alarm || touch) {
			asked := w.askedNow(t)
			w.prove(t, false)
			w.unaskedTouch = !buddy && !asked
		}
		if w.mark == nil {
			w.mark = &t
		}
		if raises {
			w.raiseLate(t)
		}
	case "sign":
		switch e.Data["what"] {
		case "tense":
			w.raiseLate(t)
		case "blue":
			w.raiseFinal(t)
		case "shaking", "air", "limp":
			w.comeUpNow(t)
		}
	case "end-hold":
		if (buddy || e.By == "instructor") && w.endHold == nil {
			w.endHold = &t
		}
	case "surfaced":
		if buddy {
			w.surface(e.At, alarm || e.Data["alarm"] == true, w.stage(t) == "easy")
		}
	}
}

// askedNow tells whether an `asked` of the running silence lies at most ten seconds back.
func (w *walker) askedNow(t int64) bool {
	return len(w.asks) > 0 && t-w.asks[len(w.asks)-1] <= 10_000
}

func (w *walker) touchProves(t int64) bool {
	if !w.plan.dry || w.alarm != nil || w.upAlarm != nil {
		return false
	}
	return w.askedNow(t) || w.stage(t) == "easy" && !w.unaskedTouch
}

// prove begins a new silence, and a new ladder; a listed tap, though, waits for an answer.
func (w *walker) prove(t int64, answer bool) {
	w.proof = t
	w.asks = nil
	if w.pattern() && t > w.firstListed() && !answer {
		return
	}
	w.prompt, w.again, w.alarm, w.carried = nil, nil, nil, nil
	w.latestPrompt, w.latestAlarm = nil, nil
}

// raise ends the announced pattern. What it would have brought, had this millisecond brought nothing and the diver said
// nothing more, is walked through on a copy.
func (w *walker) raise() {
	if w.pattern() && w.alarm == nil {
		ghost := *w
		ghost.rungs = nil
		for ghost.firstLadder(); ghost.alarm == nil; ghost.firstLadder() {
			ghost.now++
		}
		w.latestAlarm = &ghost.alarm.AtMs
		if w.prompt == nil {
			w.latestPrompt = &ghost.rungs[0].AtMs
		}
	}
	w.raised = true
}

func (w *walker) raiseLate(t int64) {
	w.raise()
	if w.lateRaise == nil {
		w.lateRaise = &t
	}
}

func (w *walker) raiseFinal(t int64) {
	w.raise()
	if w.finalRaise == nil {
		w.finalRaise = &t
	}
}

func (w *walker) comeUpNow(t int64) {
	if w.atOnce == nil {
		w.atOnce = &t
	}
}

func (w *walker) surface(at int64, alarm, easy bool) {
	w.phase = "recovery"
	w.base, w.baseName = at, "surfaced"
	w.alarmStood, w.awakeWanted, w.helpAt = alarm, alarm, 5000
	w.watchMs = w.plan.watch
	if easy && !alarm {
		w.watchMs = 30_000
	}
	w.lastLook = math.MinInt32
}

// firstLadder is the ladder on the silence: by the tables, or by the announced pattern while no raise has come.
func (w *walker) firstLadder() {
	t := w.now - *w.startAt
	if w.alarm != nil {
		return
	}
	if w.pattern() && t >= w.firstListed() {
		w.listedTaps(t)
		return
	}
	every, first, second := w.windows(t)
	asks := "tap"
	if w.stage(t) == "easy" {
		asks = "look"
	}
	switch {
	case w.prompt == nil && w.latestPrompt != nil && t >= *w.latestPrompt:
		w.prompt = w.reach("prompt", asks)
		return
	case w.prompt != nil && w.latestAlarm != nil && t >= *w.latestAlarm:
		w.alarm = w.reach("alarm", "tap")
		return
	}
	if w.pattern() {
		every, first, second, asks = 30_000, 8000, 7000, "look"
	}
	switch {
	case w.prompt == nil:
		if t-w.proof >= every {
			w.prompt = w.reach("prompt", asks)
		}
	case t-w.prompt.AtMs >= first+second:
		w.alarm = w.reach("alarm", "tap")
	case w.again == nil && t-w.lastAsking() >= first:
		w.again = w.reach("again", asks)
	}
}

// lastAsking is the prompt or a later `asked`.
func (w *walker) lastAsking() int64 {
	a := w.prompt.AtMs
	for _, asked := range w.asks {
		a = max(a, asked)
	}
	return a
}

// listedTaps is the part of the announced pattern that asks for taps at listed times.
func (w *walker) listedTaps(t int64) {
	if w.prompt != nil {
		alarmAt := w.prompt.AtMs + 7000
		if w.prompt.Asks == "look" {
			alarmAt = w.prompt.AtMs + 15_000 // only at the first listed time itself, just before it is replaced
		}
		if t >= smallest(alarmAt, w.carried) {
			w.alarm = w.reach("alarm", "tap")
			return
		}
	}
	if w.listed(t) && (w.lastAnswer == nil || *w.lastAnswer < t-4000) {
		if w.prompt != nil {
			lookAlarm := w.prompt.AtMs + 15_000
			w.carried = &lookAlarm
		}
		w.prompt, w.again = w.reach("prompt", "tap"), nil
		return
	}
	if w.prompt != nil && w.again == nil && t-w.lastAsking() >= 4000 {
		w.again = w.reach("again", "tap")
	}
}

func (w *walker) bringUp() {
	t := w.now - *w.startAt
	if w.upAlarm != nil {
		return
	}
	from := smallest(w.plan.end, w.endHold)
	switch {
	case w.atOnce != nil || t >= from+8000:
		w.upAlarm = w.reach("alarm", "up")
	case w.upAgain == nil && t >= from+4000:
		w.upAgain = w.reach("again", "up")
	case w.upPrompt == nil && t >= from:
		w.upPrompt = w.reach("prompt", "up")
	}
}
