package e2e

import (
	"context"
	"fmt"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// Ensures that a phone and a board that first open while a hold runs, with a
// wall clock that is off, have the host's time at once, and again after a
// reload.
func TestH06OpenedInAHoldWithAWrongClock(t *testing.T) {
	server := startProgram(t, "", "")
	buddy := pairPhone(t, "buddy")
	buddy.joins(t, server.joinURL, "new", "buddy", "Odo")
	eval[string](t, buddy.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'pool', planned_s: 240,
		cadence: 'standard', signal: 'squeeze', hears: [] })`)
	eval[string](t, buddy.browser, `buddyclock.record('start', null).then((e) => e.id)`)
	pair := eval[string](t, buddy.browser, "buddyclock.frame().pair.pair")
	// A wall clock behind by 5 s must not take the start for one to come.
	buddy.waitFor(t, "buddyclock.frame().status.silence_ms > 7000")
	ahead := eval[float64](t, buddy.browser, "buddyclock.now() - Date.now()")
	for _, ms := range []int{-5000, 20_000} {
		late := pairPhone(t, fmt.Sprint("late by ", ms))
		late.wallOff(t, ms)
		late.joins(t, server.joinURL, pair, "buddy", "Bea")
		late.phase(t, "hold")
		late.waitFor(t, hasTime(ahead))
		late.run(t, chromedp.Reload())
		late.waitFor(t, "globalThis.buddyclock && buddyclock.frame().status?.phase === 'hold'")
		late.waitFor(t, hasTime(ahead))
	}
	board := pairPhone(t, "board")
	board.wallOff(t, 20_000)
	board.open(t, server.instructor)
	board.waitFor(t, hasTime(ahead))
}

// wallOff makes the wall clock of all pages that this phone opens wrong.
func (p *phone) wallOff(t *testing.T, ms int) {
	t.Helper()
	p.run(t, chromedp.ActionFunc(func(ctx context.Context) error {
		_, err := page.AddScriptToEvaluateOnNewDocument(fmt.Sprintf(`globalThis.rightNow = Date.now.bind(Date);
			Date.now = () => rightNow() + (%d);`, ms)).Do(ctx)
		return err
	}))
}

// hasTime is an expression for a page that has the host's time, which is so
// far ahead of the machine's, and knows it.
func hasTime(ahead float64) string {
	return fmt.Sprintf(`buddyclock.frame().clock.synced && !buddyclock.frame().clock.fault && Math.abs(buddyclock.frame().now - rightNow() - (%f)) < 500`, ahead)
}
