package e2e

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// inHold brings a phone from the link into a running hold, by the page's own
// calls: the way by touch is walked in the tests of a whole hold.
func (p *phone) inHold(t testing.TB, setting string) {
	t.Helper()
	eval[bool](t, p.browser, `buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)`)
	p.waitFor(t, "buddyclock.frame().link.state === 'live'")
	eval[string](t, p.browser, fmt.Sprintf(`buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: '%s', planned_s: 240,
		cadence: 'standard', signal: 'squeeze', hears: [] })`, setting))
	eval[string](t, p.browser, `buddyclock.record('start', null).then((e) => e.id)`)
	p.phase(t, "hold")
	p.waitFor(t, "document.querySelector('.slab')")
}

// lonelyPhone is a phone whose server will be killed: the browser itself writes
// every dial that fails into the console as an error.
func lonelyPhone(t testing.TB) *phone {
	t.Helper()
	p := &phone{browser: startBrowser(t, browserSetup{}), name: "lonely"}
	p.run(t, emulation.SetDeviceMetricsOverride(390, 844, 2, true), emulation.SetTouchEmulationEnabled(true).WithMaxTouchPoints(5))
	return p
}

// kinds are the kinds of the running hold's events, in order.
func (p *phone) kinds(t testing.TB) string {
	t.Helper()
	return eval[string](t, p.browser, "buddyclock.frame().hold.events.map((e) => e.kind).join(' ')")
}

// onDisk is an expression: how many events of the page's store are in a state.
func onDisk(state string) string {
	return fmt.Sprintf(`new Promise((done, fail) => {
		const opening = indexedDB.open('buddyclock');
		opening.onerror = fail;
		opening.onsuccess = () => {
			const all = opening.result.transaction('events').objectStore('events').getAll();
			all.onsuccess = () => { opening.result.close(); done(all.result.filter((r) => r.state === '%s').length); };
		};
	})`, state)
}

// A page that is loaded again in a hold shows the same hold at once, counts on
// from the same start and asks for a look; its events keep counting without a
// gap, and each is on the phone's disk.
func TestH10ReloadInAHold(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := newPhone(t, "reload", 390, 844, browserSetup{})
	p.open(t, server.joinURL)
	p.inHold(t, "dry")
	p.pressSlab(t, "look")
	before := p.kinds(t)
	start := eval[float64](t, p.browser, "buddyclock.frame().status.start_at")

	p.run(t, chromedp.Reload())
	p.waitFor(t, "globalThis.buddyclock?.frame().status?.phase === 'hold' && document.querySelector('.slab')")
	assert.Equal(t, before, p.kinds(t))
	assert.Equal(t, start, eval[float64](t, p.browser, "buddyclock.frame().status.start_at"))
	assert.True(t, eval[bool](t, p.browser, "buddyclock.frame().away !== null"), "a look is asked for")
	p.says(t, "look at them")
	p.pressSlab(t, "look")
	assert.True(t, eval[bool](t, p.browser, "buddyclock.frame().away === null"))
	ids := eval[string](t, p.browser, "buddyclock.frame().hold.events.map((e) => Number(e.id.slice(-6))).join(' ')")
	assert.Equal(t, "1 2 3 4", ids)
	p.waitFor(t, "buddyclock.frame().link.unsent === 0")
	assert.Equal(t, 4, eval[int](t, p.browser, onDisk("stored")))
}

// Even where the database has lost a hold, its copy beside it brings it back.
func TestH10MirrorBringsAHoldBack(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := lonelyPhone(t)
	p.open(t, server.joinURL)
	p.inHold(t, "dry")
	server.kill(t)
	p.pressSlab(t, "look")
	before := p.kinds(t)
	eval[bool](t, p.browser, `new Promise((done, fail) => {
		const opening = indexedDB.open('buddyclock');
		opening.onerror = fail;
		opening.onsuccess = () => {
			const tx = opening.result.transaction('events', 'readwrite');
			tx.objectStore('events').clear();
			tx.oncomplete = () => { opening.result.close(); done(true); };
		};
	})`)
	again := startProgram(t, server.data, server.addr)
	// By way of another page: a link that differs in its fragment alone loads nothing.
	p.run(t, chromedp.Navigate("about:blank"))
	p.open(t, again.joinURL)
	p.phase(t, "hold")
	assert.Equal(t, before, p.kinds(t))
	p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
	assert.Equal(t, 3, eval[int](t, p.browser, onDisk("stored")), "and it is on the disk again")
}

