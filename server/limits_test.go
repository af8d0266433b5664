package server

import (
	"bytes"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/access"
)

// Ensures that a device which floods the log is told to slow down, while its own
// alarms, heartbeats and `surfaced` still get through, and others notice nothing.
func TestFloodShedsByKind(t *testing.T) {
	h, mock := newMockHost(t)
	flood := h.join("new", "buddy").connect(nil)
	diver := h.join(flood.pair, "diver").connect(nil)
	pace := h.srv.here.paceOf(flood.id)
	for pace.log.Take() {
	}
	for pace.chat.Take() {
	}
	now := h.shared.NowMs()
	flood.offer(map[string]any{"id": "none"}) // costs more than nothing, and is nothing
	flood.beat(map[string]any{"n": 7})
	diver.until("the heartbeat", func() bool { return diver.said(flood) == 7.0 })
	require.Empty(t, flood.refused)
	batch := []map[string]any{}
	for _, kind := range protocol.Kinds {
		if protocol.MayRecord("buddy", kind) {
			batch = append(batch, flood.event("h", kind, now, nil))
		}
	}
	flood.offer(batch...)
	flood.until("the rest to be given back", func() bool { return len(flood.errors) == 1 })
	require.Equal(t, "slow-down", flood.errors[0]["code"])
	for _, e := range batch {
		id := e["id"].(string)
		if movesARung(e["kind"].(string)) {
			flood.until(e["kind"].(string)+" to be stored", func() bool { return flood.hasStored(id) })
		} else {
			require.True(t, names(flood.errors, id), e["kind"])
		}
	}
	diver.record("h", "incident", now, nil)
	flood.until("the other's alarm", func() bool { return len(flood.hold.Events()) > 0 })

	// By plain requests it is one and the same pace.
	note := flood.event("h", "note", now, nil)
	_, answer := h.post("/api/events", map[string]any{"token": flood.token, "pair": flood.pair, "events": []any{note}})
	require.Equal(t, "slow-down", answer["refused"].([]any)[0].(map[string]any)["code"])
	mock.Add(time.Second)
	flood.record("h", "note", now, nil)
}

// Ensures that events which move rungs are never turned away, however many come:
// their sender is read more slowly.
func TestRungsAreSlowedNotLost(t *testing.T) {
	h, mock := newMockHost(t)
	flood := h.join("new", "buddy").connect(nil)
	hold := h.srv.here.paceOf(flood.id).hold
	for range holdBurst {
		require.Zero(t, hold.Owe())
	}
	require.Equal(t, time.Second/holdPace, hold.Owe())
	for range holdPace {
		hold.Owe()
	}
	now := h.shared.NowMs()
	flood.record("h", "surfaced", now, nil)
	second := flood.event("h", "ok", now, nil)
	flood.offer(second)
	h.join(flood.pair, "diver").connect(nil).record("h", "incident", now, nil)
	require.False(t, flood.hasStored(second["id"].(string)))
	for !flood.hasStored(second["id"].(string)) {
		mock.Add(time.Second)
		flood.send(map[string]any{"type": "time", "t1": 1})
		flood.next()
	}
}

// Ensures that an address which asks too much is turned away, but never with
// what moves a rung.
func TestRequestsWithRungsAreAlwaysTaken(t *testing.T) {
	h, _ := newMockHost(t)
	buddy := h.join("new", "buddy")
	post := func(events ...any) int {
		status, _ := h.post("/api/events", map[string]any{"token": buddy.token, "pair": buddy.pair, "events": append([]any{}, events...)})
		return status
	}
	n := 0
	for ; post() == http.StatusOK; n++ {
		require.Less(t, n, 1000)
	}
	require.Greater(t, n, 100)
	now := h.shared.NowMs()
	require.Equal(t, http.StatusTooManyRequests, post(buddy.event("h", "note", now, nil)))
	for range 20 {
		require.Equal(t, http.StatusOK, post(buddy.event("h", "surfaced", now, nil)))
	}
}

