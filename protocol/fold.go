package protocol

import (
	"encoding/json"
	"slices"
)

// quickDropMs is how long after a press the same device can take it back so
// that the ladder forgets it too.
const quickDropMs = 10_000

// askedHoldsMs is how long after a buddy's tap the diver's own phone answers it.
const askedHoldsMs = 10_000

// maxTookMs is the longest answer time that the log believes: no hold lasts an
// hour. A greater one is a slow answer all the same.
const maxTookMs = 3_600_000

// facts are what the rules read from an event's data. A field of the wrong type
// or outside its limits counts as missing.
type facts struct {
	tookMs    int64 // -1 if missing
	slow      bool  // took_ms is a number that makes the answer slow, whole or not, believed or not
	site      string
	what      string
	target    string
	amendAt   int64 // never if missing
	zeroAt    int64 // never if missing
	signalled bool
	drop      bool
	alarm     bool
}

// readKinds are the kinds that have facts; the data of others is not decoded
// for the fold.
var readKinds = []string{
	KindAnswered, KindContraction, KindSign, KindIncident, KindVerdict, KindAmend, KindBreatheUp, KindSurfaced,
}

func factsOf(e Event) facts {
	f := facts{tookMs: -1, amendAt: never, zeroAt: never}
	if len(e.Data) == 0 || !slices.Contains(readKinds, e.Kind) {
		return f
	}
	var fields map[string]json.RawMessage
	if json.Unmarshal(e.Data, &fields) != nil {
		return f
	}
	word := func(key string) string {
		s, _ := stringValue(fields[key])
		return s
	}
	switch e.Kind {
	case KindAnswered:
		if took, ok := wholeNumber(fields["took_ms"]); ok && took >= 0 && took <= maxTookMs {
			f.tookMs = took
		}
		f.slow = isNumberFrom(fields["took_ms"], slowAnswerMs)
	case KindContraction:
		f.site = word("site")
		f.signalled = string(fields["signalled"]) == "true"
	case KindSign, KindIncident, KindVerdict:
		f.what = word("what")
	case KindSurfaced:
		f.alarm = string(fields["alarm"]) == "true"
	case KindAmend:
		f.target = word("target")
		f.drop = string(fields["drop"]) == "true"
		if at, ok := wholeNumber(fields["at"]); ok {
			f.amendAt = at
		}
	case KindBreatheUp:
		if at, ok := wholeNumber(fields["zero_at"]); ok {
			f.zeroAt = at
		}
	}
	return f
}

// entry is an event with what the rules read from it.
type entry struct {
	Event
	facts
}

// Hold is the set of events of one hold and their fold. The zero value is not
// usable; see NewHold. It is not safe for use by several goroutines at once.
type Hold struct {
	ID      string
	entries []*entry // in (at, id) order unless dirty; none is changed once it is there
	byID    map[string]*entry
	drops   map[string][]quickDrop // by target: what may take a mis-press back
	dirty   bool                   // entries must be sorted and folded anew
	state   state                  // fold of all entries, unless dirty
}

// quickDrop takes a press back; it counts for presses of the same device only.
type quickDrop struct {
	device string
	at     int64
}

// TakesBack tells whether an amendment takes its target out of the fold, as a
// mis-press.
func TakesBack(amend, target Event) bool {
	facts := factsOf(amend)
	device := DeviceOf(amend.ID)
	return amend.Kind == KindAmend && facts.drop && facts.target == target.ID &&
		amend.At <= target.At+quickDropMs && device != "" && device == DeviceOf(target.ID)
}

// NewHold gives a hold without events.
func NewHold(id string) *Hold {
	return &Hold{ID: id, byID: map[string]*entry{}, drops: map[string][]quickDrop{}, state: newState(noPlan(), never)}
}

