package server

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/server/access"
)

// watcher is a board: what it knows of each pair, as frames told it.
type watcher struct {
	*device
	pairs  map[string]map[string]any // the last `pair` of each
	states map[string][]map[string]any
	told   []map[string]any // messages of other types
	done   bool
}

// board joins an instructor of all pairs, and opens its board.
func (h *host) board() *watcher {
	h.t.Helper()
	return (&watcher{device: h.join("", "instructor")}).open()
}

func (w *watcher) open() *watcher {
	w.h.t.Helper()
	ws, _, err := w.h.dial(nil)
	require.NoError(w.h.t, err)
	w.h.t.Cleanup(func() { ws.Close() })
	w.ws, w.pairs, w.states = ws, map[string]map[string]any{}, map[string][]map[string]any{}
	w.hold = newHoldOfAll()
	w.send(map[string]any{"type": "hello", "v": 1, "token": w.token, "device": w.id, "board": true})
	w.welcome = w.device.next()
	require.Equal(w.h.t, "welcome", w.welcome["type"], w.welcome)
	w.until("the pairs", func() bool { return w.done })
	return w
}

// until reads messages until the condition holds.
func (w *watcher) until(what string, holds func() bool) {
	w.h.t.Helper()
	for deadline := time.Now().Add(within); !holds(); {
		require.True(w.h.t, time.Now().Before(deadline), "waiting for %s", what)
		w.take(w.device.next())
	}
}

func (w *watcher) take(m map[string]any) {
	pair, _ := m["pair"].(string)
	switch m["type"] {
	case "pair":
		w.pairs[pair] = m
	case "state":
		w.states[pair] = append(w.states[pair], m)
	case "pairs-done":
		w.done = true
	default:
		w.told = append(w.told, m)
	}
}

func (w *watcher) state(pair string) map[string]any {
	list := w.states[pair]
	if len(list) == 0 {
		return nil
	}
	return list[len(list)-1]
}

func (w *watcher) standing(pair string) map[string]any {
	standing, _ := w.state(pair)["standing"].(map[string]any)
	return standing
}

// last gives the newest message of a type that a device or board was told.
func (w *watcher) last(kind string) map[string]any {
	for i := len(w.told) - 1; i >= 0; i-- {
		if w.told[i]["type"] == kind {
			return w.told[i]
		}
	}
	return nil
}

// recordIn records an event in a pair and waits until it is stored.
func (w *watcher) recordIn(pair, hold, kind string, at int64, data map[string]any) map[string]any {
	w.h.t.Helper()
	e := w.event(hold, kind, at, data)
	w.send(map[string]any{"type": "events", "pair": pair, "events": []any{e}})
	w.until(kind+" to be stored", func() bool { return w.hasStored(e["id"].(string)) })
	return e
}

