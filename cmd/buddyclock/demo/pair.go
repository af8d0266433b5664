package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"buddyclock/protocol"
)

// Times of an outing at the pace of life, ms.
const (
	breatheUpMs = 120_000
	// restFactor is how many times the last hold a diver rests (common practice: at least twice).
	restFactor = 2
	// leastMs is what breathe-up and rest take at any pace: people must see them.
	leastMs = 5_000
	// readingEveryS is how often the oximeter's value goes into the log, s of the body's time.
	readingEveryS = 5
	// storyEvery is after how many holds a pair's story comes again.
	storyEvery = 3
)

// How people press, ms in real time. From prompt to press is the attentive
// buddy of hazard H16: lognormal, median 2.5 s, sigma 0.3.
const (
	pressMedian, pressSigma = 2_500.0, 0.3
	answerSigma             = 0.12
	tapAgainAfter           = 3_200
	saysNoAnswerAfter       = 3_000
	bringsUpIn              = 3_500
)

// pair are two people with their phones. Its time is shared time; it does
// nothing between two calls of step. It belongs to one goroutine.
type pair struct {
	part
	buddy, diver phone
	r            *rand.Rand
	pace         float64

	holds    int   // made so far
	nextAt   int64 // when the next hold is planned
	zeroAt   int64 // of the first hold of an outing, 0 for the usual breathe-up
	longestS int
	plannedS int // of the next hold, at the pace of life
	outOf    bool
	presses  []press // still to come, in order
	h        *course

	// cut takes the buddy's phone off the network or brings it back; nil where
	// there is none.
	cut func(off bool)
}

// press is something that somebody does at a time.
type press struct {
	at int64
	do func(at int64)
}

// course is the hold that two people are at.
type course struct {
	id      string
	story   story
	body    *Course
	startAt int64
	goalMs  int64 // when the diver means to come up, ms since the start

	reacting     int64 // the rung that the buddy is reacting to, by its time
	busyUntil    int64
	marked       int     // contractions that the buddy has seen
	livedTo      float64 // shared ms to which the body has lived
	tense        bool
	away         bool // the buddy looks away
	cutOff, back bool // the link was cut, and is back
	up, fainted  bool
	did          map[string]bool // what is done once
}

func newPair(p part, buddy, diver phone, seed uint64, pace float64) *pair {
	return &pair{
		part: p, buddy: buddy, diver: diver, pace: pace,
		r: rand.New(rand.NewPCG(seed, seed)), longestS: p.LongestS, plannedS: p.PlannedS,
	}
}

// begin is the arrival at an outing: when the first hold is to be.
func (p *pair) begin(now int64) {
	p.zeroAt = now + leastMs + int64(float64(p.FirstS)*1000/p.pace)
}

// paced is a time of life in real time, at least leastMs.
func (p *pair) paced(ms float64) int64 { return max(leastMs, int64(ms/p.pace)) }

func (p *pair) between(lo, hi float64) float64 { return lo + (hi-lo)*p.r.Float64() }

// lognormal is a time in ms around a median.
func (p *pair) lognormal(median, sigma float64) int64 {
	return int64(median * math.Exp(sigma*p.r.NormFloat64()))
}

func (p *pair) do(at int64, what func(at int64)) {
	i, _ := slices.BinarySearchFunc(p.presses, at, func(q press, at int64) int {
		if q.at <= at {
			return -1
		}
		return 1
	})
	p.presses = slices.Insert(p.presses, i, press{at, what})
}

// once has something done at a time, unless that was said in this hold before.
func (p *pair) once(what string, at int64, do func(at int64)) {
	if !p.h.did[what] {
		p.h.did[what] = true
		p.do(at, do)
	}
}

// step goes on to a shared time, which never falls.
func (p *pair) step(now int64) {
	for len(p.presses) > 0 && p.presses[0].at <= now {
		next := p.presses[0]
		p.presses = p.presses[1:]
		next.do(next.at)
	}
	if p.h == nil {
		if now >= p.nextAt && !p.outOf {
			p.plan(now)
		}
		return
	}
	st := p.buddy.Status(p.h.id, now)
	p.live(now, st)
	switch st.Phase {
	case protocol.Holding:
		p.inHold(now, st)
	case protocol.Recovery:
		p.recover(now, st)
	case protocol.Watch:
		p.watch(now, st)
	case protocol.InIncident:
		p.rescue(st)
	case protocol.Over:
		p.debrief(st)
	}
}

// idleUntil is when a step has something to do again, as far as that is known:
// between holds and before one nobody looks up.
func (p *pair) idleUntil() int64 {
	switch {
	case p.h == nil:
		return p.nextAt
	case p.h.body == nil && len(p.presses) > 0:
		return p.presses[0].at
	}
	return 0
}

