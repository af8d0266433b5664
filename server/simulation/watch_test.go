package simulation

import (
	"context"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"buddyclock/protocol"
)

// watch asks after every step whether all that was promised still holds.
type watch struct {
	w        *world
	contents map[string]protocol.Event // by id: what it was when first seen anywhere
	madeAt   map[string]int64          // when it was recorded
	acked    []string                  // what the host said it has
	isAcked  map[string]bool
	owed     []string // what a phone's disk has synced
	sounded  map[string]*[4]int64
	changed  int64 // when anything last changed that decides who sounds a rung
	slow     bool  // news takes longer at present
	newest   int64 // the latest `at` of all events, shared ms

	compared int // statuses that Go and JavaScript found alike
	rungs    int // rungs that somebody sounded in time
	agreed   int // times that all agreed after healing
}

// expectation is a rung that somebody has to sound.
type expectation struct {
	hold, rung string
	at         int64 // shared ms at which it was reached
	since      int64 // true time from which this phone knew of it
	limit      int64 // how long a device may be unheard before the next one takes over
	spread     int64 // how far the clocks of those who can sound have differed since
	quiet      bool  // it may begin with light, and its tone come 2 s later
	met        bool
}

var levels = map[string]int{"prompt": 1, "again": 2, "alarm": 3}

// repeats is how often a standing rung is heard again, µs; a prompt only once.
var repeats = map[string]int64{"again": 2500 * ms, "alarm": 5 * second}

func newWatch(w *world) *watch {
	return &watch{
		w: w, contents: map[string]protocol.Event{}, madeAt: map[string]int64{}, isAcked: map[string]bool{}, sounded: map[string]*[4]int64{},
	}
}

func eventID(device string, n int64) string { return fmt.Sprintf("%s-%06d", device, n) }

// disturbed notes a change of what decides who sounds a rung.
func (v *watch) disturbed() { v.changed = v.w.now }

// knows is told of each event that a phone's page holds.
func (v *watch) knows(p *phone, e protocol.Event) {
	first, seen := v.contents[e.ID]
	if !seen {
		v.contents[e.ID] = e
		v.madeAt[e.ID] = v.w.now
		v.newest = max(v.newest, e.At)
		return
	}
	if !protocol.SameContent(first, e) {
		v.w.fail("one id is one event", "%s has %s, which was %s", p.name, e.Encode(), first.Encode())
	}
}

// forgets takes out what a phone that died recorded and nobody else ever had:
// that never was.
func (v *watch) forgets(p *phone) {
	had := map[string]bool{}
	for _, other := range v.w.phones {
		for id := range other.disk.read().rows {
			had[id] = true
		}
		if other != p {
			for _, h := range other.holds {
				for _, e := range h.Events() {
					had[e.ID] = true
				}
			}
		}
	}
	for id := range v.contents {
		_, there := v.w.host.disk.byID[id]
		if protocol.DeviceOf(id) == p.device && !there && !had[id] {
			delete(v.contents, id)
		}
	}
}

// recorded is told of what a phone has recorded itself.
func (v *watch) recorded(p *phone, events string) {
	v.w.note("%s has recorded %s", p.name, events)
	var raws []json.RawMessage
	_ = json.Unmarshal([]byte(events), &raws)
	for _, raw := range raws {
		e, err := protocol.Decode(raw)
		if err != nil {
			v.w.fail("what is recorded is well formed", "%s: %s: %v", p.name, raw, err)
		}
		v.knows(p, e)
	}
}

// kept is told of what is safe on a phone's disk.
func (v *watch) kept(_ *phone, id string) { v.owed = append(v.owed, id) }

func (v *watch) refused(p *phone, code, ids string) {
	v.w.fail("nothing that a phone recorded is refused", "%s: %s: %s", p.name, code, ids)
}

// acknowledged is told what the host says it has.
func (v *watch) acknowledged(ids []string) {
	for _, id := range ids {
		if !v.isAcked[id] {
			v.isAcked[id] = true
			v.acked = append(v.acked, id)
		}
		if v.w.defect.host == ackBeforeSync {
			continue // the defect is to be found by what a crash does
		}
		if _, there := v.w.host.disk.byID[id]; !there {
			v.w.fail("what is acknowledged is on the disk", "%s is not", id)
		}
	}
}

// recovered looks into the disk of a host that starts.
func (v *watch) recovered() {
	d := v.w.host.disk
	for _, id := range v.acked {
		i, there := d.byID[id]
		if !there {
			v.w.fail("no acknowledged event is lost", "%s is gone from the host's disk", id)
		}
		if !protocol.SameContent(d.rows[i], v.contents[id]) {
			v.w.fail("no acknowledged event is changed", "%s is now %s", id, d.rows[i].Encode())
		}
	}
}

