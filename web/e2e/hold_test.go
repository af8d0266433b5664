package e2e

import (
	"fmt"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The middle of the press surface, and the place of the clock above it.
const (
	slabX, slabY = 195, 600
)

// standing is an expression: does a rung that asks for something stand?
func standing(rung, asks string) string {
	return fmt.Sprintf(`(() => { const s = buddyclock.frame().status?.standing; return s?.rung === '%s' && s?.asks === '%s'; })()`, rung, asks)
}

// pressSlab presses the surface until one more event of a kind is recorded.
func (p *phone) pressSlab(t testing.TB, kind string) {
	t.Helper()
	before := eval[int](t, p.browser, recorded(kind))
	p.fingerAt(t, slabX, slabY, fmt.Sprintf("%s > %d", recorded(kind), before))
}

// askUntilAnswered asks for a sign and records the answer. The alarm comes three
// seconds after the second call: where a busy machine takes longer for two presses,
// the alarm's own key takes the answer.
func (p *phone) askUntilAnswered(t testing.TB) {
	t.Helper()
	const key = "they answered"
	answered := fmt.Sprintf("%s > %d", recorded("answered"), eval[int](t, p.browser, recorded("answered")))
	for !p.holds(t, answered) {
		x, y := float64(slabX), float64(slabY)
		if p.holds(t, visible(key)) {
			at := eval[[]float64](t, p.browser, `(() => { const r = (`+visible(key)+`)?.getBoundingClientRect(); return r ? [r.left + r.width / 2, r.top + r.height / 2] : [0, 0]; })()`)
			x, y = at[0], at[1]
		}
		asked := fmt.Sprintf("%s > %d", recorded("asked"), eval[int](t, p.browser, recorded("asked")))
		p.run(t, input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{{X: x, Y: y}}))
		p.soon(t, answered+" || "+asked, patience)
		p.run(t, input.DispatchTouchEvent(input.TouchEnd, []*input.TouchPoint{}))
		p.soon(t, "false", lifted)
	}
}

// fillPlan writes the names and the planned time into the plan sheet.
func (p *phone) fillPlan(t testing.TB, diver, planned string) {
	t.Helper()
	p.waitFor(t, visible("swap"))
	p.fill(t, "diver", diver)
	p.fill(t, "planned", planned)
}

// proveSound goes through the sound check. What a person would hear is told by
// the page's own call for so many beeps.
func (p *phone) proveSound(t testing.TB) {
	t.Helper()
	eval[bool](t, p.browser, `(() => {
		const check = buddyclock.sound.check;
		buddyclock.sound.check = (n) => { globalThis.beepsPlayed = n; return check(n); };
		return true;
	})()`)
	p.tap(t, "play the beeps")
	p.waitFor(t, "globalThis.beepsPlayed > 0")
	p.tap(t, fmt.Sprintf("%d beeps", eval[int](t, p.browser, "globalThis.beepsPlayed")))
	p.step(t, "two settings")
	p.tap(t, "they stay silent")
	p.tap(t, "it stays on")
	p.tap(t, "go on")
}

// fillPlace writes the place card and keeps it.
func (p *phone) fillPlace(t testing.TB) {
	t.Helper()
	p.says(t, "emergency number")
	p.fill(t, "emergency", "112")
	p.fill(t, "address", "Lake Hall, 5 Pier Road, lane 3")
	p.fill(t, "oxygen", "by the blue door")
	p.fill(t, "reach", "Sanna, first aider")
	p.step(t, "place card")
	p.tap(t, "keep the card")
}

// step keeps a picture of a step of the hold, all of whose words can be read whole:
// how wide letters are differs from phone to phone.
func (p *phone) step(t testing.TB, step string) {
	t.Helper()
	p.picture(t, step)
	require.Empty(t, eval[[]string](t, p.browser, cutWords), "%s: cut off", step)
}

// watchOut looks at the diver whenever it is asked for, until the watch's end
// has come and it can be ended, and ends it.
func (p *phone) watchOut(t testing.TB) {
	t.Helper()
	for {
		p.waitFor(t, standing("prompt", "look")+" || "+unlocked)
		if eval[bool](t, p.browser, unlocked) {
			break
		}
		p.pressSlab(t, "look")
	}
	p.step(t, "end the watch")
	p.pressSlab(t, "watch-ended")
	p.phase(t, "over")
}

const unlocked = `(buddyclock.frame().status?.phase === 'watch' && buddyclock.frame().status.watch_locked === false)`

// A buddy alone with one phone runs a whole dry hold, from the link to the
// debrief, by touch; it is there again after a reload and after the server was
// killed and started again.
func TestOnePhoneWholeHold(t *testing.T) {
	t.Parallel() // it waits for people most of the time
	server := startProgram(t, "", "")
	p := newPhone(t, "one-phone", 390, 844, browserSetup{limit: holdLimit})
	p.open(t, server.joinURL)
	p.fill(t, "your name", "Odo")
	p.step(t, "join")
	p.tap(t, "start a pair")

	p.fillPlan(t, "Ansa", "0:30")
	p.step(t, "plan")
	p.tap(t, "breathe-up")
	p.says(t, "put it in place")
	p.step(t, "sound check")
	p.proveSound(t)
	p.fillPlace(t)

	p.phase(t, "breathe-up")
	p.says(t, "no hyperventilation")
	p.step(t, "breathe-up")
	p.record(t, "signal check", "asked")
	p.record(t, "press when they answer", "answered")
	p.record(t, "last breath", "start")
	p.phase(t, "hold")
	p.step(t, "hold")

	p.waitFor(t, standing("prompt", "tap"))
	p.says(t, "tap now")
	p.step(t, "tap now")
	p.pressSlab(t, "asked")
	p.step(t, "press when they answer")
	p.pressSlab(t, "answered")
	p.record(t, "contraction", "contraction")
	p.step(t, "contraction")
	p.waitFor(t, standing("again", "tap"))
	p.says(t, "again")
	p.step(t, "tap again")
	p.askUntilAnswered(t)
	p.record(t, "they’re up", "surfaced")
	p.phase(t, "recovery")
	p.step(t, "recovery")
	p.waitFor(t, standing("prompt", "ok"))
	p.step(t, "OK sign")
	p.pressSlab(t, "ok")
	p.phase(t, "watch")
	p.step(t, "watch")
	p.watchOut(t)

	p.says(t, "how was it?")
	p.step(t, "verdict")
	p.record(t, "clean", "verdict")
	p.says(t, "longest silence")
	p.step(t, "debrief")

	summary := func() map[string]any {
		return eval[map[string]any](t, p.browser, "(() => { const f = buddyclock.frame(); return buddyclock.summaryOf(f.hold); })()")
	}
	before := summary()
	assert.EqualValues(t, 1, before["contractions"])
	assert.Len(t, before["answers"], 2)
	assert.Equal(t, "clean", before["verdict"])
	assert.Equal(t, true, before["clean"])
	assert.Less(t, before["ok_ms"], 15_000.0)

	events := eval[int](t, p.browser, "buddyclock.frame().hold.events.length")
	p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
	server.kill(t)
	again := startProgram(t, server.data, server.addr)
	p.run(t, chromedp.Navigate("about:blank")) // else only the fragment changes, and nothing is loaded
	p.open(t, again.joinURL)
	p.waitFor(t, "buddyclock.frame().link.state === 'live'")
	require.Equal(t, events, eval[int](t, p.browser, "buddyclock.frame().hold.events.length"), "every event is there after a reload and a killed server")
	require.Equal(t, before, summary())
}
