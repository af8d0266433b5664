package protocol

// What is asked about before a reading is kept (own): values that are rare in a
// hold at rest, and leaps from the reading before that no finger shows within
// ten seconds. A typing slip is likelier.
const (
	unlikelySpO2Below, unlikelySpO2Leap = 50, 20
	unlikelyHRBelow, unlikelyHRAbove    = 30, 180
	unlikelyHRLeap                      = 60
	unlikelyWithinMs                    = 10_000
)

// Reading is an oximeter reading as typed; nil is an empty field. At is in any
// ms that two readings count in.
type Reading struct {
	SpO2      *int64 `json:"spo2"` // percent
	HeartRate *int64 `json:"hr"`   // beats a minute
	At        int64  `json:"at"`
}

// Doubt is what is wrong or unlikely about a field (spo2 or hr) of a reading:
// impossible, low, high, or leap.
type Doubt struct {
	Field string `json:"field"`
	Code  string `json:"code"`
}

// Judgement of a typed reading: what is refused is not kept, what is asked
// about only if a person says so.
type Judgement struct {
	Refused []Doubt `json:"refused"`
	Ask     []Doubt `json:"ask"`
}

// JudgeReading judges a typed reading against its limits and against the one
// before it, which may be nil.
func JudgeReading(r Reading, previous *Reading) Judgement {
	j := Judgement{[]Doubt{}, []Doubt{}}
	var before Reading
	if previous != nil && abs(r.At-previous.At) <= unlikelyWithinMs {
		before = *previous
	}
	j.judge("spo2", r.SpO2, before.SpO2, limits{MinSpO2, MaxSpO2, unlikelySpO2Below, MaxSpO2, unlikelySpO2Leap})
	j.judge("hr", r.HeartRate, before.HeartRate, limits{MinHeartRate, MaxHeartRate, unlikelyHRBelow, unlikelyHRAbove, unlikelyHRLeap})
	return j
}

type limits struct{ least, most, below, above, leap int64 }

func (j *Judgement) judge(field string, value, before *int64, l limits) {
	if value == nil {
		return
	}
	if *value < l.least || *value > l.most {
		j.Refused = append(j.Refused, Doubt{field, "impossible"})
		return
	}
	if *value < l.below {
		j.Ask = append(j.Ask, Doubt{field, "low"})
	}
	if *value > l.above {
		j.Ask = append(j.Ask, Doubt{field, "high"})
	}
	if before != nil && abs(*value-*before) > l.leap {
		j.Ask = append(j.Ask, Doubt{field, "leap"})
	}
}