// Ensures that a board sees all pairs whole, those made later too, and what is
// recorded in each; and that what it records reaches the pair's phones.
func TestBoardSeesEveryPair(t *testing.T) {
	h := newHost(t)
	a := h.join("new", "buddy").connect(nil)
	over := aHold(t, a, h.join(a.pair, "diver").connect(nil), a.id+"-h01")
	card := a.record(a.id+"-h00", "place", over, map[string]any{"number": "112"})
	old := a.record("old", "note", over, nil)
	board, second := h.board(), h.board()
	require.Equal(t, true, board.welcome["board"])
	first := board.pairs[a.pair]
	require.Equal(t, a.id+"-h01", first["hold"])
	require.Len(t, first["devices"], 2)
	require.True(t, board.sees(card["id"].(string)), "what belongs to no hold comes along")
	require.False(t, board.sees(old["id"].(string)), "earlier holds are asked for")
	require.Equal(t, "over", board.state(a.pair)["phase"])

	b := h.join("new", "buddy").connect(nil)
	for _, w := range []*watcher{board, second} {
		w.until("the new pair", func() bool { return len(w.pairs[b.pair]) > 0 && len(w.pairs[b.pair]["devices"].([]any)) == 1 })
		require.Equal(t, 2.0, w.pairs[b.pair]["number"])
	}
	now := h.shared.NowMs()
	b.record(b.id+"-h01", "plan", now-1000, map[string]any{"planned_s": 120})
	board.until("its new hold", func() bool { return board.pairs[b.pair]["hold"] == b.id+"-h01" })
	b.record(b.id+"-h01", "start", now, nil)
	board.until("the hold to run", func() bool { return board.state(b.pair)["phase"] == "hold" })
	require.Equal(t, "easy", board.state(b.pair)["stage"])

	going := board.recordIn(b.pair, b.id+"-h01", "going", h.shared.NowMs(), map[string]any{"name": "Oda"})
	end := board.recordIn(b.pair, b.id+"-h01", "end-hold", h.shared.NowMs(), nil)
	b.until("the end of the hold", func() bool { return b.sees(end["id"].(string)) && b.sees(going["id"].(string)) })
	for _, w := range []*watcher{board, second} {
		w.until("the call to come up", func() bool { return w.standing(b.pair)["asks"] == "up" })
	}
	second.until("that the other goes", func() bool { return second.sees(going["id"].(string)) })
	require.False(t, a.sees(end["id"].(string)))

	// Earlier holds by request, of any pair.
	status, answer := h.post("/api/events", map[string]any{"token": board.token, "pair": a.pair, "events": []any{}})
	require.Equal(t, http.StatusOK, status)
	require.Greater(t, len(answer["events"].([]any)), 20)
}

// Ensures that the server finds each rung at its instant and tells the boards,
// with every phone of the pair gone, and that such a pair never looks live.
func TestH14AlarmIsFoundWithoutPhones(t *testing.T) {
	h, mock := newMockHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	start := h.shared.NowMs()
	buddy.record("h", "plan", start, map[string]any{"planned_s": 180, "cadence": "standard", "setting": "pool"})
	buddy.record("h", "start", start, nil)
	board := h.board()
	board.until("the hold", func() bool { return board.state(buddy.pair)["phase"] == "hold" })
	require.NoError(t, buddy.ws.Close())

	rungs := map[string]float64{}
	for range 70 {
		mock.Add(time.Second)
		board.send(map[string]any{"type": "time", "t1": 1})
		asked := len(board.times)
		board.until("an answer", func() bool { return len(board.times) > asked })
		if standing := board.standing(buddy.pair); standing != nil {
			rungs[standing["rung"].(string)] = standing["at"].(float64) - float64(start)
		}
	}
	// In easy: a look every 30 s, again 8 s and the alarm 15 s later.
	require.Equal(t, map[string]float64{"prompt": 30_000, "again": 38_000, "alarm": 45_000}, rungs)
	board.until("the phone to be lost", func() bool { return board.link(buddy) == "lost" })
	last := board.last("presence")
	age := board.entry(buddy)["age_ms"].(float64) + float64(h.shared.NowMs()) - last["at"].(float64)
	require.GreaterOrEqual(t, age, 69_000.0)

	// A pair that nobody ended is no alarm for ever.
	mock.Add(time.Hour)
	board.open().until("the pair to be given up", func() bool { return board.state(buddy.pair)["abandoned"] == true })
	require.Nil(t, board.state(buddy.pair)["standing"])
}

// Ensures that only devices of the whole outing are shown all pairs.
func TestH11BoardIsForInstructorsAndSirens(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy")
	siren := &watcher{device: h.join("", "siren")}
	siren.open()
	require.Len(t, siren.pairs, 1)
	of := h.join(buddy.pair, "instructor")
	for token, code := range map[string]string{buddy.token: "not-allowed", of.token: "not-allowed", access.NewID(): "bad-token"} {
		ws, _, err := h.dial(nil)
		require.NoError(t, err)
		defer ws.Close()
		id := buddy.id
		if token == of.token {
			id = of.id
		}
		d := &device{h: h, ws: ws}
		d.send(map[string]any{"type": "hello", "v": 1, "token": token, "device": id, "board": true})
		d.closed()
		require.Equal(t, code, d.errors[0]["code"])
	}
}
