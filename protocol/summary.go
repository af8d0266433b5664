package protocol

import (
	"encoding/json"
	"slices"
)

// Limits of an oximeter reading; others count as missing.
const (
	MinSpO2, MaxSpO2           = 30, 100
	MinHeartRate, MaxHeartRate = 20, 250
)

// rateBinMs is the width of a bar of the contraction rate. The bars end at an
// hour, longer than any agreed end, so that a wrong time never makes millions.
const (
	rateBinMs   = 30_000
	rateUntilMs = 3_600_000
)

// trendAnswers is how many of the newest answers the trend is drawn through;
// its cost grows with the square.
const trendAnswers = 500

// Answer is one `answered` of the hold.
type Answer struct {
	AtMs   int64   `json:"at_ms"`
	TookMs *int64  `json:"took_ms"`
	After  *string `json:"after"` // the highest rung standing when it came, or null
}

// RateBin counts the contractions in [from, to), ms since the start.
type RateBin struct {
	FromMs int64 `json:"from_ms"`
	ToMs   int64 `json:"to_ms"`
	Count  int64 `json:"count"`
}

// SignMark is a warning sign, ms since the start.
type SignMark struct {
	What string `json:"what"`
	AtMs int64  `json:"at_ms"`
}

// RungCounts counts the rungs that were reached.
type RungCounts struct {
	Prompt int64 `json:"prompt"`
	Again  int64 `json:"again"`
	Alarm  int64 `json:"alarm"`
}

// Summary is a hold in numbers, as its log tells it: amendments count, unlike
// in the ladder. Times are whole ms since the start unless they say otherwise,
// shares are in tenths of a percent, and nil is unknown.
type Summary struct {
	HoldMs               *int64     `json:"hold_ms"`
	FirstContractionMs   *int64     `json:"first_contraction_ms"`
	FirstContractionSite *string    `json:"first_contraction_site"`
	EasyMs               *int64     `json:"easy_ms"`     // start to first contraction
	StruggleMs           *int64     `json:"struggle_ms"` // first contraction to surfacing
	EasyPermille         *int64     `json:"easy_permille"`
	StrugglePermille     *int64     `json:"struggle_permille"`
	Contractions         int64      `json:"contractions"`
	ContractionRates     []RateBin  `json:"contraction_rates"`
	Answers              []Answer   `json:"answers"`
	AnswerMedianMs       *int64     `json:"answer_median_ms"`
	AnswerSlowestMs      *int64     `json:"answer_slowest_ms"`
	AnswerTrendMsPerMin  *int64     `json:"answer_trend_ms_per_min"` // Theil-Sen
	LongestSilenceMs     *int64     `json:"longest_silence_ms"`
	RungsReached         RungCounts `json:"rungs_reached"`
	RungsMissed          int64      `json:"rungs_missed"` // prompts that nobody met before *again* or the alarm
	OKMs                 *int64     `json:"ok_ms"`        // since surfacing
	SpO2Lowest           *int64     `json:"spo2_lowest"`
	SpO2LowestMs         *int64     `json:"spo2_lowest_ms"` // relative to surfacing
	HeartRateLowest      *int64     `json:"hr_lowest"`
	HeartRateLowestMs    *int64     `json:"hr_lowest_ms"`  // relative to surfacing
	BackTo95Ms           *int64     `json:"back_to_95_ms"` // since surfacing
	Signs                []SignMark `json:"signs"`
	Incident             *string    `json:"incident"`
	Verdict              *string    `json:"verdict"`
	ForcedEnd            bool       `json:"forced_end"`
	Clean                bool       `json:"clean"` // said to be clean, without an incident, with the OK in time
}

// Summarize tells what a hold looked like, as known at T (shared Unix ms).
func Summarize(h *Hold, t int64) Summary {
	s := h.stateAt(t)
	s.advance(t + 1)
	sum := Summary{ContractionRates: []RateBin{}, Answers: []Answer{}, Signs: []SignMark{}, ForcedEnd: s.forcedEnd}
	countRungs(&sum, s.rungs)
	log := newHoldLog(h, t)
	sum.Verdict = log.verdict()
	sum.Incident = log.incident(&s)
	if !log.started {
		return sum
	}
	sum.HoldMs = log.sinceStart(log.endedAt)
	log.contractions(&sum)
	log.answers(&sum, s.met)
	log.signs(&sum)
	sum.LongestSilenceMs = s.longestSilence(t)
	log.afterSurfacing(&sum)
	sum.Clean = sum.Verdict != nil && *sum.Verdict == "clean" && sum.Incident == nil &&
		sum.OKMs != nil && *sum.OKMs <= s.plan.OKMs
	return sum
}