// heard is told of each sound of a rung that really came out of a phone.
func (v *watch) heard(p *phone, hold, rung string) {
	s := v.sounded[hold]
	if s == nil {
		s = &[4]int64{}
		v.sounded[hold] = s
	}
	for level := levels[rung]; level > 0; level-- {
		s[level] = v.w.now
	}
	v.w.note("%s sounds %s", p.name, rung)
}

// shown is told what a phone shows: shared time, its doubt (ms, -1 for none) of
// which of the host's clocks, and the status as replay would print it.
func (v *watch) shown(p *phone, nowMs, doubtMs int64, clockID string, inHold bool, status string) {
	if inHold && p.lastInHold && nowMs < p.lastNow {
		v.w.fail("one clock never goes back in a hold", "%s shows %d after %d", p.name, nowMs, p.lastNow)
	}
	p.lastNow, p.shownAt, p.doubtMs, p.lastInHold = nowMs, v.w.now, doubtMs, inHold
	if truth, known := v.w.host.truths[clockID]; known && doubtMs >= 0 {
		off := float64(nowMs) - truth.sharedUs(v.w.now)/1000
		// What is shown is rounded down to whole ms.
		if off > float64(doubtMs) || off < -float64(doubtMs)-1 {
			v.w.fail("a clock is as true as it says", "%s is off by %.3f ms and says %d", p.name, off, doubtMs)
		}
	}
	if status == "" {
		return
	}
	var head struct {
		Hold string `json:"hold"`
	}
	_ = json.Unmarshal([]byte(status), &head)
	st := p.holds[head.Hold].StatusAt(nowMs)
	if mine := spell(st); mine != status {
		v.w.fail("the same events give the same state", "%s shows\n%s\nand Go makes of its events\n%s", p.name, status, mine)
	}
	v.compared++
	if !p.isBoard() {
		v.rung(p, &st, nowMs)
	}
}

// rung checks that what stands by what this phone knows is sounded by somebody.
//
// The bound is this project's own (web/app/rungs.js). Who decides are the phones, by
// what they last heard of each other: a device is passed over once it is unheard for
// 5 s, or 2 s in late, final and recovery, counted from the last change of who is
// there. Whoever has the rungs by then sounds each at its own time; an early
// prompt may begin with light only, and its tone comes 2 s later. A page looks
// once a second here, and news takes a moment. Clocks of phones may differ, and a
// rung with them.
func (v *watch) rung(p *phone, st *protocol.Status, nowMs int64) {
	fit := p.visible && !p.mute && !p.asleep && !p.frozen
	if !fit || st.Standing == nil || st.Incident != nil && st.Incident.WithThem {
		p.wants = nil
		return
	}
	x := p.wants
	// A rung that nobody has sounded yet is still owed when the next one is reached.
	owed := x != nil && !x.met && levels[st.Standing.Rung] > levels[x.rung]
	// Where one alarm takes the place of another its sound goes on in its rhythm.
	goesOn := x != nil && x.met && x.rung == st.Standing.Rung && repeats[x.rung] > 0
	if x == nil || x.hold != st.Hold || !owed && !goesOn && (x.rung != st.Standing.Rung || x.at != *st.StandingAt) {
		x = &expectation{hold: st.Hold, rung: st.Standing.Rung, at: *st.StandingAt, since: v.w.now}
		x.quiet = x.rung == "prompt" && st.Phase == protocol.Holding && st.Standing.Asks != "up" && x.at-*st.StartAt < st.Boundaries.LateAtMs
		p.wants = x
	}
	limit := 5 * second
	if st.Phase == protocol.Recovery || st.Stage != nil && (*st.Stage == "late" || *st.Stage == "final") {
		limit = 2 * second
	}
	x.limit, x.spread = max(x.limit, limit), max(x.spread, v.spread())
	taken := v.changed + x.limit + 1500*ms // by then somebody has the rungs
	takes := second + x.spread
	if x.quiet {
		takes += 2 * second
	}
	if v.slow {
		takes += 6 * second
	}
	reached := v.w.now - (nowMs-x.at)*ms
	need := reached - second - x.spread
	late := max(x.since, taken) + takes
	if every := repeats[x.rung]; every > 0 && x.met {
		need = max(need, v.w.now-every-x.limit-1500*ms-takes)
		late = taken + every + takes
	}
	var last int64
	if s := v.sounded[x.hold]; s != nil {
		last = s[levels[x.rung]]
	}
	if last >= need {
		if !x.met {
			v.rungs++
		}
		x.met = true
		return
	}
	// Where an alarm goes on, though history knows of none any more, nothing less is heard.
	alarmed := v.sounded[x.hold] != nil && v.sounded[x.hold][levels["alarm"]] > v.w.now-repeats["alarm"]-second/2
	if v.w.now > late && !alarmed {
		v.w.fail("each rung is sounded", "%s knows of %s at %d, %d ms ago, and nobody has sounded it", p.name, x.rung, x.at, nowMs-x.at)
	}
}

