package protocol

import (
	"encoding/json"
	"slices"
)

// Limits of a series; a value outside voids it.
const (
	maxSteps = 20
	maxRestS = 3_600
)

// Step is a hold of a series and the rest after it, whole seconds.
type Step struct {
	PlannedS int64 `json:"planned_s"`
	RestS    int64 `json:"rest_s"`
}

// Series is several holds with rests between them. It is a proposal; each of
// its holds is a hold like any other.
type Series struct {
	ID       string  `json:"series"`
	Diver    string  `json:"diver"`
	DiverID  *string `json:"diver_id"`
	Buddy    string  `json:"buddy"`
	BuddyID  *string `json:"buddy_id"`
	Setting  *string `json:"setting"`
	Steps    []Step  `json:"steps"`
	Ended    bool    `json:"ended"`    // by a person
	EndedAt  *int64  `json:"ended_at"` // shared time, Unix ms
	DiverKey string  `json:"diver_key"`
}

// stepsValue reads the steps of a series, nil where one is missing or out of
// its limits.
func stepsValue(raw json.RawMessage) []Step {
	var values []json.RawMessage
	if json.Unmarshal(raw, &values) != nil || len(values) == 0 || len(values) > maxSteps {
		return nil
	}
	steps := make([]Step, len(values))
	for i, v := range values {
		fields, err := decodeObject(v)
		if err != nil {
			return nil
		}
		planned, rest := wholeWithin(fields["planned_s"], MinPlannedS, MaxPlannedS), wholeWithin(fields["rest_s"], 0, maxRestS)
		if planned == nil || rest == nil {
			return nil
		}
		steps[i] = Step{*planned, *rest}
	}
	return steps
}

// SeriesOf gives the series among events: of each id the newest that has valid
// steps, sent by buddy or instructor; one ended by anybody stays ended. They
// come in the order of their first event.
func SeriesOf(events []Event, where Locale) []Series {
	found := []Series{}
	ended := map[string]int64{}
	for _, e := range slices.SortedFunc(slices.Values(events), Compare) {
		if e.Kind != KindSeries {
			continue
		}
		fields, err := decodeObject(e.Data)
		if err != nil {
			continue
		}
		id := idValue(fields["series"])
		if id == nil {
			continue
		}
		if _, there := ended[*id]; !there && string(fields["ended"]) == "true" {
			ended[*id] = e.At
		}
		steps := stepsValue(fields["steps"])
		if steps == nil || e.By != RoleBuddy && e.By != RoleInstructor {
			continue
		}
		s := Series{ID: *id, Steps: steps, DiverID: idValue(fields["diver_id"]), BuddyID: idValue(fields["buddy_id"])}
		s.Diver, _ = stringValue(fields["diver"])
		s.Buddy, _ = stringValue(fields["buddy"])
		s.DiverKey = where.NameKey(s.Diver)
		if setting, _ := stringValue(fields["setting"]); setting == SettingDry || setting == SettingPool {
			s.Setting = &setting
		}
		if i := slices.IndexFunc(found, func(f Series) bool { return f.ID == *id }); i >= 0 {
			found[i] = s
		} else {
			found = append(found, s)
		}
	}
	for i := range found {
		if at, there := ended[found[i].ID]; there {
			found[i].Ended, found[i].EndedAt = true, &at
		}
	}
	return found
}

// SeriesNow is where a series stands.
type SeriesNow struct {
	State       string  `json:"state"` // ready, holding, resting, ended, done
	Next        *int64  `json:"next"`  // which step is next, or is being held; nil where none is
	RestUntilAt *int64  `json:"rest_until_at"`
	RestLeftMs  int64   `json:"rest_left_ms"`
	EndedBy     *string `json:"ended_by"` // person or incident
}

// SeriesAt tells where a series stands at `nowMs`. The rest counts from
// surfacing, and its clock runs while the diver is watched. An incident or
// *passed out* in one of its holds ends it; nothing begins it again.
func SeriesAt(s Series, log []LogHold, nowMs int64) SeriesNow {
	ended := func(by string) SeriesNow { return SeriesNow{State: "ended", EndedBy: &by} }
	at := func(state string, step int64) SeriesNow { return SeriesNow{State: state, Next: &step} }
	var last *LogHold
	count := int64(0)
	for i := range log {
		h := &log[i]
		if h.Series == nil || *h.Series != s.ID || h.StartAt > nowMs {
			continue
		}
		if h.Incident != nil || h.PassedOut || h.Verdict != nil && *h.Verdict == "passed-out" {
			return ended("incident")
		}
		count++
		if last == nil || h.StartAt > last.StartAt {
			last = h
		}
	}
	if s.EndedAt != nil && *s.EndedAt <= nowMs {
		return ended("person")
	}
	if last == nil {
		return at("ready", 0)
	}
	no := count - 1
	if last.SeriesNo != nil {
		no = *last.SeriesNo
	}
	if last.EndAt == nil || *last.EndAt > nowMs {
		return at("holding", no)
	}
	if no+1 >= int64(len(s.Steps)) {
		if last.Over {
			return SeriesNow{State: "done"}
		}
		return at("holding", no)
	}
	until := *last.EndAt + s.Steps[no].RestS*1000
	now := at("ready", no+1)
	now.RestUntilAt, now.RestLeftMs = &until, max(0, until-nowMs)
	if now.RestLeftMs > 0 || !last.Over {
		now.State = "resting"
	}
	return now
}

// GrowingHolds makes a series of constant rest and growing holds, nil where a
// value leaves its limits. All in seconds.
func GrowingHolds(firstS, stepS, restS int64, count int) []Step {
	if count < 1 || count > maxSteps {
		return nil
	}
	steps := make([]Step, count)
	for i := range steps {
		steps[i] = Step{firstS + int64(i)*stepS, restS}
		if i == count-1 {
			steps[i].RestS = 0
		}
		if s := steps[i]; s.PlannedS < MinPlannedS || s.PlannedS > MaxPlannedS || s.RestS < 0 || s.RestS > maxRestS {
			return nil
		}
	}
	return steps
}