// countRungs counts what was reached, and the prompts that nobody met in time.
// A hold has two ladders at once, so a missed prompt is told by what it asked.
func countRungs(sum *Summary, rungs []Rung) {
	openPrompt := map[bool]bool{} // by whether it called the diver up
	for _, r := range rungs {
		up := r.Asks == AsksUp
		switch r.Rung {
		case "prompt":
			sum.RungsReached.Prompt++
			openPrompt[up] = true
			continue
		case "again":
			sum.RungsReached.Again++
		case "alarm":
			sum.RungsReached.Alarm++
		}
		if openPrompt[up] && r.Asks != AsksHelp {
			sum.RungsMissed++
			openPrompt[up] = false
		}
	}
}

// holdLog is a hold's events as amended, in order.
type holdLog struct {
	entries  []entry
	started  bool
	startAt  int64
	endedAt  int64 // absolute time of surfacing (or of `recovered`, where that came without), or never
	surfaced int64 // absolute, or never
}

func newHoldLog(h *Hold, t int64) holdLog {
	last := map[string]*entry{}
	for _, en := range h.entries {
		if en.Kind == KindAmend && en.At <= t {
			last[en.target] = en
		}
	}
	l := holdLog{startAt: never, endedAt: never, surfaced: never}
	for _, original := range h.entries {
		en := *original
		if en.Kind == KindAmend || (en.At > t && en.Kind != KindStart) || h.droppedAt(original, t) {
			continue
		}
		if amend, there := last[en.ID]; there {
			if amend.drop {
				continue
			}
			if amend.amendAt != never {
				en.At = amend.amendAt
			}
		}
		l.entries = append(l.entries, en)
	}
	slices.SortStableFunc(l.entries, func(a, b entry) int { return Compare(a.Event, b.Event) })
	incident := false
	for _, en := range l.entries {
		switch {
		case en.Kind == KindStart && !l.started:
			l.started, l.startAt = true, en.At
		case l.started && en.Kind == KindIncident:
			incident = true
		case !l.started || en.By != RoleBuddy:
		case en.Kind == KindSurfaced && l.surfaced == never:
			l.surfaced = en.At
			l.endedAt = min(l.endedAt, en.At)
		case en.Kind == KindRecovered && incident && l.surfaced == never:
			l.endedAt = min(l.endedAt, en.At)
		}
	}
	return l
}

func (l holdLog) sinceStart(at int64) *int64 {
	if at == never {
		return nil
	}
	ms := at - l.startAt
	return &ms
}

// inHold visits the events between the start and surfacing, with their ms since
// the start.
func (l holdLog) inHold(visit func(e entry, ms int64)) {
	for _, en := range l.entries {
		if en.At >= l.startAt && en.At <= l.endedAt {
			visit(en, en.At-l.startAt)
		}
	}
}

func (l holdLog) contractions(sum *Summary) {
	var times []int64
	l.inHold(func(e entry, ms int64) {
		if e.Kind != KindContraction || (e.signalled && e.By != RoleBuddy && e.By != RoleDiver) {
			return
		}
		if len(times) == 0 {
			first, site := ms, e.site
			sum.FirstContractionMs = &first
			if site == "belly" || site == "chest" || site == "throat" {
				sum.FirstContractionSite = &site
			}
		}
		times = append(times, ms)
	})
	sum.Contractions = int64(len(times))
	if sum.HoldMs == nil || len(times) == 0 {
		return
	}
	hold, easy := *sum.HoldMs, times[0]
	struggle := hold - easy
	sum.EasyMs, sum.StruggleMs = &easy, &struggle
	if hold > 0 {
		easyShare := (easy*2000 + hold) / (2 * hold)
		struggleShare := 1000 - easyShare
		sum.EasyPermille, sum.StrugglePermille = &easyShare, &struggleShare
	}
	for from := easy / rateBinMs * rateBinMs; from < min(hold, rateUntilMs); from += rateBinMs {
		bin := RateBin{FromMs: from, ToMs: min(from+rateBinMs, hold)}
		for _, ms := range times {
			if ms >= bin.FromMs && (ms < bin.ToMs || ms == hold && bin.ToMs == hold) {
				bin.Count++
			}
		}
		sum.ContractionRates = append(sum.ContractionRates, bin)
	}
}

func (l holdLog) answers(sum *Summary, met []metRung) {
	after := map[string]string{}
	for _, m := range met {
		after[m.id] = m.rung.String()
	}
	var at, took []int64
	l.inHold(func(e entry, ms int64) {
		if e.Kind != KindAnswered || (e.By != RoleBuddy && e.By != RoleDiver) {
			return
		}
		a := Answer{AtMs: ms}
		if rung, there := after[e.ID]; there {
			a.After = &rung
		}
		if e.tookMs >= 0 {
			tookMs := e.tookMs
			a.TookMs = &tookMs
			at, took = append(at, ms), append(took, tookMs)
		}
		sum.Answers = append(sum.Answers, a)
	})
	if len(took) == 0 {
		return
	}
	slowest := slices.Max(took)
	sum.AnswerSlowestMs = &slowest
	median := medianOf(took)
	sum.AnswerMedianMs = &median
	from := max(0, len(took)-trendAnswers)
	sum.AnswerTrendMsPerMin = theilSenPerMinute(at[from:], took[from:])
}