// spread is how far the clocks of those who can sound differ, µs.
func (v *watch) spread() int64 {
	first := true
	var low, high int64
	for _, p := range v.w.phones {
		if !p.on || p.asleep || p.isBoard() || p.lastNow == 0 {
			continue
		}
		off := p.lastNow*ms - p.shownAt
		if first {
			low, high, first = off, off, false
		}
		low, high = min(low, off), max(high, off)
	}
	return high - low
}

// agree checks that host and phones have the same events and make the same of
// them. What was recorded in the last moments may still be on its way. A board is
// told of the newest hold, and of what belongs to none. What phones recorded whose
// clock is ahead of a host that came back behind is taken once its time has come.
func (v *watch) agree(again int, then func()) {
	w := v.w
	us, _ := w.host.sharedNow()
	d := w.host.disk
	newest, _ := d.NewestHold(context.Background(), "")
	if w.defect.host == ackBeforeSync {
		then() // here too it is to be found by what a crash does
		return
	}
	var young bool
	lacks := func(who, id string) {
		if w.now-v.madeAt[id] < 2*second && again < 5 || v.contents[id].At > us/1000-4000 {
			young = true
			return
		}
		w.fail("after healing all agree", "%s lacks %s (%s)", who, id, v.contents[id].Kind)
	}
	for _, id := range v.owed {
		if _, there := d.byID[id]; !there {
			lacks("the host", id)
		}
	}
	for _, p := range w.phones {
		have := map[string]bool{}
		for _, h := range p.holds {
			for _, e := range h.Events() {
				have[e.ID] = true
				if _, there := d.byID[e.ID]; !there {
					lacks("the host", e.ID)
				}
			}
		}
		for _, e := range d.rows {
			if !have[e.ID] && (!p.isBoard() || e.Hold == newest || isOutside(e.Hold)) {
				lacks(p.name, e.ID)
			}
		}
	}
	if young {
		w.host.after(second, "do all agree?", func() { v.agree(again+1, then) })
		return
	}
	v.sameState()
	v.agreed++
	then()
}

type pageHold struct {
	Hold            string
	Status, Summary any
}

// sameState compares every hold, as the host's events have it, with each page.
func (v *watch) sameState() {
	w := v.w
	us, _ := w.host.sharedNow()
	nowMs := us / 1000
	newest, _ := w.host.disk.NewestHold(context.Background(), "")
	holds := map[string]*protocol.Hold{}
	for _, e := range w.host.disk.rows {
		if isOutside(e.Hold) {
			continue
		}
		if holds[e.Hold] == nil {
			holds[e.Hold] = protocol.NewHold(e.Hold)
		}
		holds[e.Hold].Add(e)
	}
	for _, p := range w.phones {
		all := p.answer(p.calls["all"](nil, p.vm.ToValue(nowMs))).String()
		var page struct {
			Holds   []pageHold
			Unsent  int
			Refused []string
		}
		if err := json.Unmarshal([]byte(all), &page); err != nil {
			panic(err)
		}
		if page.Unsent > 0 || len(page.Refused) > 0 {
			w.fail("after healing all agree", "%s holds %d events for unsent, and refused: %s", p.name, page.Unsent, strings.Join(page.Refused, ", "))
		}
		if p.isBoard() {
			page.Holds = slices.DeleteFunc(page.Holds, func(h pageHold) bool { return h.Hold != newest })
		} else if len(page.Holds) != len(holds) {
			w.fail("after healing all agree", "%s has %d holds, the host %d", p.name, len(page.Holds), len(holds))
		}
		for _, h := range page.Holds {
			mine := holds[h.Hold]
			if !reflect.DeepEqual(h.Status, value(mine.StatusAt(nowMs))) || !reflect.DeepEqual(h.Summary, value(protocol.Summarize(mine, nowMs))) {
				w.fail("the same events give the same state", "%s makes of %s\n%s\n%s\nthe host\n%s\n%s", p.name, h.Hold,
					spell(h.Status), spell(h.Summary), spell(mine.StatusAt(nowMs)), spell(protocol.Summarize(mine, nowMs)))
			}
		}
	}
}

// end heals everything and looks a last time.
func (v *watch) end() {
	v.w.weather.last = true
	for v.w.weather.alone {
		v.w.step()
	}
	v.w.until(v.w.now + v.w.weather.heal())
	agreed := false
	v.agree(0, func() { agreed = true })
	for !agreed {
		v.w.step()
	}
}

func value(x any) (v any) {
	_ = json.Unmarshal([]byte(spell(x)), &v)
	return v
}
