package protocol_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// fixedZone is a zone that is so many minutes from UTC all year; names are compared as plain ones are.
func fixedZone(offsetMin int64) protocol.Locale {
	const dayMs = 86_400_000
	dayOf := func(ms int64) int64 {
		day := (ms + offsetMin*60_000) / dayMs
		if (ms+offsetMin*60_000)%dayMs < 0 {
			day--
		}
		return day
	}
	return protocol.Locale{
		DayOf:   dayOf,
		DayEnd:  func(ms int64) int64 { return (dayOf(ms)+1)*dayMs - offsetMin*60_000 },
		NameKey: func(name string) string { return strings.ToLower(strings.Join(strings.Fields(name), " ")) },
	}
}

// logLines reads lines of holds in which what is left out is null, false, 0, "" or [], and `over` true.
type logLines []protocol.LogHold

func (l *logLines) UnmarshalJSON(text []byte) error {
	var raws []json.RawMessage
	if err := json.Unmarshal(text, &raws); err != nil {
		return err
	}
	*l = logLines{}
	for _, raw := range raws {
		h := protocol.LogHold{V: protocol.LogVersion, Events: 1, Over: true, Conditions: []string{}, Felt: []string{}}
		if err := json.Unmarshal(raw, &h); err != nil {
			return err
		}
		*l = append(*l, h)
	}
	return nil
}

// callInput has the fields of every call.
type callInput struct {
	Events      []json.RawMessage `json:"events"`
	AtMs        int64             `json:"at_ms"`
	OffsetMin   int64             `json:"offset_min"`
	NowMs       int64             `json:"now_ms"`
	A           protocol.Person   `json:"a"`
	B           protocol.Person   `json:"b"`
	Diver       protocol.Person   `json:"diver"`
	Buddy       protocol.Person   `json:"buddy"`
	Others      []protocol.Person `json:"others"`
	Lifts       []protocol.Lift   `json:"lifts"`
	PlannedS    *int64            `json:"planned_s"`
	EndByS      *int64            `json:"end_by_s"`
	LongestS    *int64            `json:"longest_s"`
	LongestFrom string            `json:"longest_from"`
	Holds       logLines          `json:"holds"`
	Log         logLines          `json:"log"`
	Setting     *string           `json:"setting"`
	Field       string            `json:"field"`
	Points      []protocol.Point  `json:"points"`
	Reading     protocol.Reading  `json:"reading"`
	Previous    *protocol.Reading `json:"previous"`
	Series      *protocol.Series  `json:"series"`
	FirstS      int64             `json:"first_s"`
	StepS       int64             `json:"step_s"`
	RestS       int64             `json:"rest_s"`
	Count       int               `json:"count"`
}

func (in callInput) decoded(t *testing.T) (events []protocol.Event) {
	for _, raw := range in.Events {
		e, err := protocol.Decode(raw)
		require.NoError(t, err)
		events = append(events, e)
	}
	return events
}

func (in callInput) hold(t *testing.T) *protocol.Hold {
	events := in.decoded(t)
	h := protocol.NewHold(events[0].Hold)
	for _, e := range events {
		h.Add(e)
	}
	return h
}

func (in callInput) guards() []protocol.Guard {
	log := in.Log
	if log == nil {
		log = in.Holds
	}
	return protocol.GuardsOf(protocol.GuardInput{
		NowMs: in.NowMs, Where: fixedZone(in.OffsetMin), Diver: in.Diver, Buddy: in.Buddy, PlannedS: in.PlannedS, EndByS: in.EndByS,
		LongestS: in.LongestS, LongestFrom: in.LongestFrom, Holds: in.Holds, Log: log, Lifts: in.Lifts, Others: in.Others, Series: in.Series,
	})
}

// callRule calls a rule of the log by the name that vectors know it by.
func callRule(t *testing.T, name string, input json.RawMessage) any {
	t.Helper()
	in := callInput{LongestFrom: "typed"}
	strictly(t, input, &in)
	switch name {
	case "same":
		return map[string]bool{"same": in.A.Same(in.B), "maybe": in.A.MaybeSame(in.B)}
	case "profiles":
		return protocol.ProfilesOf(in.decoded(t))
	case "holdsOfDiver":
		return protocol.HoldsOfDiver(in.Log, in.Diver)
	case "logHold":
		return protocol.LogHoldOf(in.hold(t), in.AtMs, fixedZone(in.OffsetMin))
	case "debrief":
		return protocol.DebriefOf(in.hold(t), in.AtMs)
	case "line":
		return protocol.RobustLine(in.Points)
	case "expectations":
		return protocol.ExpectationsOf(in.Log, in.Setting)
	case "guards":
		return in.guards()
	case "trends":
		return protocol.TrendsOf(in.Log, *in.Setting)
	case "conditions":
		return protocol.ConditionsOf(in.Log, *in.Setting, in.Field)
	case "reading":
		return protocol.JudgeReading(in.Reading, in.Previous)
	case "series":
		return protocol.SeriesOf(in.decoded(t), fixedZone(0))
	case "seriesAt":
		return protocol.SeriesAt(*in.Series, in.Log, in.NowMs)
	case "growing":
		return protocol.GrowingHolds(in.FirstS, in.StepS, in.RestS, in.Count)
	}
	require.Fail(t, "there is no call "+name)
	return nil
}
