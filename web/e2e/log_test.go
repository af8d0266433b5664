package e2e

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// withLog is a phone whose log has twenty invented outings.
func withLog(t *testing.T, name string, width, height int64) *phone {
	t.Helper()
	server := startProgram(t, "", "")
	p := newPhone(t, name, width, height, browserSetup{limit: 4 * time.Minute})
	p.open(t, server.joinURL)
	eval[bool](t, p.browser, "buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)")
	p.waitFor(t, "buddyclock.frame().link.state === 'live'")
	p.takeIn(t, inventedOutings(20, 4, time.Now()), "0 refused")
	p.waitFor(t, "buddyclock.log.lines().length === 80")
	return p
}

// show opens a sheet as the page's own words do, and waits for something on it.
func (p *phone) show(t testing.TB, view, params, until string) {
	t.Helper()
	eval[bool](t, p.browser, fmt.Sprintf("(buddyclock.go('%s', %s), true)", view, params))
	p.waitFor(t, until)
}

// dayAndNight keeps a picture of each.
func (p *phone) dayAndNight(t testing.TB, step string) {
	t.Helper()
	for _, night := range []bool{true, false} {
		eval[bool](t, p.browser, fmt.Sprintf("(buddyclock.prefs.set('night', %v), true)", night))
		p.picture(t, fmt.Sprintf("%s-night-%v", step, night))
	}
}

// The trends of a diver stand on charts and, the same figures, in tables; a
// line has its interval, and what went along is spoken of without a cause.
func TestTrendsHaveATableOfEveryChart(t *testing.T) {
	t.Parallel()
	p := withLog(t, "trends", 390, 844)
	p.show(t, "trends", "{ diver: 'Ansa', setting: 'dry' }", "document.querySelectorAll('.trend-chart').length === 5")
	p.dayAndNight(t, "trends")
	rows := eval[int](t, p.browser, "document.querySelectorAll('.trend .numbers tbody tr').length")
	dots := eval[int](t, p.browser, "document.querySelectorAll('.trend-chart circle').length")
	assert.Equal(t, dots, rows)
	assert.Equal(t, 50, dots, "ten dry days in five charts")
	p.says(t, "in 30 days")
	p.says(t, "worried")
	p.tap(t, "numbers")
	require.True(t, eval[bool](t, p.browser, "document.querySelector('.trend .numbers').getBoundingClientRect().height > 100"))
	p.picture(t, "numbers")
	p.show(t, "log", "{}", "document.querySelectorAll('.log-row .tape-strip path').length > 20")
	p.dayAndNight(t, "log")
	p.tap(t, "open the debrief")
	p.waitFor(t, "document.querySelector('.debrief .charts svg')")
	p.says(t, "the diver’s usual")
	p.dayAndNight(t, "debrief")
	eval[bool](t, p.browser, "(document.querySelector('.readings-list').scrollIntoView(), true)")
	p.picture(t, "debrief-more")
	p.tap(t, "along the tape")
	p.waitFor(t, "document.querySelector('.readings .scrub .tape-strip')")
	p.dayAndNight(t, "along")
	before := eval[int](t, p.browser, "buddyclock.log.lines().at(-1).events")
	for _, digit := range "9160" {
		eval[bool](t, p.browser, fmt.Sprintf("([...document.querySelectorAll('.read-pad .key')].find((k) => k.innerText === '%c').click(), true)", digit))
	}
	p.tap(t, "keep, next")
	p.waitFor(t, fmt.Sprintf("buddyclock.log.lines().at(-1).events === %d", before+1))
	p.says(t, "SpO₂ 91, pulse 60")
}

