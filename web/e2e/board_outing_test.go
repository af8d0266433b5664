package e2e

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	chrome "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// wordOf is an expression for a word of an open sheet that can be pressed.
func wordOf(words string) string {
	return fmt.Sprintf("[...document.querySelectorAll('.b-sheet button')].find((n) => (n.getAttribute('aria-label') ?? n.innerText) === '%s')", words)
}

// sheet opens a pair's sheet by its number, or the outing's with 0, and goes back again.
func (b *board) sheet(t testing.TB, number int, then func()) {
	t.Helper()
	key := "[...document.querySelectorAll('.b-menu .word')].at(-1)"
	if number > 0 {
		key = "(" + rowOf(number) + ").querySelector('.b-who')"
	}
	b.click(t, key, "!document.querySelector('.b-sheet').hidden")
	then()
	b.click(t, "document.querySelector('.b-close')", "document.querySelector('.b-sheet').hidden")
}

// An instructor's outing from the place card to its end, at two boards: what is
// set for all arrives on the phones, a phone of one pair comes into another, who
// goes at one board is seen at the other and on the phone, a laptop is a siren for
// all, the holds can be read, and after the end nobody gets in.
func TestInstructorRunsAnOuting(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	chromium := startBrowser(t, browserSetup{limit: boardLimit})
	window := func() *browser {
		w := chromium.newPerson(t)
		w.failOnPageErrors(t)
		return w
	}
	hand := &phone{browser: window(), name: t.Name() + "-phone"}
	hand.run(t, emulation.SetDeviceMetricsOverride(390, 844, 2, true), emulation.SetTouchEmulationEnabled(true).WithMaxTouchPoints(5))
	hand.open(t, server.joinURL)
	eval[bool](t, hand.browser, `buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)`)
	two, three := newPlannedPair(t, server, "Ilo"), newPlannedPair(t, server, "Nils")
	a := boardIn(t, chromium, server, 1280, 800, 3) // its console tells that the outing could not be ended at first
	b := boardIn(t, window(), server, 1024, 768, 3)

	// What holds for all.
	a.sheet(t, 0, func() {
		a.picture(t, "outing")
		for name, text := range map[string]string{"emergency number": "112", "address": "Lake Hall, 5 Pier Road", "oxygen": "by the blue door", "in reach": "Sanna"} {
			a.fill(t, name, text)
		}
		a.click(t, wordOf("keep the card for all"), "buddyclock.frame().outing.place")
		a.click(t, wordOf("judged"), "buddyclock.frame().outing.cadence")
		a.fill(t, "your name", "Vela")
		a.waitFor(t, "buddyclock.frame().me.name === 'Vela'")
		a.picture(t, "place card")
		hand.waitFor(t, "buddyclock.place()?.number === '112'")
		hand.waitFor(t, "[...document.querySelectorAll('.plan [aria-label=checks] [aria-pressed=true]')].map((n) => n.innerText).join() === 'judged'")
		hand.picture(t, "plan with the outing's cadence")
		eval[string](t, hand.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 120, cadence: 'close' })`)
		a.waitFor(t, "buddyclock.frame().rows.every((r) => r.status?.plan)")
		a.click(t, wordOf("give it to all pairs"), "document.querySelector('.b-sheet').innerText.includes('3 of 3 pairs have it')")
		a.picture(t, "series")
		hand.says(t, "series")
		hand.picture(t, "plan with the series")
	})
	b.waitFor(t, "buddyclock.frame().outing.place?.number === '112' && buddyclock.frame().outing.cadence?.cadence === 'announced'")

	// A phone of pair 1 comes into pair 2.
	b.sheet(t, 2, func() {
		b.picture(t, "pair 2")
		b.click(t, wordOf("ask Odo to be buddy in pair 2"), "buddyclock.frame().offers.length > 0")
		hand.says(t, "asks this phone to be the buddy")
		hand.picture(t, "asked into pair 2")
		hand.tap(t, "yes")
		hand.waitFor(t, fmt.Sprintf("buddyclock.frame().pair.pair === '%s'", two.pair))
		b.waitFor(t, "document.querySelectorAll('.b-sheet .b-device[data-device]').length === 2")
		b.picture(t, "pair 2 with two phones")
	})
	a.waitFor(t, "("+rowOf(1)+").innerText.includes('no phone')")

	// A siren for all hears of an alarm, and two boards of who goes.
	siren := &board{&phone{browser: window(), name: t.Name() + "-siren"}}
	siren.run(t, emulation.SetDeviceMetricsOverride(1024, 768, 1, false))
	siren.open(t, server.joinURL)
	siren.says(t, "3 Nils") // the list moves what stands beneath it
	siren.tap(t, "all: a siren")
	siren.picture(t, "joins as a siren")
	siren.fill(t, "your name", "laptop")
	siren.tap(t, "join")
	siren.waitFor(t, "document.querySelectorAll('.b-row').length === 3")
	two.say(t, "start", -20, nil)
	three.say(t, "start", -20, nil)
	two.say(t, "no-answer", 0, nil)
	for _, at := range []*board{a, b, siren} {
		at.tone(t, 2, "alarm")
	}
	siren.picture(t, "siren in an alarm")
	assert.False(t, eval[bool](t, siren.browser, "("+rowOf(2)+").querySelector('.b-go').checkVisibility()"), "a siren only sounds")
	a.click(t, "("+rowOf(2)+").querySelector('.b-go')", "buddyclock.frame().rows[1].met")
	for _, at := range []*board{a, b, siren} {
		at.waitFor(t, "("+rowOf(2)+").innerText.includes('Vela is going')")
	}
	hand.says(t, "Vela is coming")
	b.picture(t, "gone to at the other board")
	hand.picture(t, "Vela is coming")
	for _, kind := range []string{"surfaced", "awake", "ok", "watch-ended"} {
		two.say(t, kind, 0, map[string]any{"forced": true})
	}

	// Its hold can be read.
	b.sheet(t, 2, func() {
		b.waitFor(t, "document.querySelectorAll('.b-sheet .b-hold').length === 1")
		b.picture(t, "holds of pair 2")
	})

	// A device that is taken out.
	a.sheet(t, 0, func() {
		laptop := "[...document.querySelectorAll('.b-sheet .b-device')].find((n) => n.innerText.includes('laptop'))"
		a.click(t, "("+laptop+")?.querySelector('.b-remove')", "!("+laptop+")")
		a.picture(t, "the siren is taken out")
	})
	siren.says(t, "was removed")
	siren.picture(t, "taken out")

	// Sum, file, end.
	folder := t.TempDir()
	a.run(t, chrome.SetDownloadBehavior(chrome.SetDownloadBehaviorBehaviorAllow).WithDownloadPath(folder))
	code := eval[string](t, a.browser, "document.querySelector('.b-join').innerText")
	a.sheet(t, 0, func() {
		a.click(t, wordOf("summary"), "document.querySelector('.b-summary').innerText.includes('2 holds')")
		a.picture(t, "summary")
		for _, kind := range []string{"CSV", "JSON lines"} {
			a.click(t, wordOf("log as "+kind), "true")
		}
		for name, holds := range map[string]string{"outing.csv": two.hold, "outing.jsonl": three.hold} {
			var text []byte
			for !strings.Contains(string(text), holds) {
				require.NoError(t, a.ctx.Err(), "%s is not there, or not whole", name)
				text, _ = os.ReadFile(filepath.Join(folder, name))
			}
		}
		a.click(t, "document.querySelector('.b-end-outing')", "document.querySelector('.b-end-outing').innerText.includes('anyway')")
		a.picture(t, "a hold is running")
		a.click(t, "document.querySelector('.b-end-outing')", "buddyclock.frame().outing.ended_ms")
		a.picture(t, "ended")
	})
	for _, at := range []*board{a, b} {
		at.says(t, "this outing is ended")
	}
	hand.says(t, "has ended this outing")
	hand.picture(t, "ended")
	b.picture(t, "ended")
	late := &phone{browser: chromium.newPerson(t), name: t.Name() + "-late"} // its console tells of each refusal
	late.run(t, emulation.SetDeviceMetricsOverride(390, 844, 2, true), emulation.SetTouchEmulationEnabled(true).WithMaxTouchPoints(5))
	late.run(t, chromedp.Navigate("http://"+server.addr+"/"))
	late.waitFor(t, "globalThis.buddyclock")
	late.fill(t, "code", strings.TrimPrefix(code, "join "))
	late.tap(t, "go on")
	late.says(t, "outing has ended")
	late.picture(t, "nobody gets in")
}
