package room

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// fullStore is a real store whose disk is full while the test says so.
type fullStore struct {
	*store.Store
	full bool
}

func (s *fullStore) Append(pair string, events []protocol.Event, done func([]store.Outcome, error)) {
	if s.full {
		done(nil, errors.New("the disk is full"))
		return
	}
	s.Store.Append(pair, events, done)
}

// hearingPeer keeps what it is sent.
type hearingPeer struct{ frames []string }

func (p *hearingPeer) Send(frame []byte) { p.frames = append(p.frames, string(frame)) }
func (*hearingPeer) Part(string)         {}

// Ensures that what was passed on while the disk was full is stored once there is room, though the phone that made it
// is gone for good: what some phones have seen, the host has too.
func TestH08StoresWhatALostPhoneRecorded(t *testing.T) {
	rs, pair, mock := newRooms(t)
	disk := &fullStore{Store: rs.store, full: true}
	turns := make(chan func(), 8)
	var wake time.Duration
	core, err := NewCore(pair, Env{
		Store: disk, Clock: mock, NowMs: rs.nowMs, Log: slog.New(slog.DiscardHandler),
		Later: func(f func()) { turns <- f }, Wake: func(d time.Duration) { wake = d },
	})
	require.NoError(t, err)
	other := &hearingPeer{}
	core.Join(other, Member{Device: device, Role: "buddy"})
	heard := func() (n int) {
		for _, frame := range other.frames {
			if kind := frame[:len(`{"type":"events"`)]; kind == `{"type":"events"` {
				n++
			}
		}
		return n
	}
	e, err := protocol.Decode(fmt.Appendf(nil, `{"id":"%s-000001","hold":"h","kind":"start","at":%d,"by":"buddy"}`, device, rs.nowMs()))
	require.NoError(t, err)
	var told Result
	core.Offer(nil, device, []protocol.Event{e}, nil, func(res Result) { told = res })
	(<-turns)()
	require.Equal(t, []string{e.ID}, told.Failed)
	require.Equal(t, 1, heard())
	require.Equal(t, [][]byte{e.Encode()}, core.Passed(store.Counts{}), "whoever comes in is told")
	require.Empty(t, core.Passed(store.Counts{Have: map[string]int64{device: 1}}))
	stored := func() bool {
		has, err := disk.Has(context.Background(), pair.ID, &e)
		require.NoError(t, err)
		return has
	}

	require.LessOrEqual(t, wake, retryEvery)
	mock.Add(retryEvery)
	core.Look()
	(<-turns)()
	require.False(t, stored())
	require.Equal(t, 1, heard(), "others are not told over and over")
	require.False(t, core.mayEnd())

	disk.full = false
	mock.Add(retryEvery)
	core.Look()
	(<-turns)()
	require.True(t, stored())
	require.Empty(t, core.Passed(store.Counts{}))
	require.Equal(t, 2, heard(), "whoever came in between is told")
	mock.Add(retryEvery)
	core.Look()
	require.Empty(t, turns, "there is nothing left to try")
}