// With the server killed the page goes on alone and says so; what was pressed
// meanwhile is on the server's disk once it is back.
func TestH08ThePageGoesOnWithoutAServer(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := lonelyPhone(t)
	p.open(t, server.joinURL)
	p.inHold(t, "dry")
	p.waitFor(t, "buddyclock.frame().link.unsent === 0")
	server.kill(t)
	p.pressSlab(t, "look")
	p.record(t, "contraction", "contraction")
	p.says(t, "not live")
	p.picture(t, "not live")
	assert.True(t, eval[bool](t, p.browser, "[...document.querySelectorAll('.link > *')].every((n) => n.getBoundingClientRect().left >= 0)"), "the mark is cut off")
	p.waitFor(t, "buddyclock.frame().link.unsent === 2")
	assert.Equal(t, 2, eval[int](t, p.browser, onDisk("new")))

	startProgram(t, server.data, server.addr)
	p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
	p.waitFor(t, "buddyclock.clock().synced")
	assert.Equal(t, 0, eval[int](t, p.browser, onDisk("new")))
	assert.Equal(t, "hold", eval[string](t, p.browser, "buddyclock.frame().status.phase"))
}

// A finger that is on the glass as the page is hidden has answered nothing,
// and neither has one that slides away or lifts too soon.
func TestH23NoEndOfATouchIsAnAnswer(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := newPhone(t, "hidden", 390, 844, browserSetup{})
	p.open(t, server.joinURL)
	p.inHold(t, "pool")
	down := func(x, y float64) {
		p.run(t, input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{{X: x, Y: y}}))
	}
	lift := func() { p.run(t, input.DispatchTouchEvent(input.TouchEnd, []*input.TouchPoint{})) }
	before := p.kinds(t)

	down(slabX, slabY)
	p.run(t, input.DispatchTouchEvent(input.TouchMove, []*input.TouchPoint{{X: slabX + 40, Y: slabY}}))
	eval[bool](t, p.browser, "new Promise((done) => setTimeout(() => done(true), 500))")
	lift()
	assert.Equal(t, before, p.kinds(t), "slid away")

	// 'up' takes 0.4 s: the other tab is in front before that.
	other := p.newTab(t)
	p.run(t, page.BringToFront())
	p.waitFor(t, "document.visibilityState === 'visible'")
	down(345, 800)
	other.run(t, page.BringToFront())
	p.waitFor(t, "document.visibilityState === 'hidden'")
	p.run(t, page.BringToFront())
	p.waitFor(t, "document.visibilityState === 'visible' && buddyclock.frame().away !== null")
	eval[bool](t, p.browser, "new Promise((done) => setTimeout(() => done(true), 600))")
	lift()
	assert.NotContains(t, p.kinds(t), "surfaced", "hidden in the middle of a press")
	assert.Equal(t, before, strings.TrimSuffix(p.kinds(t), " sounded"))
}

// Drops elsewhere on the glass neither count nor stand in a finger's way.
func TestH12ASecondTouchElsewhereDoesNotBlock(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := newPhone(t, "drops", 390, 844, browserSetup{})
	p.open(t, server.joinURL)
	p.inHold(t, "pool")
	before := p.kinds(t)
	drop := &input.TouchPoint{X: 60, Y: 120, ID: 1}
	p.run(t, input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{drop}))
	eval[bool](t, p.browser, "new Promise((done) => setTimeout(() => done(true), 600))")
	assert.Equal(t, before, p.kinds(t), "a drop counts for nothing")
	p.run(t, input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{drop, {X: slabX, Y: slabY, ID: 2}}))
	p.waitFor(t, recorded("look")+" === 1")
	p.run(t, input.DispatchTouchEvent(input.TouchEnd, []*input.TouchPoint{}))
}

