package e2e

import (
	"io/fs"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/serviceworker"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"buddyclock/web"
)

const pageKept = "globalThis.buddyclock?.frame().page.state === 'kept'"

// reload loads the page anew and waits until it has drawn a view.
func (p *phone) reload(t testing.TB) {
	t.Helper()
	p.run(t, chromedp.Reload())
	p.waitFor(t, "globalThis.buddyclock && document.querySelector('#view .page, #view main')")
}

// A page that the phone keeps opens with the server off, runs a hold, and
// delivers it when a server is there again.
func TestH08KeptPageRunsAHoldWithoutAServer(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := lonelyPhone(t)
	p.open(t, server.joinURL)
	eval[bool](t, p.browser, `buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)`)
	p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
	p.waitFor(t, pageKept)
	server.kill(t)

	p.reload(t)
	p.says(t, "breathe-up")
	assert.Equal(t, "Odo", eval[string](t, p.browser, "buddyclock.frame().me.name"))
	eval[string](t, p.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 240, cadence: 'standard', signal: 'squeeze' })`)
	eval[string](t, p.browser, `buddyclock.record('start', null).then((e) => e.id)`)
	p.phase(t, "hold")
	p.waitFor(t, standing("prompt", "look"))
	p.pressSlab(t, "look")
	p.reload(t)
	p.phase(t, "hold")
	p.pressSlab(t, "look")
	p.record(t, "they’re up", "surfaced")
	p.phase(t, "recovery")
	made := eval[int](t, p.browser, onDisk("new"))
	assert.GreaterOrEqual(t, made, 5)

	again := startProgram(t, server.data, server.addr)
	p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
	assert.Equal(t, 0, eval[int](t, p.browser, onDisk("new")))
	assert.GreaterOrEqual(t, eval[int](t, p.browser, onDisk("stored")), made)
	assert.Equal(t, server.addr, again.addr)
}

// A phone that has joined nobody begins alone where no host answers. What it
// recorded goes to the pair that it joins afterwards, also in another role.
func TestH08BegunAloneDeliveredLater(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := lonelyPhone(t)
	p.open(t, "http://"+server.addr+"/")
	p.waitFor(t, pageKept)
	assert.False(t, eval[bool](t, p.browser, visible("go on with this phone alone")+" !== null"), "a host is there")
	server.kill(t)
	p.reload(t)
	p.says(t, "no link to the host")
	p.picture(t, "alone")
	p.tap(t, "go on with this phone alone")
	p.says(t, "breathe-up")
	assert.Equal(t, "alone", eval[string](t, p.browser, "buddyclock.frame().link.state"))
	eval[string](t, p.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 240, cadence: 'standard' })`)
	eval[string](t, p.browser, `buddyclock.record('start', null).then((e) => e.id)`)
	p.phase(t, "hold")
	p.pressSlab(t, "look")
	p.record(t, "they’re up", "surfaced")
	for _, kind := range []string{"ok", "watch-ended"} {
		eval[string](t, p.browser, `buddyclock.record('`+kind+`', { forced: true }).then((e) => e.id)`)
	}
	p.phase(t, "over")
	made := eval[int](t, p.browser, "buddyclock.frame().hold.events.length")

	again := startProgram(t, server.data, server.addr)
	p.run(t, chromedp.Navigate("about:blank"))
	p.open(t, again.joinURL)
	p.says(t, "a new pair")
	eval[bool](t, p.browser, `buddyclock.access.join({ pair: 'new', role: 'diver', name: 'Ansa' }).then(() => true)`)
	p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
	assert.Equal(t, "diver", eval[string](t, p.browser, "buddyclock.frame().me.role"))
	assert.Equal(t, 0, eval[int](t, p.browser, onDisk("new")))
	assert.Equal(t, 0, eval[int](t, p.browser, onDisk("refused")))
	assert.GreaterOrEqual(t, eval[int](t, p.browser, onDisk("stored")), made)
}

