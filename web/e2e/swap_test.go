package e2e

import (
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/stretchr/testify/assert"
)

// One up, one down: between two holds the phones change over by an offer and
// its acceptance, and the one that was the diver's runs the next hold.
func TestOneUpOneDown(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	odo := newPhone(t, "one-up", 390, 844, browserSetup{limit: 2 * time.Minute})
	ansa := &phone{browser: odo.newPerson(t), name: "one-down"}
	ansa.failOnPageErrors(t)
	ansa.run(t, emulation.SetDeviceMetricsOverride(390, 844, 2, true), emulation.SetTouchEmulationEnabled(true).WithMaxTouchPoints(5))
	odo.joins(t, server.joinURL, "new", "buddy", "Odo")
	pair := eval[string](t, odo.browser, "buddyclock.frame().pair.pair")
	ansa.joins(t, server.joinURL, pair, "diver", "Ansa")

	// A hold of Ansa's. Nobody changes over in it.
	eval[string](t, odo.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 60, cadence: 'standard', signal: 'squeeze', hears: [] })`)
	odo.does(t, "start", "null")
	ansa.phase(t, "hold")
	for _, kind := range []string{"surfaced", "ok", "watch-ended"} {
		odo.does(t, kind, "null")
	}
	odo.phase(t, "over")
	ansa.phase(t, "over")
	odo.does(t, "verdict", "{ what: 'clean' }")

	odo.show(t, "join", "{ invite: true }", "document.querySelector('.invite .qr') && "+visible("swap roles"))
	odo.picture(t, "who is here")
	odo.show(t, "debrief", "{}", "document.querySelector('.debrief .d-next')")

	// The debrief leads to the other one's hold, whose plan has the phones change over.
	odo.tap(t, "Odo dives next")
	odo.says(t, "Odo dives, and this phone is the buddy’s")
	odo.picture(t, "the other one's plan")
	odo.tap(t, "swap with Ansa’s phone")
	odo.says(t, "Ansa’s phone is asked")
	ansa.says(t, "Odo asks to swap: this phone becomes the buddy’s")
	ansa.picture(t, "is asked")
	ansa.tap(t, "yes")
	role := func(p *phone, role string) {
		p.waitFor(t, "buddyclock.frame().me.role === '"+role+"' && buddyclock.frame().link.state === 'live'")
	}
	role(odo, "diver")
	role(ansa, "buddy")

	// Ansa's phone plans the next hold with the names changed over, asks, and hears; Odo's answers.
	ansa.tap(t, "Odo dives next")
	ansa.waitFor(t, "document.querySelector('.plan')")
	ansa.picture(t, "plan")
	names := `['diver', 'buddy'].map((n) => [...document.querySelectorAll('input')].find((i) => i.name === n || (i.getAttribute('aria-label') ?? '').includes(n))?.value).join(' ')`
	assert.Equal(t, "Odo Ansa", eval[string](t, ansa.browser, names))
	eval[string](t, ansa.browser, `buddyclock.newHold({ diver: 'Odo', buddy: 'Ansa', setting: 'dry', planned_s: 60, cadence: 'standard', signal: 'squeeze', hears: [] })`)
	ansa.does(t, "start", "null")
	odo.phase(t, "hold")
	odo.waitFor(t, "document.querySelector('.page.diver')")
	odo.picture(t, "dives")
	ansa.record(t, "contraction", "contraction")
	ansa.pressSlab(t, "asked")
	odo.waitFor(t, "document.querySelector('.page.diver[data-asked]')")
	odo.touchTwice(t)
	agree(t, ansa, odo)
	ansa.picture(t, "watches")
	assert.Equal(t, "diver", eval[string](t, ansa.browser, "buddyclock.frame().hold.events.findLast((e) => e.kind === 'answered').by"))
}