// plan agrees on the next hold and begins its breathe-up.
func (p *pair) plan(now int64) {
	p.holds++
	p.h = &course{id: fmt.Sprintf("%s-h%02d", p.buddy.ID(), p.holds), did: map[string]bool{}}
	if p.Story != ordinary && (p.holds-1)%storyEvery == 0 {
		p.h.story = p.Story
	}
	planned := p.seconds(p.plannedS)
	p.buddy.Record(p.h.id, protocol.KindPlan, now, map[string]any{
		"diver": p.Diver, "buddy": p.Buddy, "setting": p.Setting, "signal": p.Signal, "cadence": p.Cadence,
		"planned_s": planned, "onset_s": p.seconds(int(p.Body.OnsetS)), "longest_s": p.seconds(p.longestS),
		"ok_within_s": 15, "recovery_s": 30, "watch_s": 60, "hears": []string{"breaths"},
		"simulated": true, "pace": p.pace,
	})
	// A diver means to keep to the plan, and seldom does to the second.
	p.h.goalMs = int64(float64(planned) * 1000 * p.between(0.97, 1.03))
	zeroAt := now + 1_500 + p.paced(breatheUpMs)
	if p.zeroAt != 0 {
		zeroAt, p.zeroAt = max(p.zeroAt, now+leastMs), 0
	}
	p.do(now+1_500, func(at int64) {
		p.buddy.Record(p.h.id, protocol.KindBreatheUp, at, map[string]any{"zero_at": zeroAt})
	})
	p.startsAtZero(p.h, int64(p.between(200, 1_400)), now+1_500+lookAgainMs)
}

// lookAgainMs is how often a pair looks whether an instructor counts it in.
const lookAgainMs = 1_000

// startsAtZero starts a hold soon after its count is at zero, whoever set that: an
// instructor may count several pairs in. Where the count was called off the pair
// begins one of its own.
func (p *pair) startsAtZero(h *course, reactsMs, at int64) {
	p.do(at, func(at int64) {
		st := p.buddy.Status(h.id, at)
		switch {
		case p.h != h || st.StartAt != nil:
		case st.ZeroAt == nil:
			p.buddy.Record(h.id, protocol.KindBreatheUp, at, map[string]any{"zero_at": at + p.paced(breatheUpMs)})
			p.startsAtZero(h, reactsMs, at+lookAgainMs)
		case at < *st.ZeroAt+reactsMs:
			p.startsAtZero(h, reactsMs, min(*st.ZeroAt+reactsMs, at+lookAgainMs))
		default:
			p.buddy.Record(h.id, protocol.KindStart, at, nil)
		}
	})
}

// seconds is a time of a plan at this pace, whole s.
func (p *pair) seconds(ofLife int) int {
	return max(protocol.MinPlannedS, int(math.Round(float64(ofLife)/p.pace)))
}

// live lets the diver's body go on to now, and the sensor write it down. One
// who has fainted is helped in real time, and so lives at the pace of life.
func (p *pair) live(now int64, st protocol.Status) {
	h := p.h
	if st.StartAt == nil || now < *st.StartAt {
		return
	}
	if h.body == nil {
		h.startAt = *st.StartAt
		h.livedTo = float64(h.startAt)
		h.body = NewCourse(p.Body)
	}
	if st.SurfacedAt != nil || st.RecoveredAt != nil || st.Incident != nil {
		h.body.Breathe()
	}
	for {
		second := 1000 / p.pace
		if h.fainted || h.did["fainted"] {
			second = 1000
		}
		if h.livedTo+second > float64(now) {
			return
		}
		h.livedTo += second
		h.body.Second()
		h.fainted = h.fainted || !h.body.Responds()
		if st.Phase != protocol.Over && h.body.Seconds()%readingEveryS == 0 {
			spo2, hr := h.body.Finger()
			p.diver.Record(h.id, protocol.KindReading, int64(h.livedTo), map[string]any{
				"spo2": max(protocol.MinSpO2, spo2), "hr": hr, "source": "simulated finger sensor",
			})
		}
	}
}

// inHold is the buddy beside a diver who holds.
func (p *pair) inHold(now int64, st protocol.Status) {
	h := p.h
	t := now - h.startAt
	p.tell(now, t, st)
	p.mark(now, t)
	switch {
	case h.up:
	case !h.fainted && (t >= h.goalMs || st.Standing != nil && st.Standing.Asks == protocol.AsksUp):
		h.up = true
		p.do(now+int64(p.between(400, 1_400)), p.surfaces)
	default:
		p.mind(now, st)
	}
}

// tell is the pair's story.
func (p *pair) tell(now, t int64, st protocol.Status) {
	h := p.h
	planned := st.Plan.PlannedMs
	switch h.story {
	case forgets:
		// From the middle of the easy phase on, until the alarm has called for a while.
		if st.Standing != nil && st.Standing.Rung == protocol.AlarmRung.String() && now >= *st.StandingAt+comesBackAfterMs {
			h.did["called"] = true
		}
		h.away = t >= planned/4 && !h.did["called"]
		if t >= h.goalMs && !h.did["called"] {
			h.goalMs = t + 1_000 // the diver waits for a tap that does not come
		}
	case lostLink:
		if p.cut == nil {
			return
		}
		if !h.cutOff && t >= planned*11/20 && st.Standing == nil && st.SilenceMs != nil && *st.SilenceMs >= handedOverMs && *st.SilenceMs < 8_000 {
			h.cutOff = true
			p.cut(true)
			p.do(now+max(lostLeastMs, int64(lostForMs/p.pace)), func(int64) {
				h.back = true
				p.cut(false)
			})
		}
	}
}

