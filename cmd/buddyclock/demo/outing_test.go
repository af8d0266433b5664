package demo

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http/httptest"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server"
	"buddyclock/server/access"
	"buddyclock/server/store"
	"buddyclock/web"
)

// within bounds every wait of a test, in real time.
const within = 60 * time.Second

// pool is a running server with shared time of its own.
type pool struct {
	dir                string
	store              *store.Store
	shared             *server.SharedClock
	url                string
	secret, instructor string
}

func newPool(t *testing.T, clk clock.Clock) *pool {
	t.Helper()
	p := &pool{dir: t.TempDir(), shared: server.NewSharedClock(clk)}
	var err error
	p.store, err = store.Open(p.dir, p.shared.NowMs)
	require.NoError(t, err)
	session, err := p.store.ContinueSession(access.NewID(), -1)
	require.NoError(t, err)
	assets, err := web.NewAssets(web.Source())
	require.NoError(t, err)
	real := clock.New()
	srv := server.New(server.Options{
		Store: p.store, Session: session, Clock: real, Shared: p.shared, Assets: assets,
		Hosts: server.NewHosts(real), URLs: func() []string { return nil },
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	front := httptest.NewServer(srv.Handler())
	p.url, p.secret, p.instructor = front.URL, strings.TrimPrefix(srv.JoinPath(), "/#j="), strings.TrimPrefix(srv.InstructorPath(), "/#i=")
	t.Cleanup(func() {
		srv.Shutdown()
		front.Close()
		require.NoError(t, p.store.Close())
	})
	return p
}

// hold gives a pair's hold as the server has it on disk.
func (p *pool) hold(t *testing.T, pair, id string) *protocol.Hold {
	t.Helper()
	events, err := p.store.Hold(context.Background(), pair, id)
	require.NoError(t, err)
	h := protocol.NewHold(id)
	for _, e := range events {
		h.Add(e)
	}
	return h
}

// longestWay is the longest time, ms, that an event of a device took to the server's disk.
func (p *pool) longestWay(t *testing.T, hold, device string) (ms int64) {
	t.Helper()
	require.NoError(t, p.store.Settle(context.Background()))
	db, err := sql.Open("sqlite", filepath.Join(p.dir, store.FileName))
	require.NoError(t, err)
	defer db.Close()
	require.NoError(t, db.QueryRow("SELECT max(stored_ms - at) FROM event WHERE hold = ? AND device = ?", hold, device).Scan(&ms))
	return ms
}

// waitFor waits for a condition that others bring about.
func waitFor(t *testing.T, what string, holds func() bool) {
	t.Helper()
	require.Eventually(t, holds, within, 20*time.Millisecond, what)
}

// first gives the first event of a kind, or nil.
func first(h *protocol.Hold, kind string) *protocol.Event {
	for _, e := range h.Events() {
		if e.Kind == kind {
			return &e
		}
	}
	return nil
}

// Ensures that an outing over the real socket tells each story to its end: the
// diver who stops answering is called for, found fainted and brought back; the
// hold of the phone without a network is whole on the server afterwards; the
// buddy who looks away hears the prompt, again and the alarm, and comes back.
func TestOutingTellsItsStories(t *testing.T) {
	t.Parallel() // it mostly waits
	lapsed := newLapse(25)
	pool := newPool(t, lapsed)
	o := &Outing{Clock: lapsed, URL: pool.url, Secret: pool.secret, InstructorSecret: pool.instructor, Pace: 1, Seed: 1, cast: cast[:4]}
	ctx, stop := context.WithCancel(context.Background())
	ready, ended := make(chan struct{}), make(chan error, 1)
	go func() { ended <- o.Run(ctx, func() { close(ready) }) }()
	defer func() {
		stop()
		require.NoError(t, <-ended)
	}()
	select {
	case <-ready:
	case err := <-ended:
		ended <- err
		require.Fail(t, "the people do not come", "%v", err)
	}
	for i, ph := range o.all {
		id := ph.buddy.ID() + "-h01"
		var h *protocol.Hold
		waitFor(t, fmt.Sprintf("the first hold of pair %d to be over", i+1), func() bool {
			h = pool.hold(t, ph.buddy.Pair(), id)
			return first(h, protocol.KindVerdict) != nil
		})
		last, _ := h.LastAt()
		sum := protocol.Summarize(h, last)
		require.Equal(t, protocol.Over, h.StatusAt(last).Phase, "pair %d", i+1)
		require.False(t, sum.ForcedEnd)
		require.NotZero(t, sum.Contractions+sum.RungsReached.Alarm, "pair %d", i+1)
		require.NotNil(t, sum.SpO2Lowest)
		require.Empty(t, ph.buddy.refused)
		require.Empty(t, ph.diver.refused)
		for _, e := range h.Events() {
			var said struct{ Simulated bool }
			require.NoError(t, json.Unmarshal(e.Raw, &said))
			require.True(t, said.Simulated, "%s", e.Raw)
		}
		rungs := h.TimelineAt(last)
		reached := func(rung, asks string) *protocol.Rung {
			for _, r := range rungs {
				if r.Rung == rung && r.Asks == asks {
					return &r
				}
			}
			return nil
		}
		switch o.cast[i].Story {
		case noAnswer:
			said, incident, recovered := first(h, protocol.KindNoAnswer), first(h, protocol.KindIncident), first(h, protocol.KindRecovered)
			require.NotNil(t, said)
			require.Equal(t, said.At, reached("alarm", protocol.AsksUp).At)
			require.NotNil(t, incident)
			require.Equal(t, "blackout", *sum.Incident)
			require.NotNil(t, first(h, protocol.KindWithThem))
			require.NotNil(t, recovered)
			require.Greater(t, recovered.At, incident.At)
			require.Equal(t, "passed-out", *sum.Verdict)
		case forgets:
			prompt, again, alarm := reached("prompt", protocol.AsksLook), reached("again", protocol.AsksLook), reached("alarm", protocol.AsksTap)
			require.NotNil(t, prompt)
			require.NotNil(t, again)
			require.NotNil(t, alarm)
			require.Positive(t, sum.RungsMissed)
			require.Greater(t, alarm.At, again.At)
			waitFor(t, "the instructor to go there", func() bool {
				going := first(pool.hold(t, ph.buddy.Pair(), id), protocol.KindGoing)
				return going != nil && going.At >= alarm.At+goesAfterMs
			})
		case lostLink:
			// What was recorded without a network came late, and all of it.
			waitFor(t, "the server and the phone to have the same", func() bool {
				return reflect.DeepEqual(protocol.Summarize(pool.hold(t, ph.buddy.Pair(), id), last), ph.buddy.Summary(id, last))
			})
			require.Greater(t, pool.longestWay(t, h.ID, ph.buddy.ID()), int64(lostForMs/2))
		}
	}
}

// Ensures that an outing that cannot begin ends with the reason, and leaves
// nobody behind.
func TestOutingThatCannotBegin(t *testing.T) {
	clk := clock.New()
	pool := newPool(t, clk)
	o := &Outing{Clock: clk, URL: pool.url, Secret: pool.secret, InstructorSecret: "nobody's", Pace: 1}
	err := o.Run(t.Context(), func() { t.Error("it begins all the same") })
	require.ErrorContains(t, err, "bad-secret")
}
