package protocol

import (
	"encoding/json"
	"fmt"
)

// Limits of a plan, in seconds (design of this project; a value outside voids
// the plan, so that a mistyped plan never loosens the checks).
const (
	MinPlannedS = 15
	MaxPlannedS = 900
	MaxEndByS   = 1_200
	MinWatchS   = 30
	MaxWatchS   = 300
	// maxKnownS bounds the diver's own figures: a day is longer than any hold.
	maxKnownS = 86_400
	// maxSeriesNo is the highest place in a series.
	maxSeriesNo = 99
)

// Cadences a plan can ask for.
const (
	CadenceStandard  = "standard"
	CadenceClose     = "close"
	CadenceAnnounced = "announced"
)

// Settings of a hold.
const (
	SettingDry  = "dry"
	SettingPool = "pool"
)

const (
	defaultWatchS = 60
	defaultOKS    = 15
	// noPlanEndMs is the agreed end of a hold that began without a valid plan:
	// planned 0, and 15 s more.
	noPlanEndMs = 15_000
)

// Plan is what the two agreed on, as far as the rules need it. Times are ms.
type Plan struct {
	PlannedMs int64
	EndMs     int64  // agreed end
	OnsetMs   *int64 // usual first contraction, nil if unknown
	LongestMs *int64 // longest clean hold, nil if unknown
	WatchMs   int64
	OKMs      int64  // window for the OK sign
	Cadence   string // one of the three; an unknown or missing one is close
	Dry       bool   // only in setting dry a diver's touch counts

	// What the log needs and no rule of a hold reads.
	Setting          string // dry, pool, or "" where the plan does not say
	Diver, Buddy     string // names, or ""
	DiverID, BuddyID *string
	Series           *string
	SeriesNo         *int64 // counted from 0
}

// noPlan stands where a hold has no valid plan: everything is final at once.
func noPlan() Plan {
	return Plan{EndMs: noPlanEndMs, WatchMs: defaultWatchS * 1000, OKMs: defaultOKS * 1000, Cadence: CadenceClose}
}

// ReadPlan reads the data of a `plan` event and fills in what is missing. A
// value out of its limits gives a *Problem that names it.
func ReadPlan(data json.RawMessage) (Plan, error) {
	fields, err := decodeObject(data)
	if err != nil {
		return Plan{}, refuse("bad-plan", "the plan has no data")
	}
	seconds := func(key string, least, most int64) (*int64, error) {
		raw, present := fields[key]
		if !present || string(raw) == "null" {
			return nil, nil
		}
		s, ok := wholeNumber(raw)
		if !ok || s < least || s > most {
			return nil, refuse("bad-plan", "`%s` of the plan is not a whole number of seconds from %d to %d", key, least, most)
		}
		ms := s * 1000
		return &ms, nil
	}

	planned, err := seconds("planned_s", MinPlannedS, MaxPlannedS)
	if err != nil {
		return Plan{}, err
	}
	if planned == nil {
		return Plan{}, refuse("bad-plan", "the plan has no `planned_s`")
	}
	p := Plan{PlannedMs: *planned, EndMs: *planned + AgreedMarginMs(*planned)}
	if end, err := seconds("end_by_s", *planned/1000, MaxEndByS); err != nil {
		return Plan{}, err
	} else if end != nil {
		p.EndMs = *end
	}
	if p.OnsetMs, err = seconds("onset_s", 0, maxKnownS); err != nil {
		return Plan{}, err
	}
	if p.LongestMs, err = seconds("longest_s", 0, maxKnownS); err != nil {
		return Plan{}, err
	}
	p.WatchMs = defaultWatchS * 1000
	if watch, err := seconds("watch_s", MinWatchS, MaxWatchS); err != nil {
		return Plan{}, err
	} else if watch != nil {
		p.WatchMs = *watch
	}
	p.OKMs = defaultOKS * 1000
	if ok, err := seconds("ok_within_s", 15, 20); err != nil {
		return Plan{}, err
	} else if ok != nil {
		if *ok != 15_000 && *ok != 20_000 {
			return Plan{}, refuse("bad-plan", "`ok_within_s` of the plan is %s; it can be 15 or 20", fmt.Sprint(*ok/1000))
		}
		p.OKMs = *ok
	}
	p.Cadence = CadenceClose
	if cadence, ok := stringValue(fields["cadence"]); ok && (cadence == CadenceStandard || cadence == CadenceAnnounced) {
		p.Cadence = cadence
	}
	if setting, _ := stringValue(fields["setting"]); setting == SettingDry || setting == SettingPool {
		p.Setting = setting
	}
	p.Dry = p.Setting == SettingDry
	p.Diver, _ = stringValue(fields["diver"])
	p.Buddy, _ = stringValue(fields["buddy"])
	p.DiverID, p.BuddyID, p.Series = idValue(fields["diver_id"]), idValue(fields["buddy_id"]), idValue(fields["series"])
	p.SeriesNo = wholeWithin(fields["series_no"], 0, maxSeriesNo)
	return p, nil
}

// AgreedMarginMs is how far the agreed end lies after a planned time in ms,
// unless the plan says otherwise: the larger of 15 s and 10 %, the latter
// rounded down to whole seconds as all figures of a plan are.
func AgreedMarginMs(ms int64) int64 {
	return max(ms/10_000*1000, 15_000)
}