// A pair that has been here before is two presses from the breathe-up, with
// every figure filled in and its origin said. What an outing asks for once is
// done before: counted beeps and the place card.
func TestH19AKnownPairIsTwoPressesFromTheBreatheUp(t *testing.T) {
	t.Parallel()
	p := withLog(t, "pair", 390, 844)
	eval[bool](t, p.browser, `buddyclock.record('place', { number: '112', address: 'pool, gate 2' }).then(() => true)`)
	p.hears(t)
	p.show(t, "plan", "{}", "document.querySelector('.plan')")
	p.picture(t, "plan-empty")
	presses := 0
	p.tap(t, "Ansa, Odo watches")
	presses++
	p.says(t, "median of")
	p.dayAndNight(t, "plan-filled")
	assert.Equal(t, "Ansa Odo", eval[string](t, p.browser, "document.querySelector('[name=diver]').value + ' ' + document.querySelector('[name=buddy]').value"))
	assert.NotEmpty(t, eval[string](t, p.browser, "document.querySelector('[name=onset]').value"))

	// Far over the longest clean hold: one line each, with its source, and no way past but a named one.
	p.fill(t, "planned", "9:00")
	p.says(t, "over the longest clean hold")
	p.says(t, "from the log")
	p.dayAndNight(t, "plan-guard")
	eval[bool](t, p.browser, "(document.querySelector('.guard .key.fill').click(), true)")
	p.waitFor(t, "document.querySelector('.guard').hidden")

	p.tap(t, "breathe-up")
	presses++
	p.phase(t, "breathe-up")
	p.waitFor(t, "document.querySelector('[aria-label=breathe-up]')")
	assert.Equal(t, 2, presses)
	plan := eval[string](t, p.browser, "JSON.stringify(buddyclock.frame().status.plan)")
	assert.Contains(t, plan, `"diver":"Ansa"`)
	assert.Contains(t, plan, `"buddy":"Odo"`)
}

// A series is shaped on its tape by a finger and by keys, then its first hold
// is planned like any other; it can be ended at any time.
func TestSeriesIsPulledIntoShapeOnItsTape(t *testing.T) {
	t.Parallel()
	p := withLog(t, "series", 390, 844)
	p.show(t, "plan", "{}", "document.querySelector('.plan')")
	p.tap(t, "Ansa, Odo watches")
	p.show(t, "series", "{}", "document.querySelectorAll('.notch').length === 11")
	p.dayAndNight(t, "series")
	length := func(notch int) int {
		return eval[int](t, p.browser, fmt.Sprintf("Number(document.querySelectorAll('.notch')[%d].getAttribute('aria-valuenow'))", notch))
	}
	first, rest := length(0), length(1)
	box := eval[[]float64](t, p.browser, "(() => { const r = document.querySelectorAll('.notch-grip')[0].getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; })()")
	p.run(t, input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{{X: box[0], Y: box[1]}}))
	for step := 1; step <= 6; step++ {
		p.run(t, input.DispatchTouchEvent(input.TouchMove, []*input.TouchPoint{{X: box[0] + float64(step)*2, Y: box[1]}}))
	}
	p.run(t, input.DispatchTouchEvent(input.TouchEnd, []*input.TouchPoint{}))
	pulled := length(0)
	assert.Greater(t, pulled, first, "the first hold grows under the finger")
	assert.Equal(t, rest, length(1), "and nothing else")
	assert.Equal(t, pulled-first, length(4)-(first+2*(length(2)-pulled)), "all holds with it")

	eval[bool](t, p.browser, "(document.querySelectorAll('.notch')[1].focus(), true)")
	p.run(t, chromedp.KeyEvent(kb.ArrowLeft))
	require.Equal(t, rest-5, length(1), "a key moves a rest by five seconds")
	p.says(t, "twice the hold before")
	p.tap(t, "shrinking rests")
	p.waitFor(t, "document.querySelectorAll('.notch')[0].getAttribute('aria-valuenow') === document.querySelectorAll('.notch')[2].getAttribute('aria-valuenow')")
	p.picture(t, "series-shrinking")
	p.tap(t, "plan the first hold")
	p.says(t, "hold 1 of 6")
	p.dayAndNight(t, "series-plan")
	p.tap(t, "end the series")
	p.waitFor(t, "buddyclock.series() === null")
}

