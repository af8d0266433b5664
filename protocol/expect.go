package protocol

const (
	usualHolds = 20 // a usual figure is taken from so many of the newest clean holds
	leastHolds = 3  // with fewer it is not known
)

// Figure is what the log lets one expect. Value is nil where it is not known;
// a quarter of the holds are no greater than Low, three quarters no greater
// than High.
type Figure struct {
	Value   *int64  `json:"value"`
	Low     *int64  `json:"low"`
	High    *int64  `json:"high"`
	Count   int     `json:"count"` // the holds it comes from, also where these are too few
	From    string  `json:"from"`  // log or unknown
	Setting *string `json:"setting"`
	Hold    *string `json:"hold"` // of the longest
	StartAt *int64  `json:"start_at"`
}

// Expectations of a diver's next hold. Times are ms.
type Expectations struct {
	Onset           Figure  `json:"onset"`
	Longest         Figure  `json:"longest"` // a fact from the first one on
	Answer          Figure  `json:"answer"`  // the median of the holds' medians
	OK              Figure  `json:"ok"`      // since surfacing
	SpO2Lowest      Figure  `json:"spo2_lowest"`
	HeartRateLowest Figure  `json:"hr_lowest"`
	Recovery        Figure  `json:"recovery"` // since surfacing, to 95 %
	Cadence         *string `json:"cadence"`  // close where too little is known or the last hold was in trouble
}

// ExpectationsOf tells what to expect from one diver's holds, oldest first, in
// the setting of the hold to come, which may be nil.
func ExpectationsOf(log []LogHold, setting *string) Expectations {
	var clean, here []LogHold
	for _, h := range log {
		if h.Clean {
			clean = append(clean, h)
			if equalText(h.Setting, setting) {
				here = append(here, h)
			}
		}
	}
	usual := func(field func(*LogHold) *int64) Figure {
		var values []int64
		for i := range here {
			if v := field(&here[i]); v != nil {
				values = append(values, *v)
			}
		}
		values = values[max(0, len(values)-usualHolds):]
		f := Figure{Count: len(values), From: "unknown", Setting: setting}
		if len(values) >= leastHolds {
			f.Value, f.Low, f.High, f.From = medianOr(values), quarter(values, 1), quarter(values, 3), "log"
		}
		return f
	}
	e := Expectations{
		Onset:           usual(func(h *LogHold) *int64 { return h.FirstContractionMs }),
		Longest:         longestOf(clean, setting),
		Answer:          usual(func(h *LogHold) *int64 { return h.AnswerMedianMs }),
		OK:              usual(func(h *LogHold) *int64 { return h.OKMs }),
		SpO2Lowest:      usual(func(h *LogHold) *int64 { return h.SpO2Lowest }),
		HeartRateLowest: usual(func(h *LogHold) *int64 { return h.HeartRateLowest }),
		Recovery:        usual(func(h *LogHold) *int64 { return h.BackTo95Ms }),
	}
	if len(here) < leastHolds || log[len(log)-1].inTrouble() {
		cadence := CadenceClose
		e.Cadence = &cadence
	}
	return e
}

// longestOf gives the longest clean hold in the setting, or of all where that
// has none; the first of equal ones.
func longestOf(clean []LogHold, setting *string) Figure {
	var best, bestHere *LogHold
	all, here := 0, 0
	for i := range clean {
		h := &clean[i]
		if h.HoldMs == nil {
			continue
		}
		all++
		if best == nil || *h.HoldMs > *best.HoldMs {
			best = h
		}
		if equalText(h.Setting, setting) {
			here++
			if bestHere == nil || *h.HoldMs > *bestHere.HoldMs {
				bestHere = h
			}
		}
	}
	count := all
	if here > 0 {
		best, count = bestHere, here
	}
	if best == nil {
		return Figure{From: "unknown", Setting: setting}
	}
	f := Figure{Value: best.HoldMs, Count: count, From: "log", Setting: best.Setting, Hold: &best.Hold, StartAt: &best.StartAt}
	if f.Setting == nil {
		f.Setting = setting
	}
	return f
}

func (h *LogHold) inTrouble() bool {
	return h.Incident != nil || h.PassedOut || h.Verdict != nil && (*h.Verdict == "shaky" || *h.Verdict == "passed-out")
}

func equalText(a, b *string) bool {
	return a == nil && b == nil || a != nil && b != nil && *a == *b
}
