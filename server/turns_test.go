package server

import (
	"bytes"
	"context"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// looks makes events that can move a rung.
func (d *device) looks(n int) (events []map[string]any) {
	for range n {
		events = append(events, d.event("h", "look", d.h.shared.NowMs(), nil))
	}
	return events
}

// posts sends events by a plain request whose answer is not waited for; 0 stands for none.
func (d *device) posts(ctx context.Context, events []map[string]any) <-chan int {
	status := make(chan int, 1)
	body := encode(map[string]any{"token": d.token, "pair": d.pair, "events": events, "have": map[string]any{d.id: 1_000_000}})
	go func() {
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, d.h.url+"/api/events", bytes.NewReader(body))
		if err != nil {
			status <- 0
			return
		}
		resp, err := d.h.client.Do(req)
		if err != nil {
			status <- 0
			return
		}
		resp.Body.Close()
		status <- resp.StatusCode
	}()
	return status
}

// storedOf tells how many of a pair's events are stored.
func (h *host) storedOf(pair string) (n int) {
	counts, err := h.store.EventCounts(context.Background(), pair)
	require.NoError(h.t, err)
	for _, of := range counts {
		n += of
	}
	return n
}

// Ensures that a device which brings what moves rungs by plain requests has the pace that it has by a socket, however many
// it sends at once: nothing is lost, and neither an alarm nor a page's last breath waits.
func TestRequestsAreSlowedNotLost(t *testing.T) {
	h, mock := newMockHost(t)
	flood := h.join("new", "buddy")
	pace := h.srv.here.paceOf(flood.id)
	for range holdBurst {
		require.Zero(t, pace.hold.Owe())
	}
	ctx := t.Context()
	const batch = 200
	begun := mock.Now()
	var answers []<-chan int
	for range maxTurns {
		answers = append(answers, flood.posts(ctx, flood.looks(batch)))
	}
	waitFor(t, "one to have its turn and the others to wait", func() bool {
		return len(pace.turns) == 1 && pace.waiting.Load() == maxTurns-1 && h.storedOf(flood.pair) == batch
	})
	alarm := flood.event("h", "incident", h.shared.NowMs(), nil)
	status, answer := h.post("/api/events", map[string]any{"token": flood.token, "pair": flood.pair, "events": []any{alarm}})
	require.Equal(t, http.StatusOK, status, answer)
	require.Equal(t, []any{alarm["id"]}, answer["stored"])

	gone, leave := context.WithCancel(ctx)
	last := flood.posts(gone, flood.looks(1))
	waitFor(t, "the last breath to wait too", func() bool { return pace.waiting.Load() == maxTurns })
	leave()
	require.Zero(t, <-last)
	waitFor(t, "the last breath to be stored", func() bool { return h.storedOf(flood.pair) == batch+2 })

	answers = append(answers, flood.posts(ctx, flood.looks(batch)))
	waitFor(t, "as many to wait as may", func() bool { return pace.waiting.Load() == maxTurns })
	status, answer = h.post("/api/events", map[string]any{"token": flood.token, "pair": flood.pair, "events": flood.looks(1)})
	require.Equal(t, http.StatusTooManyRequests, status)
	require.Equal(t, "too-many-requests", answer["code"])
	require.Equal(t, batch+2, h.storedOf(flood.pair), "all that while")
	require.Equal(t, begun, mock.Now())

	for _, status := range answers {
		waitFor(t, "an answer", func() bool {
			mock.Add(100 * time.Millisecond)
			select {
			case code := <-status:
				return code == http.StatusOK
			default:
				return false
			}
		})
	}
	require.Equal(t, len(answers)*batch+2, h.storedOf(flood.pair))
	require.Greater(t, mock.Since(begun), time.Duration(len(answers)-2)*batch*time.Second/holdPace, "at the pace that it has")
}

// Ensures that who does not wait for its answer, or ends the request, comes to its next turn no sooner, and that a server
// that ends waits for nobody.
func TestATurnLastsItsTime(t *testing.T) {
	h, mock := newMockHost(t)
	pace := newPace(mock)
	nobody, leave := context.WithCancel(t.Context())
	leave()
	take := func(due time.Duration) turn {
		own, err := h.srv.takeTurn(t.Context(), pace, nil, mock.Now().Add(due))
		require.NoError(t, err)
		return own
	}
	for due, lasts := range map[time.Duration]time.Duration{2 * time.Second: 2 * time.Second, time.Hour: answerWithin} {
		own := take(due)
		own.rest(nobody) // which nobody waits for
		own.end()
		mock.Add(lasts - 1)
		require.Len(t, pace.turns, 1)
		waitFor(t, "the turn to end", func() bool { mock.Add(1); return len(pace.turns) == 0 })
	}
	own := take(0)
	own.rest(nobody)
	own.end()
	require.Empty(t, pace.turns)

	take(time.Second)
	waits := make(chan turn)
	go func() {
		next, _ := h.srv.takeTurn(t.Context(), pace, nil, mock.Now().Add(time.Second))
		waits <- next
	}()
	waitFor(t, "the next to wait", func() bool { return pace.waiting.Load() == 1 })
	h.stop()
	require.Zero(t, <-waits)
}

// Ensures that a device at its pace has its requests taken side by side.
func TestRequestsAtTheirPaceDoNotWait(t *testing.T) {
	h, _ := newMockHost(t)
	buddy := h.join("new", "buddy")
	pace := h.srv.here.paceOf(buddy.id)
	pace.turns <- struct{}{} // whatever else goes on
	for range 3 {
		require.Equal(t, http.StatusOK, <-buddy.posts(t.Context(), buddy.looks(200)))
	}
}
