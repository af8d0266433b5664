package server

import (
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
)

// Ensures that the head of a frame tells its length in the shortest way, as
// RFC 6455 demands.
func TestFrameHeads(t *testing.T) {
	for n, head := range map[int][]byte{
		0: {0x81, 0}, 125: {0x81, 125}, 126: {0x81, 126, 0, 126}, 65535: {0x81, 126, 255, 255}, 65536: {0x81, 127, 0, 0, 0, 0, 0, 1, 0, 0},
	} {
		text := make([]byte, n)
		frame := appendFrame([]byte("before"), text)
		require.Equal(t, append([]byte("before"), head...), frame[:len(frame)-n], n)
		require.LessOrEqual(t, len(head), maxHeadBytes)
	}
}

// Ensures that answers to pings never come to lie within another frame, however
// many of both there are.
func TestPingsAmongFrames(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	// No more at once than may wait for a device, however slowly it is served.
	const batches, batch = 15, 20
	require.Less(t, 2*batch+3, queueSize)
	pongs := 0
	diver.ws.SetPongHandler(func(data string) error { pongs++; require.Equal(t, "are you there", data); return nil })
	for n := range batches {
		pinged := make(chan error, 1)
		go func() {
			for range batch {
				if err := diver.ws.WriteControl(websocket.PingMessage, []byte("are you there"), time.Now().Add(within)); err != nil {
					pinged <- err
					return
				}
			}
			pinged <- nil
		}()
		var some []map[string]any
		for range batch {
			some = append(some, buddy.event("h", "note", h.shared.NowMs(), map[string]any{"text": "as long as notes are"}))
		}
		buddy.offer(some...)
		for range 3 { // within the pace of a device
			diver.send(map[string]any{"type": "time", "t1": 1})
		}
		diver.until("all notes and answers", func() bool { return len(diver.hold.Events()) == (n+1)*batch && len(diver.times) == 4*n+3 })
		require.NoError(t, <-pinged)
		diver.send(map[string]any{"type": "time", "t1": 2})
		diver.until("the last answer", func() bool { return len(diver.times) == 4*(n+1) })
		require.Equal(t, (n+1)*batch, pongs)
	}
}

// Ensures that patience counts from the last beginning, and not while nobody waits.
func TestPatience(t *testing.T) {
	mock := clock.NewMock()
	over := make(chan time.Time, 9)
	var p patience
	p.init(mock, time.Second, func() { over <- mock.Now() })
	quiet := func(d time.Duration) {
		mock.Add(d)
		require.Empty(t, over)
	}
	quiet(time.Hour)
	for range 5 {
		p.begin()
		quiet(600 * time.Millisecond)
		p.end()
		quiet(700 * time.Millisecond)
	}
	p.begin()
	quiet(999 * time.Millisecond)
	p.begin()
	quiet(999 * time.Millisecond)
	mock.Add(time.Millisecond)
	waitFor(t, "its end", func() bool { return len(over) == 1 })
	p.begin()
	p.stop()
	mock.Add(time.Hour)
	require.Len(t, over, 1)
}