// lostForMs is how long the lost link is lost, at least lostLeastMs at any pace:
// long enough for every page to say so and for a check in the meantime, and short
// enough that the others do not hear an alarm for the answer they cannot know.
const lostForMs, lostLeastMs = 31_000, 8_000

// handedOverMs is after how long everybody has an answer: a link that is lost
// sooner looks to the others like a diver who does not answer.
const handedOverMs = 1_500

// comesBackAfterMs is how long an alarm calls a buddy who is not there: the
// instructor has set off by then.
const comesBackAfterMs = goesAfterMs + 2_000

// mark is what the buddy sees and presses: contractions, and a tense neck.
func (p *pair) mark(now, t int64) {
	h := p.h
	for ; h.marked < h.body.Contractions(); h.marked++ {
		if h.away || (h.marked > 0 && p.r.Float64() > 0.6) {
			continue
		}
		site := "belly"
		if short := 1 - h.body.Saturation(); h.marked > 2 && short > 0.12 {
			site = "chest"
		}
		p.do(now+int64(p.between(500, 1_300)), func(at int64) {
			if !h.up && p.buddy.Status(h.id, at).Phase == protocol.Holding {
				p.buddy.Record(h.id, protocol.KindContraction, at, map[string]any{"site": site})
			}
		})
	}
	if !h.tense && !h.away && h.body.Saturation() < 0.72 {
		h.tense = true
		if p.r.Float64() < 0.7 {
			p.buddy.Record(h.id, protocol.KindSign, now, map[string]any{"what": "tense"})
		}
	}
}

// mind is the buddy's reaction to the rung that stands.
func (p *pair) mind(now int64, st protocol.Status) {
	h := p.h
	if st.Standing == nil || *st.StandingAt == h.reacting || now < h.busyUntil || h.away {
		return
	}
	h.reacting = *st.StandingAt
	in := p.lognormal(pressMedian, pressSigma)
	if h.story == forgets && st.Standing.Rung == protocol.AlarmRung.String() {
		in += 2_500 // running back
	}
	at := max(now, *st.StandingAt+in)
	h.busyUntil = at
	switch st.Standing.Asks {
	case protocol.AsksLook:
		p.do(at, p.look)
	case protocol.AsksTap:
		p.do(at, func(at int64) { p.tap(at, 1) })
	}
}

// look presses for a look, if one is still asked for: somebody else may have.
func (p *pair) look(at int64) {
	if st := p.buddy.Status(p.h.id, at); st.Standing != nil && st.Standing.Asks == protocol.AsksLook {
		p.buddy.Record(p.h.id, protocol.KindLook, at, nil)
	}
}

// tap gives the signal, for the n-th time in this silence, and sees the answer or none.
func (p *pair) tap(at int64, n int) {
	h := p.h
	st := p.buddy.Status(h.id, at)
	if st.Phase != protocol.Holding || h.up || (n == 1 && (st.Standing == nil || st.Standing.Asks != protocol.AsksTap)) {
		return
	}
	dry := p.Setting == protocol.SettingDry
	if dry {
		p.buddy.Record(h.id, protocol.KindAsked, at, nil)
	}
	if h.fainted {
		if h.busyUntil = at + tapAgainAfter; n == 1 {
			p.do(at+tapAgainAfter, func(at int64) { p.tap(at, 2) })
		} else {
			p.do(at+saysNoAnswerAfter, p.noAnswer)
		}
		return
	}
	took := p.lognormal(h.body.AnswerIn(), answerSigma)
	h.busyUntil = at + took
	p.do(at+took, func(at int64) {
		var data map[string]any
		if dry {
			data = map[string]any{"took_ms": took}
		}
		alarm := st.Standing != nil && st.Standing.Rung == protocol.AlarmRung.String()
		switch {
		case p.buddy.Status(h.id, at).Phase != protocol.Holding:
		case dry && p.Touches && !alarm:
			p.diver.Record(h.id, protocol.KindAnswered, at, data)
		default:
			p.buddy.Record(h.id, protocol.KindAnswered, at, data)
		}
	})
}

// noAnswer is the alarm by the buddy's own hand, and bringing the diver up.
func (p *pair) noAnswer(at int64) {
	h := p.h
	if p.buddy.Status(h.id, at).Phase != protocol.Holding {
		return
	}
	p.buddy.Record(h.id, protocol.KindNoAnswer, at, nil)
	h.up = true
	h.busyUntil = math.MaxInt64
	p.do(at+bringsUpIn, p.surfaces)
}

func (p *pair) surfaces(at int64) {
	if p.buddy.Status(p.h.id, at).Phase == protocol.Holding {
		p.buddy.Record(p.h.id, protocol.KindSurfaced, at, nil)
	}
	p.h.reacting, p.h.busyUntil = 0, 0
}
