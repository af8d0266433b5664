package protocol_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"buddyclock/protocol"
)

var (
	randomSeed = flag.Uint64("seed", 20260917, "seed of the random event sets")
	randomSets = flag.Int("sets", 2000, "how many random event sets the Go and the JavaScript rules fold")
	oracleSets = flag.Int("oracle-sets", 160, "how many of them the slow oracle walks")
)

// few is a tenth of a count under the race detector, which slows rules down that start no goroutine.
func few(n int) int {
	if raced {
		return (n + 9) / 10
	}
	return n
}

// randomStart is when the first start of a random hold lies, shared Unix ms.
const randomStart = int64(1_790_000_000_000)

// randomSet is one hold's events in an order of arrival, and instants at which to look at it.
type randomSet struct {
	Events []json.RawMessage `json:"events"`
	At     []int64           `json:"at"`
}

// hold gives the hold of the set's events, of two with one id the first to arrive.
func (s randomSet) hold(t *testing.T) *protocol.Hold {
	t.Helper()
	hold, _ := buildHold(t, s.Events)
	return hold
}

// generator makes event sets that no sane pair would make, so that the rules meet every corner: contrary presses, ties
// at one ms, instants 1 ms beside a rung, void plans, amendments of all kinds.
type generator struct {
	*rand.Rand
	counters map[string]int
	events   []map[string]any
	t        int64 // ms since the start
}

// newRandomSet gives set number n of a seed; conflicts tells whether ids may come twice with other content.
func newRandomSet(seed uint64, n int, conflicts bool) randomSet {
	g := &generator{Rand: rand.New(rand.NewPCG(seed, uint64(n))), counters: map[string]int{}}
	g.plans()
	g.before()
	if g.chance(97) {
		g.add("start", 0, g.anyBody(), nil)
	}
	g.hold()
	g.after()
	g.amendments()
	return g.finish(conflicts)
}

func (g *generator) chance(percent int) bool { return g.IntN(100) < percent }

func pick[T any](g *generator, values ...T) T { return values[g.IntN(len(values))] }

// anyBody gives the sender of an event; mostly the buddy, since only a buddy's presses do much.
func (g *generator) anyBody() string {
	return pick(g, "buddy", "buddy", "buddy", "buddy", "buddy", "buddy", "diver", "diver", "instructor", "siren", "", "helper")
}

// add adds an event at ms since the start, and gives its id.
func (g *generator) add(kind string, t int64, by string, data map[string]any) string {
	device := map[string]string{"buddy": pick(g, "b", "b", "b", "b2"), "diver": "d", "instructor": "i", "siren": "s"}[by]
	if device == "" {
		device = "x"
	}
	g.counters[device]++
	id := fmt.Sprintf("%s-%06d", device, g.counters[device])
	if g.chance(2) {
		id = pick(g, "é", "～", "𐀀", "A", "~") + "-" + id
	}
	e := map[string]any{"id": id, "hold": "h-01", "kind": kind, "at": randomStart + t}
	if by != "" {
		e["by"] = by
	}
	if data != nil {
		e["data"] = data
	}
	if g.chance(5) {
		e["err"] = g.IntN(300)
	}
	g.events = append(g.events, e)
	return id
}

func (g *generator) plans() {
	for n := range pick(g, 0, 1, 1, 1, 1, 1, 1, 1, 1, 2, 3) {
		data := map[string]any{}
		planned := int64(pick(g, 15, 30, 45, 60, 61, 62, 75, 90, 100, 119, 120, 121, 157, 180, 180, 200, 240, 240, 300))
		if g.chance(97) {
			data["planned_s"] = planned
		}
		set := func(percent int, name string, value any) {
			if g.chance(percent) {
				data[name] = value
			}
		}
		set(97, "cadence", pick[any](g, "standard", "standard", "standard", "standard", "close", "close", "announced", "announced", "announced", "announced", 3))
		set(90, "setting", pick(g, "dry", "dry", "dry", "pool", "lake"))
		set(30, "end_by_s", planned+int64(g.IntN(40))-1)
		set(40, "onset_s", pick[any](g, 0, 10, 30, 50, 70, 200, nil))
		set(35, "longest_s", pick[any](g, 0, 45, 60, 80, 100, 131, 170, 200, 86400, nil))
		set(30, "watch_s", pick(g, 30, 33, 40, 60, 61, 90, 94, 100))
		set(30, "ok_within_s", pick(g, 15, 20))
		set(6, pick(g, "planned_s", "end_by_s", "onset_s", "longest_s", "watch_s", "ok_within_s"),
			pick[any](g, -1, 1.5, "60", true, 86401, 1e300, []any{}))
		at := -1000 * int64(60-n)
		if g.chance(10) {
			at = int64(g.IntN(61_000)) - 60_000
		}
		g.add("plan", at, pick(g, "buddy", "buddy", "buddy", "buddy", "buddy", "buddy", "instructor", "instructor", "diver", ""), data)
	}
}