// A second tab of the same phone shows the hold, but is mute and records
// nothing, until the first is closed.
func TestH22ASecondTabOnlyWatches(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := newPhone(t, "tabs", 390, 844, browserSetup{})
	p.open(t, server.joinURL)
	p.inHold(t, "dry")
	second := p.newTab(t)
	second.run(t, chromedp.Navigate("http://"+server.addr+"/"))
	second.waitFor(t, "globalThis.buddyclock?.frame().status?.phase === 'hold'")
	require.True(t, eval[bool](t, second, "buddyclock.frame().second_tab"))
	second.waitFor(t, "document.getElementById('trouble').innerText.includes('another tab')")
	assert.Equal(t, "second-tab", eval[string](t, second, "buddyclock.record('look', null).then(() => 'recorded', (err) => err.code)"))
	assert.Equal(t, 0, eval[int](t, second, "['prompt', 'again'].map(buddyclock.rungsHere).reduce((a, b) => a + b)"))

	eval[string](t, p.browser, "buddyclock.record('look', null).then((e) => e.id)")
	second.waitFor(t, recorded("look")+" === 1")

	p.run(t, chromedp.Navigate("about:blank"))
	second.waitFor(t, "buddyclock.frame().second_tab === false && buddyclock.frame().link.state === 'live'")
	assert.Regexp(t, `-000004$`, eval[string](t, second, "buddyclock.record('look', null).then((e) => e.id)"))
}

// What a browser may lack is said in words, and the page does what it can.
func TestH04WhatTheBrowserLacksIsSaid(t *testing.T) {
	t.Parallel() // it mostly waits
	lacks := []struct{ name, without, says string }{
		{"store", `Object.defineProperty(globalThis, 'indexedDB', { value: undefined });`, "gives no storage"},
		{"any storage", `for (const n of ['indexedDB', 'localStorage', 'sessionStorage']) Object.defineProperty(globalThis, n, { get() { throw new Error('denied'); } });`, "gives no storage"},
		{"sound", `globalThis.AudioContext = undefined;`, "no sound here"},
		{"sockets", `globalThis.WebSocket = undefined; globalThis.Worker = undefined;`, "no sockets here"},
		{"workers", `globalThis.Worker = undefined;`, ""},
		{"a worker that speaks", `globalThis.Worker = class { postMessage() {} terminate() {} };`, ""},
	}
	server := startProgram(t, "", "")
	for _, lack := range lacks {
		t.Run(lack.name, func(t *testing.T) {
			p := newPhone(t, "without", 390, 844, browserSetup{limit: 40 * time.Second})
			p.run(t, chromedp.ActionFunc(func(ctx context.Context) error {
				_, err := page.AddScriptToEvaluateOnNewDocument(lack.without).Do(ctx)
				return err
			}))
			p.open(t, server.joinURL)
			if lack.says != "" {
				p.says(t, lack.says)
			}
			eval[bool](t, p.browser, `buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)`)
			eval[string](t, p.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 240, cadence: 'standard' })`)
			eval[string](t, p.browser, `buddyclock.record('start', null).then((e) => e.id)`)
			p.phase(t, "hold")
			p.waitFor(t, "document.querySelector('.slab')")
			p.pressSlab(t, "look")
			p.waitFor(t, "buddyclock.frame().link.unsent === 0")
		})
	}
}

// The browser's "back", as a swipe from the edge gives it, does not leave the
// page in a hold, however often.
func TestH10BackDoesNotLeaveAHold(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := newPhone(t, "back", 390, 844, browserSetup{})
	p.open(t, server.joinURL)
	p.inHold(t, "dry")
	p.pressSlab(t, "look")
	eval[bool](t, p.browser, "(() => { globalThis.sameDocument = true; return true; })()")
	for range 2 {
		eval[bool](t, p.browser, "new Promise((done) => { addEventListener('popstate', () => done(true), { once: true }); history.back(); })")
		p.phase(t, "hold")
	}
	require.True(t, eval[bool](t, p.browser, "globalThis.sameDocument === true"))
}