// The print view holds the tape, the numbers and the cautions, on white paper
// also at night, and nothing to press.
func TestReportGoesOnPaper(t *testing.T) {
	t.Parallel()
	p := withLog(t, "report", 390, 844)
	eval[bool](t, p.browser, "(buddyclock.prefs.set('night', true), true)")
	for name, params := range map[string]string{"trends": "{ diver: 'Ansa', setting: 'dry' }", "hold": "{ holds: [buddyclock.log.lines().at(-1).hold] }"} {
		p.show(t, "plan", "{}", "document.querySelector('.plan')")
		p.show(t, "report", params, "document.querySelector('.hold-report .tape-strip')")
		p.says(t, "not a medical device")
		require.True(t, eval[bool](t, p.browser, "document.querySelectorAll('.report table tbody tr').length > 10"))
		p.picture(t, "report-"+name)
		p.run(t, emulation.SetEmulatedMedia().WithMedia("print"))
		require.True(t, eval[bool](t, p.browser, "[...document.querySelectorAll('button')].every((b) => b.getBoundingClientRect().height === 0)"), "nothing to press on paper")
		require.Equal(t, "rgb(255, 255, 255)", eval[string](t, p.browser, "getComputedStyle(document.body).backgroundColor"))
		p.run(t, emulation.SetEmulatedMedia().WithMedia(""))
		var pdf []byte
		p.run(t, chromedp.ActionFunc(func(ctx context.Context) (err error) {
			pdf, _, err = page.PrintToPDF().WithPrintBackground(true).WithPaperWidth(8.27).WithPaperHeight(11.69).WithPreferCSSPageSize(false).Do(ctx)
			return err
		}))
		require.Greater(t, len(pdf), 20_000)
		if dir := os.Getenv("BUDDYCLOCK_PICTURES"); dir != "" {
			require.NoError(t, os.WriteFile(filepath.Join(dir, "report-"+name+".pdf"), pdf, 0o600))
		}
	}
}

// everythingKept is an expression: the text of everything the page keeps, of all
// its stores, to look for what must not be there.
const everythingKept = `new Promise((done, fail) => {
	const opening = indexedDB.open('buddyclock');
	opening.onerror = fail;
	opening.onsuccess = () => {
		const names = [...opening.result.objectStoreNames];
		const tx = opening.result.transaction(names);
		const all = names.map((name) => [tx.objectStore(name).getAllKeys(), tx.objectStore(name).getAll()]);
		tx.oncomplete = () => {
			opening.result.close();
			done(JSON.stringify([all.map(([keys, values]) => [keys.result, values.result]), { ...localStorage }, { ...sessionStorage }]));
		};
	};
})`

// An erased diver is gone from everything the page keeps, after a person has
// typed the name; the log went nowhere but to this host meanwhile.
func TestH21ErasedIsGoneFromThePhoneAndNothingLeavesIt(t *testing.T) {
	t.Parallel()
	server := startProgram(t, "", "")
	p := newPhone(t, "erase", 320, 568, browserSetup{limit: 4 * time.Minute})
	var asked sync.Map
	chromedp.ListenTarget(p.ctx, func(event any) {
		if e, ok := event.(*network.EventRequestWillBeSent); ok {
			asked.Store(e.Request.URL, true)
		}
	})
	p.run(t, network.Enable())
	p.open(t, server.joinURL)
	eval[bool](t, p.browser, "buddyclock.access.alone('Odo').then(() => true)")
	p.takeIn(t, inventedOutings(3, 4, time.Now()), "0 refused")
	p.waitFor(t, "buddyclock.log.lines().length === 12")
	p.show(t, "people", "{ name: 'Ansa' }", "document.querySelector('.profile')")
	p.fill(t, "profile_remarks", "asthma as a child")
	p.dayAndNight(t, "profile")
	p.tap(t, "keep")
	p.says(t, "no profile")
	for _, view := range []string{"trends", "log", "report", "files", "series", "plan"} {
		p.show(t, view, "{ diver: 'Ansa' }", fmt.Sprintf("document.querySelector('.%s')", view))
		p.picture(t, view)
	}
	require.Contains(t, eval[string](t, p.browser, everythingKept), "asthma")

	p.show(t, "files", "{ diver: 'Ansa', erase: true }", "document.querySelector('.files')")
	require.True(t, eval[bool](t, p.browser, "[...document.querySelectorAll('.erase .key')].every((k) => k.disabled)"), "not without the name")
	p.fill(t, "erase", "ansa")
	p.tap(t, "erase for good")
	p.says(t, "6 holds erased from this phone")
	p.picture(t, "erased")
	kept := eval[string](t, p.browser, everythingKept)
	assert.NotContains(t, kept, "asthma")
	assert.NotContains(t, kept, `"diver":"Ansa"`)
	assert.NotContains(t, kept, `"key":"ansa","made"`, "nor what was said over their holds")
	assert.Contains(t, kept, `"diver":"Odo"`)
	assert.Equal(t, 6, eval[int](t, p.browser, "buddyclock.log.lines().length"))

	asked.Range(func(url, _ any) bool {
		for _, mine := range []string{"http://" + server.addr, "ws://" + server.addr, "data:", "blob:http://" + server.addr} {
			if strings.HasPrefix(url.(string), mine) {
				return true
			}
		}
		t.Errorf("the page asked for %s", url)
		return true
	})
}