// Ensures that who is no member of the pair is bounded as with all other requests, also with what moves a rung, before any
// of its events is looked at; and that members are not bounded with them.
func TestStrangersEventsAreBounded(t *testing.T) {
	h, mock := newMockHost(t)
	buddy := h.join("new", "buddy")
	other := h.join("new", "buddy")
	now := h.shared.NowMs()
	var requests []map[string]any
	for _, token := range []string{"", access.NewID(), other.token} {
		for _, events := range []any{[]any{buddy.event("h", "surfaced", now, nil)}, []any{}, "none"} {
			requests = append(requests, map[string]any{"token": token, "pair": buddy.pair, "events": events})
		}
	}
	requests = append(requests, map[string]any{"token": buddy.token}, map[string]any{})
	for h.srv.calls.Allow("127.0.0.1:1") {
	}
	for _, request := range requests {
		status, answer := h.post("/api/events", request)
		require.Equal(t, http.StatusTooManyRequests, status, "%v", request)
		require.Equal(t, "too-many-requests", answer["code"])
	}
	resp, _ := h.request(http.MethodPost, "/api/events", strings.TrimPrefix(h.url, "http://"), "", "[")
	require.Equal(t, http.StatusTooManyRequests, resp.StatusCode)
	require.Zero(t, h.storedOf(buddy.pair))
	status, _ := h.post("/api/events", map[string]any{"token": buddy.token, "pair": buddy.pair, "events": []any{buddy.event("h", "note", now, nil)}})
	require.Equal(t, http.StatusOK, status)

	mock.Add(time.Minute) // from here on each is told what is wrong
	for _, c := range []struct {
		request int
		code    string
	}{{0, "bad-token"}, {3, "bad-token"}, {5, "bad-token"}, {6, "not-of-pair"}, {8, "not-of-pair"}, {9, "bad-message"}} {
		_, answer := h.post("/api/events", requests[c.request])
		require.Equal(t, c.code, answer["code"])
	}
}

// Ensures that sockets are bounded: of an address, of a device, and those that
// say nothing.
func TestSocketsAreBounded(t *testing.T) {
	mock := clock.NewMock()
	mock.Set(time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC))
	h := startHostWith(t, t.TempDir(), mock, NewSharedClock(mock), Limits{DialsAtOnce: 20, DialEvery: time.Second, Unwelcomed: 3, Sockets: 8})
	dial := func() int {
		ws, resp, err := h.dial(nil)
		if err == nil {
			t.Cleanup(func() { ws.Close() })
		}
		require.NotNil(t, resp, err)
		return resp.StatusCode
	}
	gone := func(who string, after time.Duration) {
		// A connection's own timer may begin only after time has been moved.
		waitFor(t, who+" to be gone", func() bool { mock.Add(after); return len(h.srv.conns.list(false)) == 0 })
	}
	for range 3 {
		require.Equal(t, http.StatusSwitchingProtocols, dial())
	}
	require.Equal(t, http.StatusTooManyRequests, dial(), "those that have not said who they are")
	gone("the silent ones", helloWithin)

	buddy := h.join("new", "buddy").connect(nil)
	first := buddy.ws
	for range maxSocketsOfDevice {
		again := *buddy
		again.connect(nil)
	}
	first.SetReadDeadline(time.Now().Add(within))
	for {
		if _, _, err := first.ReadMessage(); err != nil {
			require.NotErrorIs(t, err, net.ErrClosed)
			break
		}
	}
	waitFor(t, "the oldest to be gone", func() bool { return len(h.srv.here.of(buddy.id)) == maxSocketsOfDevice })
	for range maxSocketsOfDevice {
		h.join(buddy.pair, "siren").connect(nil)
	}
	require.Equal(t, http.StatusTooManyRequests, dial(), "an address has no more than eight")
	for range 20 {
		dial()
	}
	gone("all", idleFor)
	for dial() == http.StatusSwitchingProtocols {
	}
	gone("all", helloWithin)
	require.Equal(t, http.StatusSwitchingProtocols, dial(), "at its pace an address comes in again")
}