// What was not delivered as a phone left its pair goes to that pair later.
func TestH08WhatAnEarlierPairIsOwedIsDelivered(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := lonelyPhone(t)
	p.open(t, server.joinURL)
	p.inHold(t, "dry")
	p.waitFor(t, "buddyclock.frame().link.unsent === 0")
	pair := eval[string](t, p.browser, "buddyclock.frame().pair.pair")
	server.kill(t)
	p.pressSlab(t, "look")
	p.waitFor(t, "buddyclock.frame().link.unsent === 1")
	eval[bool](t, p.browser, "buddyclock.access.alone('Odo').then(() => true)")
	p.waitFor(t, "buddyclock.frame().pair === null")

	again := startProgram(t, server.data, server.addr)
	p.run(t, chromedp.Navigate("about:blank"))
	p.open(t, again.joinURL)
	eval[bool](t, p.browser, `buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)`)
	p.waitFor(t, "buddyclock.frame().link.state === 'live'")
	for eval[int](t, p.browser, onDisk("new")) > 0 {
		require.NoError(t, p.ctx.Err(), "what the earlier pair is owed was not delivered")
	}
	assert.NotEqual(t, pair, eval[string](t, p.browser, "buddyclock.frame().pair.pair"))
	assert.Equal(t, 3, eval[int](t, p.browser, onDisk("stored")))
	assert.Equal(t, 0, eval[int](t, p.browser, onDisk("refused")))
}

// edition is a server of the page alone that can change to another version.
type edition struct {
	mu     sync.Mutex
	assets *web.Assets
}

// now gives the version that is served; with another one, that is from now on.
func (e *edition) now(next *web.Assets) *web.Assets {
	e.mu.Lock()
	defer e.mu.Unlock()
	if next != nil {
		e.assets = next
	}
	return e.assets
}

func (e *edition) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	assets := e.now(nil)
	switch r.URL.Path {
	case "/":
		assets.ServeIndex(w, r)
	case "/sw.js":
		assets.ServeWorker(w, r)
	default:
		assets.ServeFile(w, r)
	}
}

// titled is the page with another title, and so another version of it.
func titled(t *testing.T, title string) *web.Assets {
	t.Helper()
	files := fstest.MapFS{}
	require.NoError(t, fs.WalkDir(web.Source(), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := fs.ReadFile(web.Source(), name)
		files[name] = &fstest.MapFile{Data: data}
		return err
	}))
	index := strings.Replace(string(files["index.html"].Data), "<title>Buddyclock<", "<title>"+title+"<", 1)
	files["index.html"].Data = []byte(index)
	assets, err := web.NewAssets(files)
	require.NoError(t, err)
	return assets
}

// workerOf gives a wait until so many workers of the page have reached a state,
// seen from a tab that is no page of theirs and so does not hold them up.
func (b *browser) workerOf(t *testing.T, state serviceworker.VersionStatus, want int) (wait func()) {
	t.Helper()
	reached := make(chan struct{})
	seen := map[string]bool{}
	chromedp.ListenTarget(b.ctx, func(event any) {
		if e, ok := event.(*serviceworker.EventWorkerVersionUpdated); ok && len(seen) < want {
			for _, v := range e.Versions {
				if v.Status == state {
					seen[v.VersionID] = true
				}
			}
			if len(seen) >= want {
				close(reached)
			}
		}
	})
	b.run(t, serviceworker.Enable())
	return func() {
		t.Helper()
		select {
		case <-reached:
		case <-b.ctx.Done():
			require.Fail(t, "the test's time is over before", "%d workers are %s", want, state)
		}
	}
}

