package e2e

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"buddyclock/server"
	"buddyclock/server/access"
	"buddyclock/server/store"
	"buddyclock/web"
)

var outings = flag.Int("outings", 20, "how many invented outings a phone takes part in before it is asked what it knows")

// otherDay is a clock that is ahead by a while, or behind.
type otherDay struct {
	clock.Clock
	by time.Duration
}

func (c otherDay) Now() time.Time                  { return c.Clock.Now().Add(c.by) }
func (c otherDay) Since(t time.Time) time.Duration { return c.Now().Sub(t) }
func (c otherDay) Until(t time.Time) time.Duration { return t.Sub(c.Now()) }

// startOn runs the real server at an instant of another day, until end is called.
func startOn(t testing.TB, at time.Time, dir, addr string, assets *web.Assets) (p *program, end func()) {
	t.Helper()
	clk := otherDay{clock.New(), time.Until(at)}
	shared := server.NewSharedClock(clk)
	st, err := store.Open(dir, shared.NowMs)
	require.NoError(t, err)
	session, err := st.ContinueSession(access.NewID(), 12*3_600_000)
	require.NoError(t, err)
	listener, err := net.Listen("tcp", addr)
	require.NoError(t, err)
	url := "http://" + listener.Addr().String()
	srv := server.New(server.Options{
		Store: st, Session: session, Clock: clk, Shared: shared, Assets: assets,
		Hosts: server.NewHosts(clk), URLs: func() []string { return []string{url} }, Log: slog.New(slog.DiscardHandler),
	})
	serving := &http.Server{Handler: srv.Handler()}
	go func() { _ = serving.Serve(listener) }()
	return &program{data: dir, addr: listener.Addr().String(), joinURL: url + srv.JoinPath(), instructor: url + srv.InstructorPath()}, func() {
		srv.Shutdown()
		_ = serving.Close()
		require.NoError(t, st.Close())
	}
}

// plays sends an invented outing as the buddy's phone of a pair, and waits until
// the server has all of it.
func (w *witness) plays(t testing.TB, o, holds int, begin time.Time) {
	t.Helper()
	for h := range holds {
		start := begin.Add(time.Duration(h) * afterHold).UnixMilli()
		hold := fmt.Sprintf("%s-h%02d", w.device, h+1)
		var events []any
		inventedHold(o, h, func(kind string, at int64, data map[string]any) {
			w.counter++
			event := map[string]any{"id": fmt.Sprintf("%s-%06d", w.device, w.counter), "hold": hold, "kind": kind, "at": start + at, "by": "buddy"}
			if data != nil {
				event["data"] = data
			}
			events = append(events, event)
		})
		w.send(t, map[string]any{"type": "events", "events": events})
		for stored := 0; stored < len(events); {
			stored += len(w.await(t, "stored").message["ids"].([]any))
		}
	}
}

// A phone that took part in twenty outings answers from its page alone: when
// contractions begin dry and in water, what moves that, how the answer time has
// changed, how the diver recovers, what was done last time, and what the next
// plan should be careful about.
func TestTwentyOutingsAnswerADiversQuestions(t *testing.T) {
	t.Parallel()
	const holds = 4
	assets, err := web.NewAssets(web.Source())
	require.NoError(t, err)
	dir, addr := t.TempDir(), "127.0.0.1:0"
	p := newPhoneWith(t, "years", browserSetup{limit: 4 * time.Minute})
	now := time.Now()
	for o := range *outings {
		begin := outingDay(o, *outings, now)
		server, end := startOn(t, begin.Add(holds*afterHold), dir, addr, assets)
		addr = server.addr
		w := newWitness(t, server, "new", "buddy")
		w.plays(t, o, holds, begin)
		p.run(t, chromedp.Navigate("about:blank"))
		p.open(t, server.joinURL)
		eval[bool](t, p.browser, fmt.Sprintf("buddyclock.access.join({ pair: '%s', role: 'buddy', name: 'Odo' }).then(() => true)", w.pair))
		p.mustSoon(t, fmt.Sprintf("buddyclock.log.lines().length === %d && buddyclock.log.lines().every((l) => l.over)", (o+1)*holds))
		end()
	}
	today := startProgram(t, dir, addr)
	p.run(t, chromedp.Navigate("about:blank"))
	p.open(t, today.joinURL)
	eval[bool](t, p.browser, "buddyclock.access.join({ pair: 'new', role: 'buddy', name: 'Odo' }).then(() => true)")
	p.waitFor(t, "buddyclock.frame().link.state === 'live'")

	// When do my contractions usually begin, dry and in water? The plan has it, with where it comes from.
	p.show(t, "plan", "{}", "document.querySelector('.plan')")
	p.tap(t, "Ansa, Odo watches")
	for _, setting := range []string{"dry", "pool"} {
		p.tap(t, setting)
		p.says(t, fmt.Sprintf("median of %d %s holds", min(20, *outings), setting))
		p.picture(t, "onset-"+setting)
	}
	// What moves that, how has my answer time changed, how do I recover?
	for _, setting := range []string{"dry", "pool"} {
		p.show(t, "trends", fmt.Sprintf("{ diver: 'Ansa', setting: '%s' }", setting), "document.querySelectorAll('.trend-chart').length === 5")
		p.picture(t, "trends-"+setting)
		for i, field := range []string{"first contraction", "answer", "recovery"} {
			eval[bool](t, p.browser, fmt.Sprintf("(document.querySelectorAll('.trend')[%d].scrollIntoView(), true)", []int{0, 3, 4}[i]))
			p.picture(t, "trends-"+setting+"-"+field)
		}
	}
	p.says(t, "worried")
	// What did we do last time?
	p.show(t, "log", "{ diver: 'Ansa' }", "document.querySelector('.log-row')")
	p.picture(t, "last-time")
	p.tap(t, "open the debrief")
	p.waitFor(t, "document.querySelector('.debrief .charts svg')")
	p.picture(t, "last-hold")
	for _, part := range []string{".debrief .sheet", ".readings-list"} {
		eval[bool](t, p.browser, fmt.Sprintf("(document.querySelector('%s').scrollIntoView(), true)", part))
		p.picture(t, "last-hold"+part)
	}
	// What should the next plan be careful about?
	p.show(t, "plan", "{}", "document.querySelector('.plan')")
	p.fill(t, "planned", "4:30")
	p.says(t, "over the longest clean hold")
	p.picture(t, "careful")

	require.NoError(t, today.cmd.Process.Kill())
	_ = today.cmd.Wait()
	st, err := store.Open(dir, func() int64 { return now.UnixMilli() })
	require.NoError(t, err)
	defer st.Close()
	events, err := st.Verify(context.Background())
	require.NoError(t, err)
	assert.Greater(t, events, int64(*outings*holds*40), "the server has them all")
}