// Ensures that a device's time exchanges, heartbeats and the like are answered at
// its pace only, over all its sockets, while its events are taken.
func TestChatIsPaced(t *testing.T) {
	h, mock := newMockHost(t)
	d := h.join("new", "buddy").connect(nil)
	again := *d
	again.connect(nil)
	asked := func(d *device, n int) (answered int) {
		before := len(d.times)
		for range n {
			d.send(map[string]any{"type": "time", "t1": 1})
		}
		d.record("h", "note", h.shared.NowMs(), nil) // answered after them
		again.count = d.count
		return len(d.times) - before
	}
	require.Equal(t, chatBurst, asked(d, chatBurst+5))
	require.Equal(t, 0, asked(&again, 5), "by another socket neither")
	d.count = again.count
	mock.Add(time.Second)
	require.Equal(t, chatPace, asked(d, chatPace+5))
}

// Ensures that the body of every request is bounded to the byte, and that an
// address which asks too much is turned away from every one.
func TestEveryRequestIsBounded(t *testing.T) {
	h, _ := newMockHost(t)
	own := strings.TrimPrefix(h.url, "http://")
	post := func(path string, size int) (*http.Response, map[string]any) {
		const head, end = `{"x":"`, `"}`
		return h.request(http.MethodPost, path, own, "", head+strings.Repeat("x", size-len(head)-len(end))+end)
	}
	var paths []string
	for _, route := range routes {
		if path, isPost := strings.CutPrefix(route, "POST "); isPost {
			paths = append(paths, path)
		}
	}
	for _, path := range paths {
		most := 8_192
		switch path {
		case "/api/events":
			most = 262_144
		case "/api/import": // reads who asks from its head first
			continue
		}
		_, answer := post(path, most)
		require.Equal(t, "bad-message", answer["code"], path)
		require.NotContains(t, answer["reason"], "too large", path)
		resp, answer := post(path, most+1)
		require.Contains(t, answer["reason"], "too large", path)
		require.Equal(t, http.StatusRequestEntityTooLarge, resp.StatusCode, path)
	}
	for _, limiter := range []*access.Limiter{h.srv.calls, h.srv.posts} {
		for limiter.Allow("127.0.0.1:1") {
		}
	}
	for _, path := range paths {
		resp, answer := h.request(http.MethodPost, path, own, "", `{"token":"","pair":"","events":[]}`)
		require.Equal(t, http.StatusTooManyRequests, resp.StatusCode, path)
		require.Equal(t, "too-many-requests", answer["code"], path)
	}
}

// Ensures that an import is read up to its bound and no further.
func TestImportIsBounded(t *testing.T) {
	h := newHost(t)
	const most, lineLength = 1 << 30, 60_000
	head := `{"buddyclock":"log","v":1,"made_ms":1}` + "\n"
	line := []byte(strings.Repeat("x", lineLength-1) + "\n")
	body := []io.Reader{strings.NewReader(head)}
	for range most/lineLength + 1 {
		body = append(body, bytes.NewReader(line))
	}
	req, err := http.NewRequest(http.MethodPost, h.url+"/api/import", io.MultiReader(body...))
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+h.join("", "instructor").token)
	resp, err := h.client.Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	var last struct {
		Done  bool
		Read  int
		Error string
	}
	for in := json.NewDecoder(resp.Body); in.More(); {
		require.NoError(t, in.Decode(&last))
	}
	require.False(t, last.Done)
	require.Contains(t, last.Error, "too large")
	require.Equal(t, 1+(most-len(head))/lineLength, last.Read)
}

