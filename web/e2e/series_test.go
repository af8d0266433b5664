package e2e

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	cdp "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// theirSeries records a series of Ansa's with Odo watching, as its sheet does.
func (p *phone) theirSeries(t testing.TB, id string, restS int) {
	t.Helper()
	eval[string](t, p.browser, fmt.Sprintf(`buddyclock.record('series', { series: '%s', setting: 'dry', diver: 'Ansa', buddy: 'Odo',
		steps: [{ planned_s: 60, rest_s: %d }, { planned_s: 70, rest_s: %d }, { planned_s: 80, rest_s: 0 }] },
		{ hold: buddyclock.frame().me.device + '-h00' }).then((e) => e.id)`, id, restS, restS))
	p.waitFor(t, "buddyclock.series() !== null")
}

// begins plans the next hold of a series and starts it.
func (p *phone) begins(t testing.TB, series string, no int) {
	t.Helper()
	eval[string](t, p.browser, fmt.Sprintf(`buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 60, cadence: 'standard',
		signal: 'squeeze', hears: [], series: '%s', series_no: %d })`, series, no))
	eval[string](t, p.browser, "buddyclock.record('start', null).then((e) => e.id)")
	p.phase(t, "hold")
}

// does records an event of the running hold.
func (p *phone) does(t testing.TB, kind, data string) {
	t.Helper()
	eval[string](t, p.browser, fmt.Sprintf("buddyclock.record('%s', %s).then((e) => e.id)", kind, data))
}

// blocked is an expression: nobody may plan a hold of Ansa's.
const blocked = "buddyclock.blockedToday('Ansa') !== null"

