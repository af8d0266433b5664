package protocol_test

import (
	"encoding/json"
	"math"
	"sort"
	"strings"
)

// The oracle is a second, deliberately slow reading of the rules: it walks a hold millisecond by millisecond,
// first letting the events of that millisecond act, then looking which rungs have become due. It shares no
// code with the package under test and knows nothing of bisection, so that an error would have to be made twice.

// oEvent is an event as the oracle sees it: the envelope and the data as loose JSON values.
type oEvent struct {
	ID   string         `json:"id"`
	Kind string         `json:"kind"`
	At   int64          `json:"at"`
	By   string         `json:"by"`
	Data map[string]any `json:"data"`
}

// oRung is one rung of the oracle. At is absolute; AtMs counts from what Since names.
type oRung struct {
	Rung  string `json:"rung"`
	Asks  string `json:"asks"`
	AtMs  int64  `json:"at_ms"`
	Since string `json:"since"`
}

type oBoundaries struct {
	Struggle int64 `json:"struggle_at_ms"`
	Late     int64 `json:"late_at_ms"`
	Final    int64 `json:"final_at_ms"`
	End      int64 `json:"end_at_ms"`
}

type oStanding struct {
	Rung string `json:"rung"`
	Asks string `json:"asks"`
}

// oStatus has the fields that replay prints, without the hold's name.
type oStatus struct {
	Phase      string      `json:"phase"`
	Stage      *string     `json:"stage"`
	Silence    *int64      `json:"silence_ms"`
	Boundaries oBoundaries `json:"boundaries"`
	Standing   *oStanding  `json:"standing"`
	Next       []oRung     `json:"next"`
}

// oPlan is a plan with its defaults filled in, everything in ms.
type oPlan struct {
	planned, end, okWindow, watch int64
	onset, longest                *int64
	cadence                       string
	dry                           bool
}

// oracleAt walks the events to the absolute instant at and returns the status and every rung reached by then.
func oracleAt(events []oEvent, at int64) (oStatus, []oRung) {
	w := newWalker(events, at)
	if w.startAt == nil {
		return w.status(at, nil), []oRung{}
	}
	for w.now = *w.startAt; w.now <= at; w.now++ {
		w.step()
	}
	w.now = max(at+1, *w.startAt)
	reached := append([]oRung{}, w.rungs...)
	status := w.status(at, nil)
	// Look ahead with no further event, until the first alarm or until nothing can come any more.
	limit := w.now + 120_000
	if status.Phase == "hold" || at < *w.startAt {
		limit = max(limit, *w.startAt+w.bounds.End+10_000)
	}
	for found := false; w.now <= limit && !found; w.now++ {
		w.step()
		for _, r := range w.rungs[len(reached)+len(status.Next):] {
			if !found {
				status.Next = append(status.Next, r)
			}
			found = found || r.Rung == "alarm"
		}
	}
	return status, reached
}

type walker struct {
	events  []oEvent // in order, without what is dropped or in the future
	used    int      // how many of them have acted
	plan    oPlan
	startAt *int64
	breathe bool
	now     int64 // absolute
	phase   string
	rungs   []oRung

	// the hold
	bounds                      oBoundaries // as the events so far leave them
	mark, lateRaise, finalRaise *int64      // since the start
	raised                      bool
	proof                       int64   // since the start
	asks                        []int64 // `asked` of the running silence
	unaskedTouch                bool    // the last proof that matters was a touch nobody asked for
	prompt, again, alarm        *oRung
	carried                     *int64 // the alarm of a look ladder that a listed tap replaced
	latestPrompt, latestAlarm   *int64 // what the announced pattern would have brought in a silence in which a raise ended it
	lastAnswer                  *int64
	endHold, atOnce             *int64
	upPrompt, upAgain, upAlarm  *oRung

	// after surfacing
	base        int64
	baseName    string
	alarmStood  bool
	awakeWanted bool
	awakeAt     int64 // since base
	helpAt      int64 // since base: an incident, if nobody says awake
	watchMs     int64
	okAt        *int64  // since base
	lookDues    []int64 // since base
	lastLook    int64   // since base
	after       *oRung  // what stands after surfacing, or in an incident
	helpDue     bool
}

