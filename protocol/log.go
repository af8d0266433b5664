package protocol

import (
	"cmp"
	"encoding/json"
	"slices"
)

const (
	// LogVersion is the version of the shape of a LogHold: kept ones of another
	// are made anew.
	LogVersion = 1
	// misPressMs is within how long another verdict makes the one before a mis-press.
	misPressMs      = 10_000
	maxTrainingDays = 60
)

// gravity orders incidents from light to grave.
var gravity = []string{"unknown", "lmc", "blackout"}

// LogHold is a hold as one line of the log: flat and small, so that what is
// said over thousands of holds never folds them again. Times in `_ms` are since
// the start or, after surfacing, since surfacing, as in the Summary; times in
// `_at` are shared ms.
type LogHold struct {
	V                    int      `json:"v"`
	Hold                 string   `json:"hold"`
	Events               int      `json:"events"` // how many it was made from
	StartAt              int64    `json:"start_at"`
	Day                  int64    `json:"day"`
	DayEndAt             int64    `json:"day_end_at"`
	EndAt                *int64   `json:"end_at"` // surfaced, or an incident ended without that
	Over                 bool     `json:"over"`
	Setting              *string  `json:"setting"`
	Diver                string   `json:"diver"`
	DiverKey             string   `json:"diver_key"`
	DiverID              *string  `json:"diver_id"`
	Buddy                string   `json:"buddy"`
	BuddyKey             string   `json:"buddy_key"`
	BuddyID              *string  `json:"buddy_id"`
	Series               *string  `json:"series"`
	SeriesNo             *int64   `json:"series_no"`
	PlannedS             *int64   `json:"planned_s"`
	EndByS               *int64   `json:"end_by_s"`
	LongestS             *int64   `json:"longest_s"`
	HoldMs               *int64   `json:"hold_ms"`
	FirstContractionMs   *int64   `json:"first_contraction_ms"`
	FirstContractionSite *string  `json:"first_contraction_site"`
	EasyPermille         *int64   `json:"easy_permille"`
	Answers              int      `json:"answers"`
	AnswerMedianMs       *int64   `json:"answer_median_ms"`
	AnswerSlowestMs      *int64   `json:"answer_slowest_ms"`
	OKMs                 *int64   `json:"ok_ms"`
	SpO2Lowest           *int64   `json:"spo2_lowest"`
	SpO2LowestMs         *int64   `json:"spo2_lowest_ms"`
	HeartRateLowest      *int64   `json:"hr_lowest"`
	HeartRateLowestMs    *int64   `json:"hr_lowest_ms"`
	BackTo95Ms           *int64   `json:"back_to_95_ms"`
	Clean                bool     `json:"clean"`
	Verdict              *string  `json:"verdict"`
	PassedOut            bool     `json:"passed_out"`  // it was said and stood longer than a mis-press does, whatever was said later
	Incident             *string  `json:"incident"`    // the gravest that was named
	IncidentAt           *int64   `json:"incident_at"` // when one was named last
	Conditions           []string `json:"conditions"`
	Felt                 []string `json:"felt"`
	TrainingDays         *int64   `json:"training_days"`
}

// DiverIn is who dived.
func (h *LogHold) DiverIn() Person { return Person{h.DiverID, h.DiverKey} }

// HoldsOfDiver gives one diver's holds, oldest first.
func HoldsOfDiver(log []LogHold, diver Person) []LogHold {
	own := []LogHold{}
	for _, h := range log {
		if h.DiverIn().Same(diver) {
			own = append(own, h)
		}
	}
	slices.SortStableFunc(own, func(a, b LogHold) int { return cmp.Compare(a.StartAt, b.StartAt) })
	return own
}

