package e2e

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// boardPair is a pair whose buddy's phone is played by the test: a real client
// on the real socket, with a diver in a hold.
type boardPair struct {
	*witness
	hold string
	over chan struct{}
}

// newBoardPair joins, plans, and has started a hold some seconds ago.
func newBoardPair(t testing.TB, server *program, diver string, agoS int) *boardPair {
	t.Helper()
	p := newPlannedPair(t, server, diver)
	p.say(t, "start", -float64(agoS), nil)
	p.say(t, "look", -1, nil)
	return p
}

// newPlannedPair joins and plans; nothing runs yet.
func newPlannedPair(t testing.TB, server *program, diver string) *boardPair {
	t.Helper()
	w := newWitness(t, server, "new", "buddy")
	p := &boardPair{witness: w, hold: w.device + "-h01", over: make(chan struct{})}
	p.say(t, "plan", -90, map[string]any{"diver": diver, "buddy": "Wim", "setting": "pool", "planned_s": 240, "cadence": "standard"})
	go p.beat()
	t.Cleanup(p.gone)
	return p
}

// say records an event some seconds from now and waits until the server has it.
func (p *boardPair) say(t testing.TB, kind string, inS float64, data map[string]any) {
	t.Helper()
	p.counter++
	event := map[string]any{"id": fmt.Sprintf("%s-%06d", p.device, p.counter), "hold": p.hold, "kind": kind, "at": int64(p.now() + inS*1000), "by": "buddy"}
	if data != nil {
		event["data"] = data
	}
	p.send(t, map[string]any{"type": "events", "events": []any{event}})
	p.await(t, "stored")
}

// lookAll has every buddy look, so that nothing is due for half a minute.
func lookAll(t testing.TB, pairs []*boardPair) {
	t.Helper()
	for _, p := range pairs {
		p.say(t, "look", 0, nil)
	}
}

// beat says once a second what the phone is good for, as pages do in a hold.
func (p *boardPair) beat() {
	for n := 0; ; n++ {
		p.mu.Lock()
		err := p.ws.WriteJSON(map[string]any{"type": "presence", "visible": true, "sound": "proven", "wake": true, "battery": 70, "doubt_ms": 3, "hold": p.hold, "rungs": true, "beat": n})
		p.mu.Unlock()
		select {
		case <-p.over:
			return
		case <-time.After(time.Second):
			if err != nil {
				return
			}
		}
	}
}

// gone cuts the phone off, as a dead battery would.
func (p *boardPair) gone() {
	select {
	case <-p.over:
	default:
		close(p.over)
		p.ws.Close()
	}
}

// board is a browser that shows the board.
type board struct{ *phone }

// newBoard opens the instructor's link on a screen of that size and waits for
// the pairs.
func newBoard(t testing.TB, server *program, width, height int64, pairs int, setup browserSetup) *board {
	t.Helper()
	b := newLonelyBoard(t, server, width, height, pairs, setup)
	b.failOnPageErrors(t)
	return b
}

// newLonelyBoard is newBoard for boards that lose their server on purpose: the
// browser itself writes every dial that fails into the console as an error.
func newLonelyBoard(t testing.TB, server *program, width, height int64, pairs int, setup browserSetup) *board {
	t.Helper()
	return boardIn(t, startBrowser(t, setup), server, width, height, pairs)
}

// boardIn is newLonelyBoard in a window of a browser that runs already.
func boardIn(t testing.TB, window *browser, server *program, width, height int64, pairs int) *board {
	t.Helper()
	p := &phone{browser: window, name: fmt.Sprintf("%s-%dx%d", t.Name(), width, height)}
	p.run(t, emulation.SetDeviceMetricsOverride(width, height, 1, false))
	p.run(t, chromedp.Navigate(server.instructor))
	b := &board{p}
	b.waitFor(t, fmt.Sprintf("globalThis.buddyclock && document.querySelectorAll('.b-row').length === %d && buddyclock.frame().lost_ms === 0", pairs))
	return b
}

// rowOf is an expression for a pair's row.
func rowOf(number int) string {
	return fmt.Sprintf("[...document.querySelectorAll('.b-row')].find((n) => n.querySelector('.b-number').textContent === '%d')", number)
}

// tone waits until a pair's row says that.
func (b *board) tone(t testing.TB, number int, tone string) {
	t.Helper()
	b.waitFor(t, fmt.Sprintf("%s?.dataset.tone === '%s'", rowOf(number), tone))
}

// order is the numbers of the rows from the top down.
func (b *board) order(t testing.TB) []int {
	t.Helper()
	return eval[[]int](t, b.browser, "[...document.querySelectorAll('.b-row .b-number')].map((n) => Number(n.textContent))")
}

// click presses a mouse on an element until a condition holds.
func (b *board) click(t testing.TB, element, until string) {
	t.Helper()
	b.waitFor(t, element)
	for done := false; !done; {
		at := eval[[]float64](t, b.browser, "(() => { const n = "+element+"; n.scrollIntoView({block: 'nearest'}); const r = n.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; })()")
		b.run(t, input.DispatchMouseEvent(input.MousePressed, at[0], at[1]).WithButton(input.Left).WithButtons(1).WithClickCount(1))
		done = b.soon(t, until, patience)
		b.run(t, input.DispatchMouseEvent(input.MouseReleased, at[0], at[1]).WithButton(input.Left).WithClickCount(1))
		done = done || b.soon(t, until, lifted)
	}
}