func (g *generator) before() {
	if g.chance(60) {
		g.add("breathe-up", -int64(g.IntN(30_000)), "buddy", map[string]any{"zero_at": randomStart + int64(g.IntN(3000))})
	}
	for range pick(g, 0, 0, 0, 1, 3) {
		g.t = -int64(g.IntN(4000))
		g.inHold(-1)
	}
	g.t = 0
	if g.chance(8) {
		g.add("start", int64(g.IntN(9000))-4000, g.anyBody(), nil)
	}
}

// steps are gaps between events: the numbers of the rules, so that rungs and presses meet within 1 ms.
var steps = []int64{
	0, 0, 1, 500, 1000, 1500, 2000, 3000, 3500, 4000, 5000, 6000, 7000, 7500, 8000, 9000, 10_000, 11_000, 11_250, 12_000, 13_000, 15_000,
	20_000, 24_000, 30_000, 30_000, 38_000, 41_000, 45_000,
}

func (g *generator) step(most int64) {
	gap := steps[g.IntN(len(steps))]
	for gap > most {
		gap = steps[g.IntN(len(steps))]
	}
	if g.chance(40) {
		gap += int64(g.IntN(3)) - 1
	} else if g.chance(50) {
		gap += int64(g.IntN(1000))
	}
	g.t += gap
}

func (g *generator) hold() {
	most := pick[int64](g, 8000, 13_000, 24_000, 30_000, 45_000) // how long this pair lets a silence grow
	if g.chance(60) {
		for range g.IntN(24) {
			g.step(most)
			g.calmly()
		}
	}
	troubled := pick(g, 0, 2, 5, 12) // percent of presses that call the diver up or raise
	for range pick(g, 0, 2, 5, 20) {
		g.step(most)
		g.inHold(troubled)
	}
}

// calmly adds what a pair does in a good hold: it raises nothing, so that the early stages come to be seen.
func (g *generator) calmly() {
	switch g.IntN(12) {
	case 0, 1, 2, 3, 4:
		g.add("look", g.t, "buddy", nil)
	case 5, 6:
		g.add("asked", g.t, "buddy", nil)
		g.step(10_000)
		g.add("answered", g.t, pick(g, "buddy", "diver"), map[string]any{"took_ms": 600 + g.IntN(900)})
	case 7:
		g.add("answered", g.t, "diver", nil)
	case 8:
		if g.chance(30) {
			g.add("contraction", g.t, pick(g, "buddy", "diver"), map[string]any{"site": "belly", "signalled": g.chance(60)})
		}
	default:
		g.add("answered", g.t, "buddy", nil)
	}
}

// inHold adds one event as they come in a hold.
func (g *generator) inHold(troubled int) {
	if troubled < 0 || g.chance(troubled) {
		switch kind := pick(g, "sign", "sign", "sign", "no-answer", "end-hold", "incident", "contraction"); kind {
		case "sign":
			g.add(kind, g.t, g.anyBody(), map[string]any{"what": pick(g, "tense", "tense", "blue", "shaking", "air", "limp", "purple")})
		case "incident":
			g.incident()
		case "contraction":
			g.add(kind, g.t, g.anyBody(), map[string]any{"site": "throat", "signalled": g.chance(50)})
		default:
			g.add(kind, g.t, g.anyBody(), nil)
		}
		return
	}
	switch g.IntN(20) {
	case 0, 1, 2, 3, 4:
		data := map[string]any{}
		if g.chance(40) {
			data["took_ms"] = pick[any](g, 400, 800, 1200, 2999, 3000, 3001, "4000", 800.5, 3000.5, -5, 3_600_001)
		}
		g.add("answered", g.t, pick(g, "buddy", "buddy", "buddy", "diver", g.anyBody()), data)
	case 5, 6, 7, 8:
		g.add("look", g.t, pick(g, "buddy", "buddy", g.anyBody()), nil)
	case 9, 10, 11:
		g.add("asked", g.t, pick(g, "buddy", "buddy", "buddy", g.anyBody()), nil)
	case 12, 13:
		g.add("answered", g.t, "diver", nil)
	case 14, 15:
		data := map[string]any{}
		if g.chance(70) {
			data["site"] = pick[any](g, "belly", "belly", "chest", "throat", "knee", 4)
		}
		if g.chance(50) {
			data["signalled"] = pick[any](g, true, true, false, "yes")
		}
		g.add("contraction", g.t, pick(g, "buddy", "diver", g.anyBody()), data)
	case 16:
		g.add("reading", g.t, "", map[string]any{"spo2": pick[any](g, 99, 95, 94, 81, 30, 29, 101, 90.5), "hr": pick[any](g, 44, 60, 20, 19), "source": "sensor"})
	case 17:
		g.add(pick(g, "awake", "ok", "recovered", "watch-ended", "with-them", "step", "sounded", "note", "balloon"), g.t, g.anyBody(), nil)
	case 18:
		g.add("sign", g.t, g.anyBody(), map[string]any{"what": pick[any](g, "tense", "purple", 7)})
	default:
		g.add("look", g.t, "diver", nil)
	}
}