// A pair in a series, through what may happen to it. A second buddy's phone
// types readings in big digits, the one that looks is never asked to; the rest
// runs on both phones and the breathe-up counts to its end; the diver's phone
// ends the series; an incident ends one by itself and blocks the diver, whom
// only the instructor's board lets dive again, by name and with a reason; and
// what the host erases is gone from the other phone too.
func TestH19APairInASeries(t *testing.T) {
	t.Parallel()
	server := startProgram(t, "", "")
	buddy := newPhone(t, "series-buddy", 390, 844, browserSetup{limit: 4 * time.Minute})
	buddy.open(t, server.joinURL)
	eval[bool](t, buddy.browser, "buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)")
	other := newPhone(t, "series-other", 320, 568, browserSetup{limit: 4 * time.Minute})
	other.open(t, server.joinURL)
	pair := eval[string](t, buddy.browser, "buddyclock.frame().pair.pair")
	as := func(role string) {
		eval[bool](t, other.browser, fmt.Sprintf("buddyclock.access.join({ pair: '%s', role: '%s', name: 'Bea' }).then(() => true)", pair, role))
		other.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.clock().synced")
	}
	as("buddy")
	buddy.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.clock().synced")
	buddy.theirSeries(t, "s1", 240)

	// Readings, on the second buddy's phone alone.
	buddy.begins(t, "s1", 0)
	other.phase(t, "hold")
	reads := func(p *phone, yes bool) {
		eval[bool](t, p.browser, fmt.Sprintf("(buddyclock.prefs.set('reads', %v), true)", yes))
	}
	reads(other, true)
	other.waitFor(t, "document.querySelector('.read-pad')")
	other.picture(t, "readings-pad")
	require.True(t, eval[bool](t, buddy.browser, "document.querySelector('.slab') !== null && document.querySelector('.read-pad') === null"), "the one who looks is not asked to type")
	typed := func(digits string) {
		other.tap(t, "clear")
		for _, digit := range digits {
			eval[bool](t, other.browser, fmt.Sprintf("([...document.querySelectorAll('.read-pad .key')].find((k) => k.innerText === '%c').click(), true)", digit))
		}
		other.tap(t, "keep")
	}
	typed("2960")
	other.says(t, "SpO₂ is 30 to 100")
	other.picture(t, "readings-refused")
	assert.Zero(t, eval[int](t, other.browser, recorded("reading")))
	typed("4560")
	other.says(t, "press keep again")
	other.picture(t, "readings-asked")
	assert.Zero(t, eval[int](t, other.browser, recorded("reading")))
	other.tap(t, "keep")
	other.waitFor(t, recorded("reading")+" === 1")
	typed("9660")
	other.says(t, "press keep again") // far from the one before
	other.tap(t, "keep")
	buddy.waitFor(t, recorded("reading")+" === 2")
	other.says(t, "SpO₂ 96, pulse 60")
	other.picture(t, "readings-kept")
	// With nobody left who looks, this phone looks.
	reads(buddy, true)
	other.waitFor(t, "document.querySelector('.slab') && !document.querySelector('.read-pad')")
	require.True(t, eval[bool](t, buddy.browser, "document.querySelector('.slab') !== null && document.querySelector('.read-pad') === null"))
	reads(buddy, false)
	reads(other, false)

	// The rest, on both phones, and the breathe-up that counts to its end.
	for _, kind := range []string{"surfaced", "ok", "watch-ended"} {
		buddy.does(t, kind, "null")
	}
	buddy.phase(t, "over")
	buddy.does(t, "verdict", "{ what: 'clean' }")
	as("diver")
	other.says(t, "then hold 2 of 3")
	other.picture(t, "rest-diver")
	buddy.waitFor(t, "document.querySelector('.debrief .d-next')")
	buddy.picture(t, "rest-debrief")
	buddy.does(t, "place", "{ number: '112', address: 'pool, gate 2' }")
	buddy.hears(t)
	buddy.show(t, "plan", "{}", "document.querySelector('.plan')")
	buddy.says(t, "hold 2 of 3")
	buddy.picture(t, "rest-plan")
	buddy.tap(t, "Odo: go on") // far over the few seconds that were the first hold
	buddy.tap(t, "breathe-up")
	buddy.phase(t, "breathe-up")
	assert.True(t, eval[bool](t, buddy.browser, `(() => {
		const rested = buddyclock.log.lines().at(-1).end_at + 240_000;
		return buddyclock.frame().status.zero_at === rested;
	})()`), "the countdown's zero is the end of the rest")
	buddy.picture(t, "rest-breathe")
	other.phase(t, "breathe-up")
	other.picture(t, "rest-breathe-diver")
	buddy.does(t, "breathe-up", "{ stop: true }")

	// The diver's phone ends the series.
	other.tap(t, "end the series")
	buddy.waitFor(t, "buddyclock.series() === null")
	other.waitFor(t, "!document.body.innerText.includes('end the series')")

	// An incident ends the next one by itself, and blocks the diver on every phone.
	buddy.theirSeries(t, "s2", 240)
	other.says(t, "hold 1 of 3")
	buddy.begins(t, "s2", 0)
	buddy.does(t, "incident", "{ what: 'blackout' }")
	buddy.does(t, "recovered", "null")
	buddy.does(t, "watch-ended", "null")
	buddy.phase(t, "over")
	buddy.does(t, "verdict", "{ what: 'passed-out' }")
	for _, p := range []*phone{buddy, other} {
		p.waitFor(t, "buddyclock.series() === null && "+blocked)
	}
	buddy.show(t, "plan", "{}", "document.querySelector('.plan')")
	buddy.fill(t, "diver", "Ansa")
	buddy.fill(t, "buddy", "Odo")
	buddy.says(t, "no more holds")
	buddy.picture(t, "blocked")
	// No phone of the pair lifts it: there is no such key, and such a note of theirs is but a note.
	require.Equal(t, "null", eval[string](t, buddy.browser, "String([...document.querySelectorAll('.guard .key')].find((k) => /lift/.test(k.innerText)) ?? null)"))
	for _, p := range []*phone{buddy, other} {
		p.does(t, "note", "{ lifts: 'block', diver: 'Ansa', name: 'Odo', text: 'feels fine' }")
	}
	board := newBoard(t, server, 1280, 800, 1, browserSetup{limit: 4 * time.Minute})
	for _, p := range []*phone{buddy, other} {
		p.waitFor(t, "buddyclock.frame().link.unsent === 0 && "+blocked)
	}
	board.click(t, rowOf(1)+".querySelector('.b-who')", "document.querySelector('.b-blocks .lift')")
	board.picture(t, "board-blocked")
	board.click(t, "document.querySelector('.b-blocks .lift .key')", "document.body.innerText.includes('a name and a reason')")
	assert.True(t, eval[bool](t, buddy.browser, blocked), "not without a name and a reason")
	board.fill(t, "name of the instructor", "Runa")
	board.fill(t, "reason", "a mistaken press, seen by me")
	board.click(t, "document.querySelector('.b-blocks .lift .key')", "document.body.innerText.includes('block is lifted')")
	board.picture(t, "board-lifted")
	for _, p := range []*phone{buddy, other} {
		p.waitFor(t, "buddyclock.blockedToday('Ansa') === null")
	}
	buddy.says(t, "breathe-up")
	buddy.picture(t, "lifted")

	// Erased on the host by one phone's wish: gone from the other, which was told.
	require.Contains(t, eval[string](t, other.browser, everythingKept), `"diver":"Ansa"`)
	buddy.show(t, "files", "{ diver: 'Ansa', erase: true }", "document.querySelector('.files')")
	buddy.fill(t, "erase", "Ansa")
	buddy.tap(t, "erase for good")
	buddy.says(t, "2 holds erased from this phone, 3 from the host") // which counts the one that was only planned
	buddy.picture(t, "erased")
	other.waitFor(t, "buddyclock.log.lines().length === 0 && buddyclock.frame().hold === null")
	for _, p := range []*phone{buddy, other} {
		kept := eval[string](t, p.browser, everythingKept)
		assert.NotContains(t, kept, `"diver":"Ansa"`)
		assert.NotContains(t, kept, `"spo2"`)
	}
}

