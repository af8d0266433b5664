package protocol_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// everyKind is a hold with an event of each kind, and when it is looked at.
const everyKind = `
{"id":"b-000001","kind":"plan","at":40000,"by":"buddy","data":{"setting":"dry","planned_s":240,"cadence":"standard","diver":"Ansa"}}
{"id":"b-000002","kind":"sound-check","at":41000,"by":"buddy","data":{"result":"proven"}}
{"id":"b-000003","kind":"place","at":42000,"by":"buddy","data":{"number":"112"}}
{"id":"b-000004","kind":"breathe-up","at":50000,"by":"buddy","data":{"zero_at":100000}}
{"id":"b-000005","kind":"start","at":100000,"by":"buddy"}
{"id":"b-000006","kind":"look","at":125000,"by":"buddy"}
{"id":"b-000007","kind":"contraction","at":150000,"by":"buddy","data":{"site":"belly"}}
{"id":"b-000008","kind":"sign","at":160000,"by":"buddy","data":{"what":"tense"}}
{"id":"b-000009","kind":"asked","at":165000,"by":"buddy"}
{"id":"b-000010","kind":"answered","at":166000,"by":"buddy","data":{"took_ms":1000}}
{"id":"b-000011","kind":"no-answer","at":175000,"by":"buddy"}
{"id":"b-000012","kind":"end-hold","at":176000,"by":"buddy"}
{"id":"b-000013","kind":"sounded","at":177000,"by":"buddy","data":{"rung":"alarm","due":175000}}
{"id":"b-000014","kind":"surfaced","at":180000,"by":"buddy"}
{"id":"b-000015","kind":"awake","at":182000,"by":"buddy"}
{"id":"b-000016","kind":"ok","at":184000,"by":"buddy"}
{"id":"b-000017","kind":"reading","at":190000,"by":"buddy","data":{"spo2":80,"hr":50,"source":"typed"}}
{"id":"b-000018","kind":"incident","at":195000,"by":"buddy","data":{"what":"lmc"}}
{"id":"b-000019","kind":"with-them","at":196000,"by":"buddy"}
{"id":"b-000020","kind":"step","at":197000,"by":"buddy","data":{"what":"airway"}}
{"id":"b-000021","kind":"recovered","at":210000,"by":"buddy"}
{"id":"b-000022","kind":"watch-ended","at":275000,"by":"buddy"}
{"id":"b-000023","kind":"verdict","at":300000,"by":"buddy","data":{"what":"shaky"}}
{"id":"b-000024","kind":"note","at":310000,"by":"buddy","data":{"text":"well","conditions":["cold"]}}
{"id":"b-000025","kind":"profile","at":311000,"by":"buddy","data":{"diver_id":"a1","name":"Ansa"}}
{"id":"b-000026","kind":"series","at":312000,"by":"buddy","data":{"series":"s1","steps":[{"planned_s":60,"rest_s":0}]}}
{"id":"b-000028","kind":"going","at":312500,"by":"instructor","data":{"for_s":15}}
{"id":"b-000027","kind":"of-a-newer-version","at":313000,"by":"buddy","data":{"x":1}}
`

const lookedAt = int64(900_000)

func everyKindEvents(t *testing.T) []map[string]any {
	t.Helper()
	var events []map[string]any
	kinds := map[string]bool{}
	for _, e := range jsonTexts(everyKind) {
		var fields map[string]any
		require.NoError(t, json.Unmarshal(e, &fields))
		fields["hold"] = "h-01"
		kinds[fields["kind"].(string)] = true
		events = append(events, fields)
	}
	for _, kind := range protocol.Kinds {
		require.True(t, kinds[kind] || kind == protocol.KindAmend, "%s is missing", kind)
	}
	return events
}

func jsonTexts(lines string) (texts []json.RawMessage) {
	d := json.NewDecoder(strings.NewReader(lines))
	for {
		var text json.RawMessage
		if d.Decode(&text) != nil {
			return texts
		}
		texts = append(texts, text)
	}
}

func holdWith(t *testing.T, events []map[string]any) *protocol.Hold {
	t.Helper()
	h := protocol.NewHold("h-01")
	for _, fields := range events {
		text, err := json.Marshal(fields)
		require.NoError(t, err)
		e, err := protocol.Decode(text)
		require.NoError(t, err)
		h.Add(e)
	}
	return h
}

// logOnly is what the log alone says of a hold: nothing in it comes from the ladder.
func logOnly(h *protocol.Hold) string {
	s, d := protocol.Summarize(h, lookedAt), protocol.DebriefOf(h, lookedAt)
	d.Missed = 0
	answers := []protocol.Answer{}
	for _, a := range s.Answers {
		a.After = nil
		answers = append(answers, a)
	}
	text, _ := json.Marshal([]any{s.HoldMs, s.FirstContractionMs, s.EasyPermille, s.ContractionRates, answers, s.AnswerMedianMs, s.OKMs,
		s.SpO2Lowest, s.SpO2LowestMs, s.HeartRateLowest, s.BackTo95Ms, s.Signs, s.Incident, s.Verdict, d})
	return string(text)
}

// Ensures that an event of any kind can be moved, withdrawn and put back in the log: the log then says what it would say had
// the event been so from the first, the ladder is as it was, and the original stays, byte by byte.
func TestH20EveryKindCanBeAmended(t *testing.T) {
	events := everyKindEvents(t)
	base := holdWith(t, events)
	status, rungs := jsonValue(t, base.StatusAt(lookedAt)), base.TimelineAt(lookedAt)
	changed := 0
	for i, target := range events {
		amend := func(n int, data map[string]any) map[string]any {
			data["target"] = target["id"]
			return map[string]any{"id": fmt.Sprintf("x-%06d", n), "hold": "h-01", "kind": "amend", "at": 400_000 + n, "by": "buddy", "data": data}
		}
		moved := map[string]any{}
		for k, v := range target {
			moved[k] = v
		}
		moved["at"] = target["at"].(float64) - 3_000
		without := append(append([]map[string]any{}, events[:i]...), events[i+1:]...)
		for what, c := range map[string]struct {
			amendments []map[string]any
			as         []map[string]any
		}{
			"moved":     {[]map[string]any{amend(1, map[string]any{"at": moved["at"]})}, append(append([]map[string]any{}, without...), moved)},
			"withdrawn": {[]map[string]any{amend(1, map[string]any{"at": 1}), amend(2, map[string]any{"drop": true})}, without},
			"put back":  {[]map[string]any{amend(1, map[string]any{"drop": true}), amend(2, map[string]any{})}, events},
		} {
			h := holdWith(t, append(append([]map[string]any{}, events...), c.amendments...))
			require.Equal(t, logOnly(holdWith(t, c.as)), logOnly(h), "%s %s", target["kind"], what)
			require.Equal(t, status, jsonValue(t, h.StatusAt(lookedAt)), "%s %s changes the ladder", target["kind"], what)
			require.Equal(t, rungs, h.TimelineAt(lookedAt), "%s %s", target["kind"], what)
			kept := false
			for _, e := range h.Events() {
				kept = kept || e.ID == target["id"] && float64(e.At) == target["at"].(float64)
			}
			require.True(t, kept, "the original %s is gone", target["kind"])
			if logOnly(h) != logOnly(base) {
				changed++
			}
		}
	}
	require.Greater(t, changed, 20, "amendments that change nothing prove nothing")
}
