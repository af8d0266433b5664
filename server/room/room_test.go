package room

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// silentPeer is a connected device that nobody looks at.
type silentPeer struct{}

func (*silentPeer) Send([]byte) {}
func (*silentPeer) Part(string) {}

const device = "aaaaaaaaaa"

// never is for a host whose clock is right.
func never(int64) bool { return false }

// newRooms gives rooms over a real store, with a pair of one buddy, at a time
// that the test moves.
func newRooms(t *testing.T) (*Rooms, store.Pair, *clock.Mock) {
	t.Helper()
	mock := clock.NewMock()
	mock.Set(time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC))
	nowMs := func() int64 { return mock.Now().UnixMilli() }
	st, err := store.Open(t.TempDir(), nowMs)
	require.NoError(t, err)
	session, err := st.ContinueSession("session001", 1)
	require.NoError(t, err)
	pair, err := st.AddPair("pair000001", session.ID)
	require.NoError(t, err)
	require.NoError(t, st.Admit(store.Device{ID: device, Session: session.ID, Pair: pair.ID, Role: "buddy"}, []byte("hash")))
	mock.Add(time.Hour) // it has been of the pair for long
	rs := NewRooms(st, mock, nowMs, never, slog.New(slog.DiscardHandler))
	t.Cleanup(func() { rs.Stop(); st.Close() })
	return rs, pair, mock
}

// restarted gives a pair as a server knows it that starts anew.
func restarted(t *testing.T, rs *Rooms, pair store.Pair, mock *clock.Mock) *Room {
	t.Helper()
	other := NewRooms(rs.store, mock, rs.nowMs, never, rs.log)
	t.Cleanup(other.Stop)
	r, release, err := other.Enter(pair)
	require.NoError(t, err)
	t.Cleanup(release)
	return r
}

func (rs *Rooms) isLive(pair string) bool {
	rs.mu.Lock()
	defer rs.mu.Unlock()
	return rs.live[pair] != nil
}

// offer stores one event of the hold "h" through a room and waits for the outcome.
func offer(t *testing.T, r *Room, n int, kind string, at int64) Result {
	t.Helper()
	return offerOf(t, r, "h", n, kind, at)
}

func offerOf(t *testing.T, r *Room, hold string, n int, kind string, at int64) Result {
	t.Helper()
	e, err := protocol.Decode(fmt.Appendf(nil, `{"id":"%s-%06d","hold":%q,"kind":%q,"at":%d,"by":"buddy"}`, device, n, hold, kind, at))
	require.NoError(t, err)
	results := make(chan Result, 1)
	require.True(t, r.Offer(context.Background(), nil, device, []protocol.Event{e}, nil, func(res Result) { results <- res }))
	return <-results
}

// settled waits until the pair's goroutine has done all that was asked of it.
func settled(t *testing.T, r *Room) {
	t.Helper()
	_, err := r.Devices(context.Background())
	require.NoError(t, err)
}

// Ensures that a pair is live only as long as somebody needs it.
func TestRoomEndsWhenNobodyNeedsIt(t *testing.T) {
	rs, pair, mock := newRooms(t)
	r, release, err := rs.Enter(pair)
	require.NoError(t, err)
	peer := &silentPeer{}
	_, err = r.Join(context.Background(), peer, Member{Device: device, Role: "buddy"})
	require.NoError(t, err)
	for range 10 {
		mock.Add(lingerFor)
		settled(t, r)
		require.True(t, rs.isLive(pair.ID), "a device is connected")
	}
	r.Leave(peer)
	settled(t, r)
	release()
	mock.Add(lingerFor - time.Millisecond)
	settled(t, r)
	require.True(t, rs.isLive(pair.ID))
	require.Eventually(t, func() bool { mock.Add(lingerFor); return !rs.isLive(pair.ID) }, 10*time.Second, time.Millisecond)

	again, release, err := rs.Enter(pair)
	require.NoError(t, err)
	defer release()
	require.NotSame(t, r, again)
	settled(t, again)
}

// Ensures that a pair in a hold stays live though every phone of it is gone.
func TestRoomStaysThroughAHold(t *testing.T) {
	rs, pair, mock := newRooms(t)
	r, release, err := rs.Enter(pair)
	require.NoError(t, err)
	now := mock.Now().UnixMilli()
	require.Len(t, offer(t, r, 1, "start", now).Stored, 1)
	release()
	for range 20 {
		mock.Add(lingerFor)
		settled(t, r)
		require.True(t, rs.isLive(pair.ID))
	}
	// A hold that nobody ended is over for the server after an hour.
	require.Eventually(t, func() bool { mock.Add(lingerFor); return !rs.isLive(pair.ID) }, 10*time.Second, time.Millisecond)
	require.Greater(t, mock.Now().UnixMilli()-now, int64(activeForMs))
}

// Ensures that a pair knows its newest hold again after it was not live.
func TestRoomFollowsTheNewestHold(t *testing.T) {
	rs, pair, mock := newRooms(t)
	r, release, err := rs.Enter(pair)
	require.NoError(t, err)
	now := mock.Now().UnixMilli()
	offer(t, r, 1, "start", now-5000)
	offer(t, r, 2, "look", now)
	settled(t, r)
	release()
	again := restarted(t, rs, pair, mock)
	active, err := ask(context.Background(), again, func() (bool, error) { return again.core.active, nil })
	require.NoError(t, err)
	require.True(t, active)
	have, err := again.Have(context.Background())
	require.NoError(t, err)
	require.Equal(t, map[string]int64{device: 2}, have.Have)
	require.Empty(t, have.Beyond)
}