func newWalker(events []oEvent, at int64) *walker {
	w := &walker{phase: "planned", baseName: "start"}
	var live []oEvent
	for _, e := range events {
		if e.At <= at || e.Kind == "start" {
			live = append(live, e)
		}
	}
	sort.Slice(live, func(i, j int) bool {
		if live[i].At != live[j].At {
			return live[i].At < live[j].At
		}
		return live[i].ID < live[j].ID
	})
	dropped := map[string]bool{}
	for _, a := range live {
		if a.Kind != "amend" || a.Data["drop"] != true || a.At > at {
			continue
		}
		for _, target := range live {
			if target.ID == a.Data["target"] && target.Kind != "amend" && oDevice(a.ID) != "" && oDevice(a.ID) == oDevice(target.ID) && a.At <= target.At+10_000 {
				dropped[target.ID] = true
			}
		}
	}
	for _, e := range live {
		if !dropped[e.ID] {
			w.events = append(w.events, e)
		}
	}
	for _, e := range w.events {
		if e.Kind == "start" && w.startAt == nil {
			s := e.At
			w.startAt = &s
		}
	}
	w.plan = oPlan{planned: 0, end: 15_000, okWindow: 15_000, watch: 60_000, cadence: "close"}
	for _, e := range w.events {
		if e.Kind == "plan" && (e.By == "buddy" || e.By == "instructor") && (w.startAt == nil || e.At <= *w.startAt) {
			if p := oReadPlan(e.Data); p != nil {
				w.plan = *p
			}
		}
		if e.Kind == "breathe-up" {
			w.breathe = true
		}
	}
	w.setBounds()
	return w
}

// oDevice gives the device of an event id, or "" for an id that names none.
func oDevice(id string) string {
	if i := strings.LastIndex(id, "-"); i >= 0 {
		return id[:i]
	}
	return ""
}

// oWhole gives a whole number of the data, as JavaScript would see it.
func oWhole(v any) (int64, bool) {
	f, ok := v.(float64)
	if !ok || f != math.Trunc(f) || math.Abs(f) > 1<<53-1 {
		return 0, false
	}
	return int64(f), true
}

// oReadPlan gives nil for a plan that is void.
func oReadPlan(d map[string]any) *oPlan {
	p := &oPlan{okWindow: 15_000, watch: 60_000, cadence: "close", dry: d["setting"] == "dry"}
	planned, ok := oWhole(d["planned_s"])
	if !ok || planned < 15 || planned > 900 {
		return nil
	}
	p.planned = planned * 1000
	p.end = (planned + max(planned/10, 15)) * 1000
	fields := []struct {
		name string
		fits func(int64) bool
		set  func(int64)
	}{
		{"end_by_s", func(v int64) bool { return v >= planned && v <= 1200 }, func(v int64) { p.end = v }},
		{"ok_within_s", func(v int64) bool { return v == 15 || v == 20 }, func(v int64) { p.okWindow = v }},
		{"watch_s", func(v int64) bool { return v >= 30 && v <= 300 }, func(v int64) { p.watch = v }},
		{"onset_s", func(v int64) bool { return v >= 0 && v <= 86_400 }, func(v int64) { p.onset = &v }},
		{"longest_s", func(v int64) bool { return v >= 0 && v <= 86_400 }, func(v int64) { p.longest = &v }},
	}
	for _, f := range fields {
		v := d[f.name]
		if v == nil {
			continue
		}
		n, ok := oWhole(v)
		if !ok || !f.fits(n) {
			return nil
		}
		f.set(n * 1000)
	}
	switch d["cadence"] {
	case "standard", "announced":
		p.cadence = d["cadence"].(string)
	}
	return p
}

func smallest(first int64, others ...*int64) int64 {
	for _, o := range others {
		if o != nil && *o < first {
			first = *o
		}
	}
	return first
}

func (w *walker) glideEnd() int64 { return smallest(w.plan.planned, w.plan.longest) }

func (w *walker) setBounds() {
	b := oBoundaries{End: w.plan.end}
	b.Struggle = smallest(w.plan.planned/2, w.mark, w.plan.onset)
	b.Final = smallest(w.plan.planned, w.plan.longest, w.finalRaise)
	late := w.plan.planned - 60_000
	if w.plan.planned < 120_000 {
		late = w.plan.planned / 2
	}
	if w.plan.longest != nil {
		late = min(late, *w.plan.longest*8/10)
	}
	b.Late = smallest(late, w.lateRaise, &b.Final)
	w.bounds = b
}

func (w *walker) stage(t int64) string {
	b := w.bounds
	switch {
	case t >= b.Final:
		return "final"
	case t >= b.Late:
		return "late"
	case t >= b.Struggle:
		return "struggle"
	}
	return "easy"
}