func (l holdLog) signs(sum *Summary) {
	l.inHold(func(e entry, ms int64) {
		switch e.what {
		case "tense", "blue", "shaking", "air", "limp":
			if e.Kind == KindSign {
				sum.Signs = append(sum.Signs, SignMark{e.what, ms})
			}
		}
	})
}

// longestSilence gives the longest time without proof in the hold up to T, as
// the ladder saw it.
func (s *state) longestSilence(t int64) *int64 {
	if !s.started() || t < s.startAt {
		return nil
	}
	longest := s.longestSilenceMs
	if s.phase() == Holding {
		longest = max(longest, t-s.startAt-s.silence.proof)
	}
	return &longest
}

func (l holdLog) verdict() *string {
	var said *string
	for _, en := range l.entries {
		if en.Kind == KindVerdict && (en.what == "clean" || en.what == "shaky" || en.what == "passed-out") {
			what := en.what
			said = &what
		}
	}
	return said
}

// incident gives the last word on the hold's incident, one begun by itself
// when nobody said awake among them.
func (l holdLog) incident(s *state) *string {
	var what *string
	if s.awakeMissed {
		unknown := "unknown"
		what = &unknown
	}
	for _, en := range l.entries {
		if en.Kind == KindIncident && l.started && en.At >= l.startAt {
			said := incidentWhat(en.what)
			what = &said
		}
	}
	return what
}

// afterSurfacing reads the OK sign and the oximeter.
func (l holdLog) afterSurfacing(sum *Summary) {
	if l.surfaced != never {
		for _, en := range l.entries {
			if en.Kind == KindOK && en.By == RoleBuddy && en.At >= l.surfaced {
				ms := en.At - l.surfaced
				sum.OKMs = &ms
				break
			}
		}
	}
	dipped := false
	for _, en := range l.entries {
		if en.Kind != KindReading || en.At < l.startAt {
			continue
		}
		spo2, hr := readingOf(en)
		rel := (*int64)(nil)
		if l.surfaced != never {
			ms := en.At - l.surfaced
			rel = &ms
		}
		if spo2 >= 0 && (sum.SpO2Lowest == nil || spo2 < *sum.SpO2Lowest) {
			sum.SpO2Lowest, sum.SpO2LowestMs = &spo2, rel
		}
		if hr >= 0 && (sum.HeartRateLowest == nil || hr < *sum.HeartRateLowest) {
			sum.HeartRateLowest, sum.HeartRateLowestMs = &hr, rel
		}
		if spo2 < 0 || rel == nil {
			continue
		}
		// Finger readings lag, so the lowest value may come well after the first breath:
		// the time back counts to the first reading of 95 % after the last lower one began.
		switch {
		case spo2 < 95:
			dipped = true
			sum.BackTo95Ms = nil
		case dipped && *rel >= 0 && sum.BackTo95Ms == nil:
			sum.BackTo95Ms = rel
		}
	}
}

// readingOf gives a reading's values in percent and beats a minute, -1 where
// one is missing or impossible.
func readingOf(e entry) (spo2, hr int64) {
	var fields map[string]json.RawMessage
	if json.Unmarshal(e.Data, &fields) != nil {
		return -1, -1
	}
	value := func(key string, least, most int64) int64 {
		if v, ok := wholeNumber(fields[key]); ok && v >= least && v <= most {
			return v
		}
		return -1
	}
	return value("spo2", MinSpO2, MaxSpO2), value("hr", MinHeartRate, MaxHeartRate)
}

// medianOf gives the median; of an even count, the mean of the middle two
// rounded down.
func medianOf(values []int64) int64 {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	return floorDiv(sorted[n/2-1]+sorted[n/2], 2)
}

// theilSenPerMinute gives the median slope of all pairs of points, in whole
// units a minute rounded down; nil for fewer than three points or one instant.
func theilSenPerMinute(atMs, values []int64) *int64 {
	if len(values) < 3 {
		return nil
	}
	var slopes []int64
	for i := range values {
		for j := i + 1; j < len(values); j++ {
			if dt := atMs[j] - atMs[i]; dt > 0 {
				slopes = append(slopes, floorDiv((values[j]-values[i])*60_000, dt))
			}
		}
	}
	if len(slopes) == 0 {
		return nil
	}
	slope := medianOf(slopes)
	return &slope
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}
