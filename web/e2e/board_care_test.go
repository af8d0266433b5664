package e2e

import (
	"fmt"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// valueOf is an expression for what a field of the place card says.
func valueOf(name string) string {
	return fmt.Sprintf("document.querySelector('.b-sheet input[name=place-%s]').value", name)
}

// Two instructors at one outing do not undo each other's work: what one types stays
// while the other keeps something else, an end that was asked for in spite of some
// holds is not asked for in spite of others, and a list that changes leaves its keys
// as they are. A code that could not be had is asked for again.
func TestTwoInstructorsDoNotUndoEachOthersWork(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	one, two := newPlannedPair(t, server, "Ansa"), newPlannedPair(t, server, "Ilo")
	chromium := startBrowser(t, browserSetup{limit: boardLimit})
	window := chromium.newPerson(t)
	chromium.run(t, network.SetBlockedURLs([]string{"*/api/invite"}))
	a, b := boardIn(t, chromium, server, 1280, 800, 2), boardIn(t, window, server, 1024, 768, 2)
	b.failOnPageErrors(t)

	a.sheet(t, 0, func() {
		b.sheet(t, 0, func() {
			// The code comes, to the sheet and to the head, as soon as it can be had.
			a.waitFor(t, "document.querySelector('.b-sheet .b-said.problem')")
			assert.True(t, eval[bool](t, a.browser, "document.querySelector('.b-join').textContent === '' && document.querySelector('.code-shown').textContent === ''"))
			a.run(t, network.SetBlockedURLs(nil))
			a.waitFor(t, "document.querySelector('.b-join').textContent !== '' && document.querySelector('.code-shown').textContent !== ''")
			assert.True(t, eval[bool](t, a.browser, "[...document.querySelectorAll('.b-sheet .b-said')].every((n) => n.hidden)"), "it still says that there is no code")

			// The card.
			a.fill(t, "in reach", "Sanna")
			b.fill(t, "oxygen", "ask Wim")
			b.fill(t, "emergency number", "112")
			b.fill(t, "address", "Lake Hall, 5 Pier Road")
			b.click(t, wordOf("keep the card for all"), "buddyclock.frame().outing.place?.oxygen === 'ask Wim'")
			b.fill(t, "oxygen", "by the blue door")
			a.waitFor(t, valueOf("number")+" === '112' && "+valueOf("address")+".startsWith('Lake Hall') && "+valueOf("oxygen")+" === 'ask Wim'")
			assert.Equal(t, "Sanna", eval[string](t, a.browser, valueOf("reach")), "what is typed here was lost")
			a.fill(t, "oxygen", "behind the desk")
			a.click(t, wordOf("keep the card for all"), "buddyclock.frame().outing.place?.reach === 'Sanna'")
			b.waitFor(t, valueOf("reach")+" === 'Sanna'")
			assert.Equal(t, "by the blue door", eval[string](t, b.browser, valueOf("oxygen")), "what is typed there was lost")

			// The list of devices: who goes, comes and is taken out leaves the others' keys as they are.
			deviceOf := func(device string) string {
				return fmt.Sprintf("document.querySelector('.b-device[data-device=\"%s\"]')", device)
			}
			a.waitFor(t, deviceOf(one.device))
			eval[bool](t, a.browser, fmt.Sprintf("(globalThis.before = %s, true)", deviceOf(one.device)))
			two.gone()
			a.waitFor(t, deviceOf(two.device)+".innerText.includes('not here')")
			three := newPlannedPair(t, server, "Nils")
			a.waitFor(t, deviceOf(three.device))
			a.click(t, deviceOf(two.device)+"?.querySelector('.b-remove')", "!"+deviceOf(two.device))
			assert.True(t, eval[bool](t, a.browser, "before.isConnected"), "a key that may be pressed was made anew")

			a.picture(t, "devices")

			// The end.
			says := func(words string) string {
				return fmt.Sprintf("document.querySelector('.b-end-outing').innerText.startsWith('%s')", words)
			}
			one.say(t, "start", -20, nil)
			a.waitFor(t, "buddyclock.frame().rows.filter((r) => r.running).length === 1")
			a.click(t, "document.querySelector('.b-end-outing')", says("end it anyway"))
			three.say(t, "start", 0, nil)
			a.waitFor(t, says("end the outing"))
			a.click(t, "document.querySelector('.b-end-outing')", says("end it anyway"))
			assert.Zero(t, eval[int](t, a.browser, "buddyclock.frame().outing.ended_ms"), "ended in spite of a hold that nobody was asked about")
			a.click(t, "document.querySelector('.b-end-outing')", "buddyclock.frame().outing.ended_ms")
		})
	})
}

// The keyboard's place is never lost: not by an offer, not with an alarm that ends,
// and not in rows that are hidden.
func TestBoardKeepsTheKeyboardsPlace(t *testing.T) {
	t.Parallel() // it mostly waits
	b, pairs := calmBoard(t, 4, 1280, 800)
	number := "document.activeElement.closest('.b-row')?.querySelector('.b-number').textContent"
	press := func(keys string) { b.run(t, chromedp.KeyEvent(keys)) }

	// An alarm that ends takes its key along, but not the place.
	pairs[1].say(t, "no-answer", 0, nil)
	b.tone(t, 2, "alarm")
	b.focus(t, "I'm going")
	require.Equal(t, "2", eval[string](t, b.browser, number))
	for _, kind := range []string{"surfaced", "awake", "ok", "watch-ended"} {
		pairs[1].say(t, kind, 0, map[string]any{"forced": true})
	}
	b.waitFor(t, "buddyclock.frame().rows[1].since === null && document.activeElement.classList.contains('b-who')")
	require.Equal(t, "2", eval[string](t, b.browser, number))

	// With a pair's sheet open only that pair and those in need are in sight: the arrows go from one to the next of them.
	b.focus(t, "pair 4: open")
	press(kb.Enter)
	b.waitFor(t, "document.querySelector('.b-sheet .b-device')")
	pairs[0].say(t, "no-answer", 0, nil)
	b.tone(t, 1, "alarm")
	b.waitFor(t, "document.querySelectorAll('.b-row:not([hidden])').length === 2")
	b.focus(t, "pair 1: open")
	press(kb.ArrowDown)
	require.Equal(t, "4", eval[string](t, b.browser, number))
	press(kb.ArrowDown)
	require.Equal(t, "4", eval[string](t, b.browser, number), "there is none below")
	press(kb.ArrowUp)
	require.Equal(t, "1", eval[string](t, b.browser, number))
	press(kb.Escape)
	b.waitFor(t, "document.querySelector('.b-sheet').hidden")

	// An offer is written into the list that it was made in.
	b.focus(t, "pair 2: open")
	press(kb.Enter)
	b.focus(t, "the role diver")
	press(kb.Enter)
	b.waitFor(t, "buddyclock.frame().offers.length === 1 && document.querySelector('.b-device [role=status]')")
	require.True(t, eval[bool](t, b.browser, "document.activeElement.getAttribute('aria-label').endsWith('the role diver')"), "the place was lost")
}

// Late news may say that an alarm never stood. It sounds on until somebody lifts it
// here: it ends with that press, which therefore takes a second.
func TestBoardLiftsAnAlarmOfWhichItAloneKnowsByALongPress(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	one := newPlannedPair(t, server, "Ansa")
	one.say(t, "start", -85, nil) // after its plan
	one.say(t, "look", -60, nil)
	b := newBoard(t, server, 1280, 800, 1, browserSetup{limit: boardLimit})
	b.tone(t, 1, "alarm")
	assert.Equal(t, "I'm going", eval[string](t, b.browser, "document.querySelector('.b-go').getAttribute('aria-label')"))

	since := eval[float64](t, b.browser, "buddyclock.frame().rows[0].since")
	one.say(t, "look", (since-1000-one.now())/1000, nil)
	b.waitFor(t, `document.querySelector('.b-go').getAttribute('aria-label') === "I'm going press 1 s"`)
	b.tone(t, 1, "alarm")
	b.picture(t, "the board alone knows of it")
	eval[bool](t, b.browser, "(addEventListener('pointerdown', () => { globalThis.downAt = buddyclock.now(); }, true), true)")
	b.click(t, "document.querySelector('.b-go')", "buddyclock.frame().rows[0].since === null")
	b.tone(t, 1, "calm")
	going := "buddyclock.frame().rows[0].hold.events.findLast((e) => e.kind === 'going')"
	b.waitFor(t, going)
	took := eval[float64](t, b.browser, going+".at - downAt")
	// A busy page sees the finger late: this tells the press of a second from the usual one of 120 ms, and no more.
	assert.Greater(t, took, 500.0, "ms")
}