// windows gives every, first and second of the tables at t.
func (w *walker) windows(t int64) (every, first, second int64) {
	isClose := w.plan.cadence == "close"
	switch w.stage(t) {
	case "final":
		return 6000, 4000, 3000
	case "late":
		late := w.bounds.Late
		glide := func(from, to int64) int64 { return from - (from-to)*(t-late)/(w.glideEnd()-late) }
		if isClose {
			return glide(10_000, 6000), glide(5000, 4000), glide(4000, 3000)
		}
		return glide(15_000, 6000), glide(5000, 4000), glide(4000, 3000)
	case "struggle":
		if isClose {
			return 15_000, 5000, 4000
		}
		return 30_000, 6000, 5000
	}
	if isClose {
		return 30_000, 6000, 5000
	}
	return 30_000, 8000, 7000
}

// pattern tells whether the announced pattern is in force.
func (w *walker) pattern() bool { return w.plan.cadence == "announced" && !w.raised }

func (w *walker) firstListed() int64 {
	for _, t := range []int64{w.plan.planned - 60_000, w.plan.planned - 30_000} {
		if t > 0 {
			return t
		}
	}
	return w.plan.planned
}

func (w *walker) listed(t int64) bool {
	p := w.plan.planned
	return t > 0 && (t == p-60_000 || t == p-30_000 || t >= p && (t-p)%15_000 == 0)
}

func (w *walker) step() {
	for w.used < len(w.events) && w.events[w.used].At <= w.now {
		w.act(w.events[w.used])
		w.setBounds()
		w.used++
	}
	switch w.phase {
	case "hold":
		w.firstLadder()
		w.bringUp()
	case "recovery", "watch":
		w.afterSurfacing()
	case "incident":
		if w.helpDue {
			w.helpDue = false
			w.after = w.reach("alarm", "help")
		}
	}
}

// reach notes a rung as reached now.
func (w *walker) reach(rung, asks string) *oRung {
	r := oRung{Rung: rung, Asks: asks, AtMs: w.now - w.base, Since: w.baseName}
	w.rungs = append(w.rungs, r)
	return &r
}

// act lets one event act. Every rung the walker knows of was reached before this millisecond.
func (w *walker) act(e oEvent) {
	if w.phase == "planned" {
		if e.Kind == "start" {
			w.phase = "hold"
			w.base = e.At
		}
		return
	}
	switch {
	case e.Kind == "incident" && w.phase != "incident":
		w.phase = "incident"
		w.after = nil
		w.helpDue = true
	case w.phase == "hold":
		w.actInHold(e)
	case w.phase == "incident" && e.Kind == "recovered" && e.By == "buddy":
		w.phase = "watch"
		w.base, w.baseName = e.At, "recovered"
		w.after, w.helpDue, w.awakeWanted = nil, false, false
		zero := int64(0)
		w.okAt, w.lastLook = &zero, 0
		w.watchUntil(max(w.plan.watch, 60_000))
	case w.phase == "recovery" || w.phase == "watch":
		w.actAfterSurfacing(e)
	}
}

func (w *walker) status(at int64, next []oRung) oStatus {
	s := oStatus{Phase: w.phase, Boundaries: w.bounds, Next: next}
	if s.Next == nil {
		s.Next = []oRung{}
	}
	if w.phase == "planned" && w.breathe {
		s.Phase = "breathe-up"
	}
	if w.phase == "hold" {
		t := at - *w.startAt
		stage, silence := w.stage(t), t-w.proof
		s.Stage, s.Silence = &stage, &silence
		rank := map[string]int{"prompt": 1, "again": 2, "alarm": 3}
		var top *oRung
		for _, r := range []*oRung{w.prompt, w.again, w.alarm, w.upPrompt, w.upAgain, w.upAlarm} {
			if r != nil && (top == nil || rank[r.Rung] >= rank[top.Rung]) {
				top = r
			}
		}
		if top != nil {
			s.Standing = &oStanding{top.Rung, top.Asks}
		}
	} else if w.after != nil {
		s.Standing = &oStanding{w.after.Rung, w.after.Asks}
	}
	return s
}

// oDecode reads an event for the oracle; the tests only hand it events that are well formed.
func oDecode(raw []byte) (oEvent, error) {
	var e oEvent
	err := json.Unmarshal(raw, &e)
	return e, err
}