// LogHoldOf makes the line of a hold as known at T (shared Unix ms), or nil
// where it has not begun.
func LogHoldOf(h *Hold, t int64, where Locale) *LogHold {
	s := h.stateAt(t)
	if !s.started() || s.startAt > t {
		return nil
	}
	sum := Summarize(h, t)
	notes := newHoldLog(h, t).notes()
	status := h.StatusAt(t)
	out := &LogHold{
		V: LogVersion, Hold: h.ID, Events: len(h.entries),
		StartAt: s.startAt, Day: where.DayOf(s.startAt), DayEndAt: where.DayEnd(s.startAt),
		EndAt: status.SurfacedAt, Over: status.Phase == Over,
		DiverKey: where.NameKey(""), BuddyKey: where.NameKey(""),
		HoldMs: sum.HoldMs, FirstContractionMs: sum.FirstContractionMs, FirstContractionSite: sum.FirstContractionSite,
		EasyPermille: sum.EasyPermille, Answers: len(sum.Answers),
		AnswerMedianMs: sum.AnswerMedianMs, AnswerSlowestMs: sum.AnswerSlowestMs, OKMs: sum.OKMs,
		SpO2Lowest: sum.SpO2Lowest, SpO2LowestMs: sum.SpO2LowestMs,
		HeartRateLowest: sum.HeartRateLowest, HeartRateLowestMs: sum.HeartRateLowestMs, BackTo95Ms: sum.BackTo95Ms,
		Clean: sum.Clean, Verdict: sum.Verdict, PassedOut: h.saidPassedOut(t),
		Conditions: notes.conditions, Felt: notes.felt, TrainingDays: notes.trainingDays,
	}
	if out.EndAt == nil && s.recovered && s.after {
		out.EndAt = &s.watching.base
	}
	if p := s.plan; p.PlannedMs > 0 { // no valid plan has planned time 0
		planned, end := p.PlannedMs/1000, p.EndMs/1000
		out.PlannedS, out.EndByS = &planned, &end
		if p.LongestMs != nil {
			longest := *p.LongestMs / 1000
			out.LongestS = &longest
		}
		if p.Setting != "" {
			out.Setting = &p.Setting
		}
		out.Diver, out.DiverKey, out.DiverID = p.Diver, where.NameKey(p.Diver), p.DiverID
		out.Buddy, out.BuddyKey, out.BuddyID = p.Buddy, where.NameKey(p.Buddy), p.BuddyID
		out.Series, out.SeriesNo = p.Series, p.SeriesNo
	}
	out.Incident, out.IncidentAt = h.gravest(s.startAt, sum.Incident, t)
	return out
}

// gravest gives the gravest incident anybody named, or the one that began by
// itself. What an amendment says later does not count here: only an instructor
// lifts a block.
func (h *Hold) gravest(startAt int64, summed *string, t int64) (what *string, at *int64) {
	worst := -1
	if summed != nil {
		worst = slices.Index(gravity, *summed)
	}
	for _, en := range h.entries {
		if en.Kind == KindIncident && en.At >= startAt && en.At <= t && !h.droppedAt(en, t) {
			worst = max(worst, slices.Index(gravity, en.what), 0)
			when := en.At
			at = &when
		}
	}
	if worst >= 0 {
		what = &gravity[worst]
	}
	return what, at
}

// saidPassedOut tells whether "passed out" was said and stood longer than a
// mis-press does.
func (h *Hold) saidPassedOut(t int64) bool {
	var said []*entry
	for _, en := range h.entries {
		if en.Kind == KindVerdict && en.At <= t && !h.droppedAt(en, t) {
			said = append(said, en)
		}
	}
	for i, en := range said {
		if en.what == "passed-out" && !(i+1 < len(said) && said[i+1].At-en.At <= misPressMs) {
			return true
		}
	}
	return false
}

// holdNotes is what was said about a hold: of each of diver and buddy the
// newest note counts; an instructor's word that lifts a block is none.
type holdNotes struct {
	diver, buddy     *entry
	diverData, other map[string]json.RawMessage
	conditions, felt []string
	trainingDays     *int64
}

func (l holdLog) notes() holdNotes {
	n := holdNotes{conditions: []string{}}
	for i := range l.entries {
		en := &l.entries[i]
		fields, err := decodeObject(en.Data)
		if en.Kind != KindNote || err != nil {
			continue
		}
		if _, lifts := fields["lifts"]; lifts {
			continue
		}
		if about, _ := stringValue(fields["about"]); about == RoleBuddy {
			n.buddy, n.other = en, fields
		} else {
			n.diver, n.diverData = en, fields
		}
	}
	for _, word := range append(wordsValue(n.diverData["conditions"]), wordsValue(n.other["conditions"])...) {
		if !slices.Contains(n.conditions, word) {
			n.conditions = append(n.conditions, word)
		}
	}
	n.felt = wordsValue(n.diverData["felt"])
	n.trainingDays = wholeWithin(n.diverData["training_days"], 0, maxTrainingDays)
	return n
}