// Ensures that a frame is bounded to the byte, and that no phone may squeeze a
// larger one into fewer bytes.
func TestFramesAreBounded(t *testing.T) {
	h := newHost(t)
	d := h.join("new", "buddy").connect(nil)
	frame := func(size int) []byte {
		const head, end = `{"type":"moon-phase","x":"`, `"}`
		return []byte(head + strings.Repeat("x", size-len(head)-len(end)) + end)
	}
	require.NoError(t, d.ws.WriteMessage(websocket.TextMessage, frame(262_144)))
	d.record("h", "note", h.shared.NowMs(), nil)
	require.NoError(t, d.ws.WriteMessage(websocket.TextMessage, frame(262_145)))
	var err error
	for err == nil {
		_, err = d.read()
	}
	require.True(t, websocket.IsCloseError(err, websocket.CloseMessageTooBig), err)

	dialer := websocket.Dialer{HandshakeTimeout: within, EnableCompression: true}
	ws, resp, err := dialer.Dial("ws"+strings.TrimPrefix(h.url, "http")+"/socket", http.Header{"Origin": {h.url}})
	require.NoError(t, err)
	defer ws.Close()
	require.Empty(t, resp.Header.Values("Sec-WebSocket-Extensions"))
}

// Ensures that all addresses together have no more than all may.
func TestAllAddressesTogetherAreBounded(t *testing.T) {
	h := startHostWith(t, t.TempDir(), clock.New(), NewSharedClock(clock.New()), Limits{AllSockets: 2})
	for range 2 {
		h.join("new", "buddy").connect(nil)
	}
	_, resp, err := h.dial(nil)
	require.Error(t, err)
	require.Equal(t, http.StatusTooManyRequests, resp.StatusCode)

	var c counts
	require.True(t, c.add("192.0.2.1", 2, 3))
	require.True(t, c.add("192.0.2.1", 2, 3))
	require.False(t, c.add("192.0.2.1", 2, 3), "one more than an address may have")
	require.True(t, c.add("192.0.2.2", 2, 3))
	require.False(t, c.add("192.0.2.3", 2, 3), "one more than all may have")
	c.remove("192.0.2.1")
	require.True(t, c.add("192.0.2.3", 2, 3))
}

// Ensures that an outing takes a bounded number of devices and pairs.
func TestOutingIsBounded(t *testing.T) {
	h := startHostWith(t, t.TempDir(), clock.New(), NewSharedClock(clock.New()), Limits{Devices: 3, Pairs: 2})
	join := func(pair string) (int, any) {
		status, answer := h.post("/api/join", map[string]any{"secret": h.srv.secret, "pair": pair, "role": "buddy", "device": access.NewID(), "name": ""})
		return status, answer["code"]
	}
	buddy := h.join("new", "buddy")
	h.join("new", "buddy")
	status, code := join("new")
	require.Equal(t, http.StatusForbidden, status)
	require.Equal(t, "too-many-pairs", code)
	status, _ = join(buddy.pair)
	require.Equal(t, http.StatusOK, status)
	status, code = join(buddy.pair)
	require.Equal(t, http.StatusForbidden, status)
	require.Equal(t, "too-many-devices", code)
}

// Ensures that connections beyond the bound are closed at once, and that closing
// others makes room.
func TestBoundedListener(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	listener := Bounded(inner, 2, 10)
	defer listener.Close()
	accepted := make(chan net.Conn, 10)
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				close(accepted)
				return
			}
			accepted <- conn
		}
	}()
	dial := func() net.Conn {
		conn, err := net.Dial("tcp", inner.Addr().String())
		require.NoError(t, err)
		t.Cleanup(func() { conn.Close() })
		return conn
	}
	dial()
	first := <-accepted
	dial()
	<-accepted
	third := dial()
	require.NoError(t, third.SetReadDeadline(time.Now().Add(within)))
	_, err = third.Read(make([]byte, 1))
	require.ErrorIs(t, err, io.EOF)
	require.NoError(t, first.Close())
	first.Close() // a second time counts no further
	dial()
	<-accepted
}