func (g *generator) incident() {
	g.add("incident", g.t, g.anyBody(), map[string]any{"what": pick(g, "lmc", "blackout", "unknown", "fog")})
}

func (g *generator) after() {
	if g.chance(35) {
		return
	}
	g.step(15_000)
	var late map[string]any
	if g.chance(20) {
		late = map[string]any{"alarm": pick[any](g, true, true, false, "true", 1)}
	}
	g.add("surfaced", g.t, pick(g, "buddy", "buddy", "buddy", "buddy", "buddy", "diver"), late)
	for range g.IntN(14) {
		g.step(15_000)
		switch g.IntN(19) {
		case 0, 1, 2:
			g.add("ok", g.t, pick(g, "buddy", "buddy", g.anyBody()), nil)
		case 3, 4, 5, 6, 7:
			g.add("look", g.t, pick(g, "buddy", "buddy", g.anyBody()), nil)
		case 8:
			g.add("awake", g.t, "buddy", nil)
		case 9:
			g.incident()
		case 10, 11:
			g.add("recovered", g.t, pick(g, "buddy", "buddy", g.anyBody()), nil)
		case 12:
			g.add("watch-ended", g.t, pick(g, "buddy", g.anyBody()), nil)
		case 13:
			g.add("surfaced", g.t, "buddy", nil)
		case 14:
			g.add("verdict", g.t, "buddy", map[string]any{"what": pick(g, "clean", "shaky", "passed-out", "great")})
		case 15:
			g.add("no-answer", g.t, g.anyBody(), nil)
			if g.chance(60) {
				g.step(7000)
				g.add("awake", g.t, "buddy", nil)
			}
		case 16:
			g.add("sign", g.t, g.anyBody(), map[string]any{"what": pick(g, "tense", "shaking", "air", "limp")})
		default:
			g.inHold(30)
		}
	}
}

func (g *generator) amendments() {
	for range pick(g, 0, 0, 1, 2, 4) {
		if len(g.events) == 0 {
			return
		}
		target := g.events[g.IntN(len(g.events))]
		id, at := target["id"].(string), target["at"].(int64)
		data := map[string]any{"target": id}
		switch g.IntN(8) {
		case 0:
			data["at"] = at + int64(g.IntN(20_000)) - 10_000
		case 1:
			data["drop"], data["at"] = true, at-1000
		case 2:
			data["drop"] = pick[any](g, false, "true", 1)
		default:
			data["drop"] = true
		}
		t := at - randomStart + pick[int64](g, 0, 1, 2000, 5000, 9999, 10_000, 10_001, 30_000)
		own := g.add("amend", t, g.anyBody(), data)
		if g.chance(80) {
			g.counters[protocol.DeviceOf(id)]++
			amend := g.events[len(g.events)-1]
			amend["id"] = fmt.Sprintf("%s-%06d", protocol.DeviceOf(id), 900_000+g.counters[protocol.DeviceOf(id)])
			own = amend["id"].(string)
		}
		if g.chance(15) {
			g.add("amend", t+1000, "buddy", map[string]any{"target": own, "drop": true})
		}
	}
}

// finish puts duplicates in, shuffles the order of arrival, and picks the instants.
func (g *generator) finish(conflicts bool) randomSet {
	if len(g.events) == 0 {
		g.add("note", 0, "buddy", nil)
	}
	var set randomSet
	var times []int64
	for _, e := range g.events {
		times = append(times, e["at"].(int64))
	}
	for range pick(g, 0, 0, 1, 3) {
		twice := g.events[g.IntN(len(g.events))]
		if conflicts && g.chance(40) {
			other := map[string]any{}
			for k, v := range twice {
				other[k] = v
			}
			field, value := pick(g, "at", "kind", "mood"), pick[any](g, randomStart+int64(g.IntN(90_000)), 7)
			if field == "at" && value == 7 {
				value = randomStart // from 1970 on the oracle would walk every ms
			}
			other[field] = value
			if _, isText := other["kind"].(string); !isText {
				other["kind"] = "look"
			}
			twice = other
		}
		g.events = append(g.events, twice)
	}
	if g.chance(80) {
		g.Shuffle(len(g.events), func(i, j int) { g.events[i], g.events[j] = g.events[j], g.events[i] })
	}
	for _, e := range g.events {
		raw, err := json.Marshal(e)
		if err != nil {
			panic(err)
		}
		set.Events = append(set.Events, raw)
	}
	last := slices.Max(times)
	set.At = append(set.At, last)
	for range 3 {
		set.At = append(set.At, times[g.IntN(len(times))]+pick[int64](g, -1, 0, 0, 1, 4000, 6000, int64(g.IntN(20_000))))
	}
	set.At = append(set.At, randomStart-int64(g.IntN(5000)), last+int64(g.IntN(60_000)))
	return set
}
