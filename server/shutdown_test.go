package server

import (
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Ensures that a stopping server ends within its bound, and says goodbye to those
// who listen, while one phone never reads and another's events wait for a disk
// that does not answer.
func TestH08ShutdownWaitsForNobody(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	other := h.join("new", "buddy").connect(nil)
	deaf := h.join(other.pair, "diver").connect(nil)
	require.NoError(t, deaf.ws.NetConn().(*net.TCPConn).SetReadBuffer(4096))
	text := strings.Repeat("a long note ", 1300)
	for range 20 {
		var batch []map[string]any
		for range 15 {
			batch = append(batch, other.event("h", "note", h.shared.NowMs(), map[string]any{"text": text}))
		}
		other.offer(batch...)
		last := batch[14]["id"].(string)
		other.until("the notes to be stored", func() bool { return other.hasStored(last) })
	}

	release := h.stallDisk()
	// More than a pair takes on and more than waits for it: its reader is stuck.
	for range 300 {
		buddy.offer(buddy.event("h", "look", h.shared.NowMs(), nil))
	}
	began := time.Now()
	gone := make(chan struct{})
	go func() { defer close(gone); h.srv.Shutdown() }()
	for name, d := range map[string]*device{"buddy": buddy, "diver": diver, "other": other} {
		d.closed()
		require.Equal(t, "stopped", d.bye, name)
	}
	select {
	case <-gone:
	case <-time.After(within):
		release()
		require.Fail(t, "the end waits for the disk")
	}
	require.Less(t, time.Since(began), byeWithin+3*time.Second, fmt.Sprint("bounded by ", byeWithin))
	release()
	h.http.Close()
	h.http = nil
	require.NoError(t, h.store.Close())
}
