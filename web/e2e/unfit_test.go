package e2e

import (
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// unfitHost is a server that speaks a version too new for any page, until it is
// told to be the real one.
type unfitHost struct {
	real  http.Handler
	unfit atomic.Bool
	dials atomic.Int64
}

func (h *unfitHost) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path != "/socket" || !h.unfit.Load() {
		h.real.ServeHTTP(w, r)
		return
	}
	h.dials.Add(1)
	ws, err := (&websocket.Upgrader{}).Upgrade(w, r, nil)
	if err != nil {
		return
	}
	defer ws.Close()
	if _, _, err := ws.ReadMessage(); err == nil {
		_ = ws.WriteJSON(map[string]string{"type": "error", "code": "old-version", "reason": "this page speaks version 1 and the host speaks 9"})
	}
}

// A page that is too old for its host says so and dials no more; its hold goes on
// and reaches the host by requests; it is loaded anew by a tap, never in a hold.
func TestH08PageTooOldForItsHost(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	target, err := url.Parse("http://" + server.addr)
	require.NoError(t, err)
	host := &unfitHost{real: httputil.NewSingleHostReverseProxy(target)}
	host.unfit.Store(true)
	front := httptest.NewServer(host)
	t.Cleanup(front.Close)

	p := lonelyPhone(t)
	p.open(t, strings.Replace(server.joinURL, "http://"+server.addr, front.URL, 1))
	eval[bool](t, p.browser, `buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)`)
	eval[string](t, p.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 240, cadence: 'standard', signal: 'squeeze', hears: [] })`)
	eval[string](t, p.browser, `buddyclock.record('start', null).then((e) => e.id)`)
	p.phase(t, "hold")
	p.says(t, "load the page anew after the hold")
	p.picture(t, "too old")
	const offered = "document.getElementById('offer').checkVisibility()"
	assert.False(t, eval[bool](t, p.browser, offered), "not in a hold")
	eval[bool](t, p.browser, "(globalThis.same = true, buddyclock.takeNewer().then(() => true))")
	p.pressSlab(t, "look")
	p.waitFor(t, "globalThis.same && buddyclock.frame().link.unsent === 0")
	assert.Equal(t, 3, eval[int](t, p.browser, onDisk("stored")))
	assert.Equal(t, "not-live", eval[string](t, p.browser, "buddyclock.frame().link.state"))

	for _, kind := range []string{"surfaced", "ok", "watch-ended"} {
		eval[string](t, p.browser, `buddyclock.record('`+kind+`', { forced: true }).then((e) => e.id)`)
	}
	p.phase(t, "over")
	p.says(t, "How was it?") // what stands above it moves until this is there
	p.waitFor(t, offered)
	assert.LessOrEqual(t, host.dials.Load(), int64(2), "one dial as it joined, and one more at most")
	host.unfit.Store(false)
	p.tap(t, "load the page anew")
	p.waitFor(t, "globalThis.same === undefined && globalThis.buddyclock?.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
	assert.False(t, eval[bool](t, p.browser, "buddyclock.frame().page.unfit"))
}