// hostLog is what the host gives a phone of its log.
func hostLog(t testing.TB, p *phone) []any {
	t.Helper()
	return eval[[]any](t, p.browser, `(async () => {
		const { token } = JSON.parse(localStorage.getItem('buddyclock.device'));
		const answer = await fetch('/api/log', { method: 'POST', body: JSON.stringify({ token, all: true }) });
		return (await answer.json()).holds ?? [];
	})()`)
}

// What a phone reads in stays there, and it says so; an instructor's board
// brings a file into the host, which tells what it took.
func TestALogIntoThePhoneAndIntoTheHost(t *testing.T) {
	t.Parallel()
	server := startProgram(t, "", "")
	p := newPhone(t, "into-phone", 390, 844, browserSetup{limit: boardLimit})
	p.open(t, server.joinURL)
	eval[bool](t, p.browser, "buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)")
	p.takeIn(t, inventedOutings(5, 4, time.Now()), "0 refused")
	p.waitFor(t, "buddyclock.log.lines().length === 20 && buddyclock.frame().link.unsent === 0")
	p.says(t, "stays on this phone")
	p.says(t, "buddyclock import")
	p.picture(t, "files")
	require.Empty(t, hostLog(t, p), "nothing of it went to the host")

	// Given out by the phone, taken in by the board, and known the second time.
	dir := t.TempDir()
	p.run(t, cdp.SetDownloadBehavior(cdp.SetDownloadBehaviorBehaviorAllow).WithDownloadPath(dir))
	p.tap(t, "whole log")
	p.says(t, "20 holds given out")
	var files []string
	for len(files) == 0 {
		require.NoError(t, p.ctx.Err(), "the file never came")
		files, _ = filepath.Glob(filepath.Join(dir, "*.jsonl"))
	}
	board := newBoard(t, server, 1280, 800, 1, browserSetup{limit: boardLimit})
	board.click(t, "[...document.querySelectorAll('button')].find((b) => b.innerText.toLowerCase() === 'outing')", "document.querySelector('input[type=file]')")
	for _, said := range []string{"0 known, 0 refused", "0 new"} {
		board.run(t, chromedp.SetUploadFiles("input[type=file]", files, chromedp.ByQuery))
		board.says(t, said)
		board.waitFor(t, "document.querySelector('progress').hidden")
	}
	eval[bool](t, board.browser, "(document.querySelector('input[type=file]').scrollIntoView(), true)")
	board.picture(t, "board")
	assert.Len(t, eval[[]any](t, board.browser, "buddyclock.ask('/api/log', { all: true }).then((a) => a.holds)"), 20)
	assert.Empty(t, hostLog(t, p), "a member is given its own pair's part as before")
}