// Add puts an event into the hold, in whatever order it arrives. added is false
// where the id was there already; conflict tells that its content was another.
// The hold then keeps the first.
func (h *Hold) Add(e Event) (added, conflict bool) {
	if old, there := h.byID[e.ID]; there {
		return false, !SameContent(old.Event, e)
	}
	en := &entry{e, factsOf(e)}
	h.byID[e.ID] = en
	if !h.dirty && (h.foldsAnew(en) || len(h.entries) == 0 || Compare(h.entries[len(h.entries)-1].Event, e) > 0) {
		h.dirty = true
	}
	h.entries = append(h.entries, en)
	if e.Kind == KindAmend && en.drop {
		if device := DeviceOf(e.ID); device != "" {
			h.drops[en.target] = append(h.drops[en.target], quickDrop{device, e.At})
		}
	}
	if !h.dirty {
		h.state.apply(en)
	}
	return true, false
}

// foldsAnew tells whether an event can change what came before it.
func (h *Hold) foldsAnew(e *entry) bool {
	switch e.Kind {
	case KindPlan, KindStart, KindBreatheUp:
		return true
	case KindAmend:
		return e.drop
	}
	return h.droppedAt(e, never)
}

// droppedAt tells whether at time T the event was taken back as a mis-press.
func (h *Hold) droppedAt(e *entry, t int64) bool {
	if e.Kind == KindAmend {
		return false
	}
	for _, d := range h.drops[e.ID] {
		if d.at <= t && d.at <= e.At+quickDropMs && d.device == DeviceOf(e.ID) {
			return true
		}
	}
	return false
}

// Events gives the hold's events in (at, id) order.
func (h *Hold) Events() []Event {
	h.settle()
	events := make([]Event, len(h.entries))
	for i, en := range h.entries {
		events[i] = en.Event
	}
	return events
}

// LastAt gives the time of the hold's last event of any kind, or false where
// there is none.
func (h *Hold) LastAt() (int64, bool) {
	h.settle()
	if len(h.entries) == 0 {
		return 0, false
	}
	return h.entries[len(h.entries)-1].At, true
}

// settle sorts and folds what was added out of order.
func (h *Hold) settle() {
	if !h.dirty {
		return
	}
	slices.SortStableFunc(h.entries, func(a, b *entry) int { return Compare(a.Event, b.Event) })
	h.state = h.foldUntil(never)
	h.dirty = false
}

// stateAt gives the fold of what had happened by T, as a copy to go on with.
func (h *Hold) stateAt(t int64) state {
	h.settle()
	if n := len(h.entries); n > 0 && h.entries[n-1].At > t {
		return h.foldUntil(t)
	}
	s := h.state
	s.rungs, s.met = slices.Clip(s.rungs), slices.Clip(s.met)
	return s
}

// foldUntil folds the events up to T; a start counts wherever it lies. The
// entries must be in order.
func (h *Hold) foldUntil(t int64) state {
	startAt := never
	first := len(h.entries)
	for i, en := range h.entries {
		if en.Kind == KindStart && !h.droppedAt(en, t) {
			startAt, first = en.At, i
			break
		}
	}
	plan := noPlan()
	zeroAt := never
	breatheUp := false
	for _, en := range h.entries {
		if en.At > min(t, startAt) {
			break
		}
		if h.droppedAt(en, t) {
			continue
		}
		switch {
		case en.Kind == KindPlan && (en.By == RoleBuddy || en.By == RoleInstructor):
			if p, err := ReadPlan(en.Data); err == nil {
				plan = p
			}
		case en.Kind == KindBreatheUp:
			breatheUp, zeroAt = true, en.zeroAt
		}
	}
	s := newState(plan, startAt)
	s.breatheUp, s.zeroAt = breatheUp, zeroAt
	if first == len(h.entries) {
		return s
	}
	for _, en := range h.entries[first+1:] {
		if en.At > t {
			break
		}
		if !h.droppedAt(en, t) {
			s.apply(en)
		}
	}
	return s
}