// Hazard H05: a phone that was cut off plans, and even starts, a hold of its own while
// the pair's runs. That one is not lost sight of, also by a server that starts anew;
// once it is over the other one is followed.
func TestH05ARunningHoldIsNotDisplaced(t *testing.T) {
	rs, pair, mock := newRooms(t)
	r, release, err := rs.Enter(pair)
	require.NoError(t, err)
	now := mock.Now().UnixMilli()
	followed := func(r *Room) string {
		id, err := ask(context.Background(), r, func() (string, error) { r.core.Look(); return r.core.hold.ID, nil })
		require.NoError(t, err)
		return id
	}
	offerOf(t, r, "a", 1, "plan", now-90_000)
	offerOf(t, r, "a", 2, "start", now-60_000)
	offerOf(t, r, "b", 3, "plan", now-1000)
	require.Equal(t, "a", followed(r))
	inHold, err := r.InHold(context.Background())
	require.NoError(t, err)
	require.True(t, inHold)

	release()
	again := restarted(t, rs, pair, mock)
	require.Equal(t, "a", followed(again), "after a restart")

	offerOf(t, again, "b", 4, "start", now)
	require.Equal(t, "a", followed(again))
	offerOf(t, again, "a", 5, "surfaced", now)
	offerOf(t, again, "a", 6, "watch-ended", now)
	require.Equal(t, "b", followed(again), "the one before it is over")
	offerOf(t, again, "b", 7, "look", now)
	require.Len(t, again.core.hold.Events(), 3)
}

// partingPeer notes its last word.
type partingPeer struct{ parted string }

func (*partingPeer) Send([]byte)        {}
func (p *partingPeer) Part(word string) { p.parted = word }

// Ensures that a device whose role changed, or that was removed, between its hello and its
// entry is told to come again: the news of the change has passed it by.
func TestJoinRefusesAPlaceThatHasChanged(t *testing.T) {
	rs, pair, _ := newRooms(t)
	r, release, err := rs.Enter(pair)
	require.NoError(t, err)
	defer release()
	require.NoError(t, rs.store.Remove(device))
	r.Refresh()
	peer := &partingPeer{}
	_, err = r.Join(context.Background(), peer, Member{Device: device, Role: "buddy"})
	require.NoError(t, err)
	require.Equal(t, "changed", peer.parted)
	inside, err := ask(context.Background(), r, func() (int, error) { return len(r.core.seats) + len(r.core.present), nil })
	require.NoError(t, err)
	require.Zero(t, inside)
}

// Ensures that heartbeats never wait, not even while the pair takes nothing in because the disk stands still.
func TestHeartbeatsDoNotWaitForTheDisk(t *testing.T) {
	rs, pair, _ := newRooms(t)
	r, release, err := rs.Enter(pair)
	require.NoError(t, err)
	defer release()
	busy, free := make(chan struct{}), make(chan struct{})
	go r.act(func() { close(busy); <-free })
	<-busy
	beaten := make(chan struct{})
	go func() {
		defer close(beaten)
		for range 3 * maxWaiting {
			r.Heartbeat(Member{Device: device, Role: "buddy"}, nil)
		}
	}()
	select {
	case <-beaten:
	case <-time.After(10 * time.Second):
		t.Error("a heartbeat waits")
	}
	close(free)
	settled(t, r)
}

// Ensures that a plan of another hold which comes late does not take the place
// of the hold that was started after it.
func TestRoomStaysWithTheHoldBegunLast(t *testing.T) {
	rs, pair, mock := newRooms(t)
	r, release, err := rs.Enter(pair)
	require.NoError(t, err)
	defer release()
	followed := func() string {
		id, err := ask(context.Background(), r, func() (string, error) { return r.core.hold.ID, nil })
		require.NoError(t, err)
		return id
	}
	now := mock.Now().UnixMilli()
	offerOf(t, r, "h1", 1, "plan", now-20_000)
	offerOf(t, r, "h1", 2, "start", now-10_000)
	offerOf(t, r, "h2", 3, "plan", now-15_000)
	require.Equal(t, "h1", followed())
	offerOf(t, r, "h1", 4, "surfaced", now)
	offerOf(t, r, "h1", 5, "watch-ended", now)
	offerOf(t, r, "h2", 6, "plan", now)
	require.Equal(t, "h2", followed())
}

// Ensures that one thing at a time happens to a pair, in the order in which each
// brings them, and nothing more once it has stopped.
func TestRoomTakesTurns(t *testing.T) {
	first, pair, mock := newRooms(t)
	rs := NewRooms(first.store, mock, first.nowMs, never, first.log)
	r, release, err := rs.Enter(pair)
	require.NoError(t, err)
	defer release()
	const who, each = 8, 500
	var last [who]int // without a lock: the race detector watches
	var all sync.WaitGroup
	for i := range who {
		all.Go(func() {
			for n := range each {
				r.act(func() {
					if last[i]++; last[i] != n+1 {
						t.Errorf("%d came out of turn", n)
					}
				})
			}
		})
	}
	all.Wait()
	settled(t, r)
	for i := range who {
		require.Equal(t, each, last[i])
	}

	inside, free, stopped := make(chan struct{}), make(chan struct{}), make(chan struct{})
	go r.act(func() { close(inside); <-free })
	<-inside
	require.True(t, r.act(func() { t.Error("it has stopped") }))
	go func() { rs.Stop(); close(stopped) }()
	require.Eventually(t, func() bool { r.mu.Lock(); defer r.mu.Unlock(); return r.ended }, 10*time.Second, time.Millisecond)
	select {
	case <-stopped:
		t.Error("something happens still")
	default:
	}
	close(free)
	<-stopped
	require.False(t, r.act(func() { t.Error("it has stopped") }))
}