// A newer version is kept beside the one in use and opened only after a
// person's tap, which is not offered in a hold; neither a reload nor a closed
// tab opens it, and no file of one version is used with those of another.
func TestH10NewVersionOnlyByATapAndNeverInAHold(t *testing.T) {
	t.Parallel() // it mostly waits
	e := &edition{assets: titled(t, "First")}
	server := httptest.NewServer(e)
	t.Cleanup(server.Close)
	url := server.URL + "/"
	first := e.now(nil).Version()
	p := lonelyPhone(t)
	p.open(t, url)
	p.waitFor(t, pageKept)
	eval[bool](t, p.browser, "buddyclock.access.alone('Odo').then(() => true)")
	eval[string](t, p.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 240, cadence: 'standard' })`)
	eval[string](t, p.browser, `buddyclock.record('start', null).then((e) => e.id)`)
	p.phase(t, "hold")

	second := e.now(titled(t, "Second")).Version()
	p.reload(t)
	p.phase(t, "hold")
	p.waitFor(t, "buddyclock.frame().page.newer")
	offered := "document.getElementById('offer').checkVisibility()"
	assert.False(t, eval[bool](t, p.browser, offered), "not in a hold")
	eval[bool](t, p.browser, "buddyclock.takeNewer().then(() => true)")
	title := func() string { return eval[string](t, p.browser, "document.title") }
	versions := func() string {
		return eval[string](t, p.browser, `[...new Set(performance.getEntriesByType('resource').map((r) => /\/v\/([0-9a-f]+)\//.exec(r.name)?.[1]).filter(Boolean))].join(' ')`)
	}
	assert.Equal(t, "First", title())

	// With its only tab gone the browser makes the newer worker the active one, as soon as the older has nothing to do.
	tab := p.newTab(t)
	newerActive := tab.workerOf(t, serviceworker.VersionStatusActivated, 2)
	p.run(t, page.Close())
	newerActive()
	p.browser = tab
	p.run(t, emulation.SetDeviceMetricsOverride(390, 844, 2, true), emulation.SetTouchEmulationEnabled(true).WithMaxTouchPoints(5))
	p.open(t, url)
	p.phase(t, "hold")
	assert.Equal(t, "First", title())
	assert.Equal(t, first, versions())
	p.pressSlab(t, "look")

	p.record(t, "they’re up", "surfaced")
	for _, kind := range []string{"ok", "watch-ended"} {
		eval[string](t, p.browser, `buddyclock.record('`+kind+`', { forced: true }).then((e) => e.id)`)
	}
	p.phase(t, "over")
	p.waitFor(t, offered)
	p.picture(t, "new version")
	assert.Equal(t, "First", title())
	p.tap(t, "new version: take it")
	p.waitFor(t, "document.title === 'Second' && "+pageKept)
	assert.Equal(t, second, versions())
	assert.False(t, eval[bool](t, p.browser, offered))
	assert.Equal(t, "over", eval[string](t, p.browser, "buddyclock.frame().status.phase"), "with the same hold")
	kept := "caches.keys().then((names) => names.sort().join(' '))"
	for eval[string](t, p.browser, kept) != "buddyclock buddyclock-"+second {
		require.NoError(t, p.ctx.Err(), "the old version is not let go of")
	}
}

// Over plain http no browser keeps the page: it says so before the first hold.
func TestH04PlainHTTPSaysThatThePageIsNotKept(t *testing.T) {
	t.Parallel() // it mostly waits
	server := httptest.NewServer(&edition{assets: titled(t, "Plain")})
	t.Cleanup(server.Close)
	p := &phone{browser: startBrowser(t, browserSetup{flags: map[string]any{"host-resolver-rules": "MAP pool.test 127.0.0.1"}}), name: "plain"}
	p.open(t, strings.Replace(server.URL, "127.0.0.1", "pool.test", 1)+"/")
	require.False(t, eval[bool](t, p.browser, "isSecureContext"))
	p.says(t, "without the host this page does not open")
	assert.Equal(t, "none", eval[string](t, p.browser, "buddyclock.frame().page.state"))
}

// openings is how often each way of opening is measured; the middle one counts.
const openings = 9

// BenchmarkOpenWithoutServer compares opening the kept page with its server
// off and with its server on: off/on is to be at most 2.
func BenchmarkOpenWithoutServer(b *testing.B) {
	server := startProgram(b, "", "")
	p := lonelyPhone(b)
	p.joins(b, server.joinURL, "new", "buddy", "Odo")
	p.waitFor(b, pageKept)
	middle := func() time.Duration {
		var took []time.Duration
		for range openings {
			began := time.Now()
			p.reload(b)
			took = append(took, time.Since(began))
		}
		slices.Sort(took)
		return took[openings/2]
	}
	for b.Loop() {
		on := middle()
		server.kill(b)
		off := middle()
		server = startProgram(b, server.data, server.addr)
		b.ReportMetric(float64(on.Milliseconds()), "on-ms")
		b.ReportMetric(float64(off.Milliseconds()), "off-ms")
		b.ReportMetric(float64(off)/float64(on), "off/on")
	}
}
