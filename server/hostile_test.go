package server

import (
	"bytes"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
)

// Ensures that only pages of this server, opened under one of its names, get a
// socket.
func TestSocketNeedsOriginAndHost(t *testing.T) {
	h := newHost(t)
	own := strings.TrimPrefix(h.http.URL, "http://")
	_, port, err := net.SplitHostPort(own)
	require.NoError(t, err)
	for _, c := range []struct {
		name         string
		origin, host string
		status       int
	}{
		{"own page", h.http.URL, own, http.StatusSwitchingProtocols},
		{"localhost", "http://localhost:" + port, "localhost:" + port, http.StatusSwitchingProtocols},
		{"allowed name in capitals", "http://POOL.example:" + port, "pool.EXAMPLE:" + port, http.StatusSwitchingProtocols},
		{"no origin", "", own, http.StatusForbidden},
		{"null origin", "null", own, http.StatusForbidden},
		{"foreign origin", "http://pool.invalid", own, http.StatusForbidden},
		{"other port", "http://127.0.0.1:1", own, http.StatusForbidden},
		{"other scheme", "https://" + own, own, http.StatusForbidden},
		{"origin with a path", h.http.URL + "/x", own, http.StatusForbidden},
		{"origin that begins alike", h.http.URL + ".pool.invalid", own, http.StatusForbidden},
		{"rebound name", "http://pool.invalid:" + port, "pool.invalid:" + port, http.StatusMisdirectedRequest},
		{"rebound name that ends alike", "http://localhost.pool.invalid", "localhost.pool.invalid", http.StatusMisdirectedRequest},
		{"foreign address", "http://203.0.113.9:" + port, "203.0.113.9:" + port, http.StatusMisdirectedRequest},
	} {
		t.Run(c.name, func(t *testing.T) {
			header := http.Header{"Origin": {c.origin}, "Host": {c.host}}
			if c.origin == "" {
				header["Origin"] = nil
			}
			ws, resp, err := h.dial(header)
			require.NotNil(t, resp, err)
			require.Equal(t, c.status, resp.StatusCode)
			if err == nil {
				ws.Close()
			}
		})
	}
}

// Ensures that a frame that is no message ends that connection with a word why,
// and nobody else's.
func TestBrokenFrames(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	for _, c := range []struct {
		name  string
		kind  int
		frame string
		code  string // "" where the connection just ends
	}{
		{"not JSON", websocket.TextMessage, `{"type":`, "bad-message"},
		{"two objects", websocket.TextMessage, `{"type":"time","t1":1}{}`, "bad-message"},
		{"a list", websocket.TextMessage, `[]`, "bad-message"},
		{"null", websocket.TextMessage, `null`, "bad-message"},
		{"empty", websocket.TextMessage, ``, "bad-message"},
		{"no type", websocket.TextMessage, `{"t1":1}`, "bad-message"},
		{"type in capitals", websocket.TextMessage, `{"Type":"time","t1":1}`, "bad-message"},
		{"bad UTF-8", websocket.TextMessage, "{\"type\":\"\xff\"}", "bad-message"},
		{"binary", websocket.BinaryMessage, `{"type":"time","t1":1}`, "bad-message"},
		{"time of text", websocket.TextMessage, `{"type":"time","t1":"1"}`, "bad-message"},
		{"events of text", websocket.TextMessage, `{"type":"events","events":"x"}`, "bad-message"},
		{"too many events", websocket.TextMessage, `{"type":"events","events":[` + strings.Repeat(`1,`, 200) + `1]}`, "bad-message"},
		{"heartbeat too large", websocket.TextMessage, `{"type":"presence","x":"` + strings.Repeat("x", 5000) + `"}`, "bad-message"},
		{"deeply nested", websocket.TextMessage, `{"type":"events","events":` + strings.Repeat("[", 100_000), "bad-message"},
		{"oversize", websocket.TextMessage, `{"type":"` + strings.Repeat("x", maxFrameBytes) + `"}`, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := h.join(buddy.pair, "siren").connect(nil)
			require.NoError(t, d.ws.WriteMessage(c.kind, []byte(c.frame)))
			d.closed()
			if c.code != "" {
				require.Len(t, d.errors, 1)
				require.Equal(t, c.code, d.errors[0]["code"])
				require.NotEmpty(t, d.errors[0]["reason"])
			}
		})
	}
	buddy.record("h", "note", h.shared.NowMs(), nil)
}

// Ensures that messages of types that a newer page may send are passed over.
func TestUnknownTypesAreNothing(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	buddy.send(map[string]any{"type": "moon-phase", "v": 9})
	buddy.record("h", "note", h.shared.NowMs(), nil)
	require.Empty(t, buddy.errors)
}

// Ensures that the first message must be a good hello.
func TestHelloIsDemanded(t *testing.T) {
	h := newHost(t)
	a, b := h.join("new", "buddy"), h.join("new", "buddy")
	hello := func(change map[string]any) map[string]any {
		m := map[string]any{"type": "hello", "v": 1, "token": a.token, "pair": a.pair, "device": a.id}
		for k, v := range change {
			if m[k] = v; v == nil {
				delete(m, k)
			}
		}
		return m
	}
	for _, c := range []struct {
		name    string
		message map[string]any
		code    string
	}{
		{"something else first", map[string]any{"type": "time", "t1": 1}, "bad-message"},
		{"no version", hello(map[string]any{"v": nil}), "bad-message"},
		{"version 0", hello(map[string]any{"v": 0}), "bad-message"},
		{"no token", hello(map[string]any{"token": nil}), "bad-message"},
		{"unknown token", hello(map[string]any{"token": strings.Repeat("A", 43)}), "bad-token"},
		{"another's token", hello(map[string]any{"token": b.token}), "bad-token"},
		{"another's pair", hello(map[string]any{"pair": b.pair}), "not-of-pair"},
		{"unknown pair", hello(map[string]any{"pair": "zzzzzzzzzz"}), "not-of-pair"},
		{"have is a list", hello(map[string]any{"have": []int{1}}), "bad-message"},
	} {
		t.Run(c.name, func(t *testing.T) {
			ws, _, err := h.dial(nil)
			require.NoError(t, err)
			defer ws.Close()
			d := &device{h: h, ws: ws}
			d.send(c.message)
			d.closed()
			require.Len(t, d.errors, 1)
			require.Equal(t, c.code, d.errors[0]["code"])
		})
	}
	ws, _, err := h.dial(nil)
	require.NoError(t, err)
	defer ws.Close()
	d := &device{h: h, ws: ws}
	d.send(hello(map[string]any{"v": 2, "news": true}))
	require.Equal(t, 1.0, d.next()["v"], "a newer page is answered in the version this server speaks")
}

// Ensures that a phone which never reads is cut off, while its pair goes on.
func TestClientThatNeverReads(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	deaf := h.join(buddy.pair, "diver").connect(nil)
	require.NoError(t, deaf.ws.NetConn().(*net.TCPConn).SetReadBuffer(4096))
	text := strings.Repeat("a long note ", 1300)
	open := func() int { return len(h.srv.conns.list(false)) }
	require.Equal(t, 2, open())
	for n := 0; open() == 2; n++ {
		require.Less(t, n, 2*queueSize, "the deaf phone is never cut off")
		var batch []map[string]any
		for range 15 {
			batch = append(batch, buddy.event("h", "note", h.shared.NowMs(), map[string]any{"text": text}))
		}
		buddy.offer(batch...)
		last := batch[14]["id"].(string)
		buddy.until("the notes to be stored", func() bool { return buddy.hasStored(last) })
	}
	buddy.record("h", "note", h.shared.NowMs(), nil)
}

// Ensures that a frame cut off in its middle leaves no part of it behind.
func TestSocketCutMidFrame(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	whole := diver.record("h", "note", h.shared.NowMs(), nil)
	w, err := diver.ws.NextWriter(websocket.TextMessage)
	require.NoError(t, err)
	// More than the client's buffer, so that a first part really goes out.
	_, err = w.Write([]byte(`{"type":"events","events":[{"id":"` + diver.id + `-000002","hold":"h","kind":"note","at":1,"x":"` + strings.Repeat("x", 8192)))
	require.NoError(t, err)
	require.NoError(t, diver.ws.NetConn().Close())

	buddy.until("the whole note", func() bool { return buddy.sees(whole["id"].(string)) })
	again := &device{h: h, id: diver.id, pair: diver.pair, role: "diver", token: diver.token}
	again.connect(nil)
	require.Len(t, again.hold.Events(), 1)
	require.Equal(t, 1.0, again.welcome["have"].(map[string]any)[diver.id])
}

// Ensures that malformed events are refused one by one, named, with a reason,
// and that the good ones beside them are stored.
func TestRefusedEventsAreNamed(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	now := h.shared.NowMs()
	good := buddy.event("h", "look", now, nil)
	bad := func(key string, value any) map[string]any {
		e := buddy.event("h", "look", now, nil)
		if e[key] = value; value == nil {
			delete(e, key)
		}
		return e
	}
	cases := []struct {
		event map[string]any
		code  string
	}{
		{bad("at", nil), "bad-at"},
		{bad("at", 1.5), "bad-at"},
		{bad("at", "now"), "bad-at"},
		{bad("hold", ""), "bad-hold"},
		{bad("kind", 7), "bad-kind"},
		{bad("err", -1), "bad-err"},
		{bad("data", []int{1}), "bad-data"},
		{bad("by", strings.Repeat("b", 33)), "bad-by"},
		{bad("by", nil), "role"},
		{bad("text", strings.Repeat("x", 17_000)), "too-large"},
		{bad("id", buddy.id+"-17"), "bad-id"},
		{bad("id", buddy.id+"-0000017"), "bad-id"},
		{bad("id", buddy.id+"-000000"), "bad-id"},
		{bad("id", buddy.id+"-00000x"), "bad-id"},
		{bad("id", "nobody"), "bad-id"},
		{bad("id", "zzzzzzzzzz-000001"), "not-of-pair"},
		{bad("at", now-86_400_001), "too-far"},
		{bad("at", now+90_000_000), "too-far"},
	}
	events := []map[string]any{good}
	for _, c := range cases {
		events = append(events, c.event)
	}
	buddy.offer(events...)
	buddy.until("the good one", func() bool { return buddy.hasStored(good["id"].(string)) })
	for _, c := range cases {
		id := c.event["id"].(string)
		buddy.until("a refusal of "+c.code, func() bool { return buddy.wasRefused(id) })
		require.Equal(t, c.code, buddy.refusedFor(id), id)
	}
	require.Len(t, buddy.stored, 1)

	// An event without an id cannot be named, but is told of.
	before := len(buddy.refused)
	require.NoError(t, buddy.ws.WriteMessage(websocket.TextMessage, []byte(`{"type":"events","events":[7,{"id":7}]}`)))
	buddy.until("both refusals", func() bool { return len(buddy.refused) == before+2 })
	require.Contains(t, buddy.refused[before]["reason"], "event 1:")
	require.Contains(t, buddy.refused[before+1]["reason"], "event 2:")
}

// Ensures that unusual requests get an answer in the API's own form.
func TestRequestsThatMakeNoSense(t *testing.T) {
	h := newHost(t)
	for _, c := range []struct {
		name, method, path, body string
		header                   map[string]string
		status                   int
		code                     string
	}{
		{"no JSON", "POST", "/api/join", "secret", nil, 400, "bad-message"},
		{"empty", "POST", "/api/pairs", "", nil, 400, "bad-message"},
		{"too large", "POST", "/api/join", `{"secret":"` + strings.Repeat("x", 9000) + `"}`, nil, 413, "too-large"},
		{"foreign page", "POST", "/api/code", `{"code":"ABCDEF"}`, map[string]string{"Origin": "http://pool.invalid"}, 403, "bad-origin"},
		{"wrong method", "GET", "/api/join", "", nil, 405, "bad-method"},
		{"no such address", "GET", "/api/secrets", "", nil, 404, "not-found"},
		{"path trick", "GET", "/v/../../etc/passwd", "", nil, 404, "not-found"},
		{"old secret", "POST", "/api/pairs", `{"secret":"x"}`, nil, 403, "bad-secret"},
		{"unknown token", "POST", "/api/invite", `{"token":"x"}`, nil, 401, "bad-token"},
		{"unknown token", "POST", "/api/leave", `{"token":"x"}`, nil, 401, "bad-token"},
		{"unknown token", "POST", "/api/events", `{"token":"x","pair":"p","events":[]}`, nil, 401, "bad-token"},
		{"no socket", "GET", "/socket", "", nil, 403, "bad-origin"},
	} {
		t.Run(c.name+" "+c.path, func(t *testing.T) {
			req, err := http.NewRequest(c.method, h.http.URL+c.path, strings.NewReader(c.body))
			require.NoError(t, err)
			for k, v := range c.header {
				req.Header.Set(k, v)
			}
			client := &http.Client{Timeout: within, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
			resp, err := client.Do(req)
			require.NoError(t, err)
			defer resp.Body.Close()
			var body bytes.Buffer
			_, err = body.ReadFrom(resp.Body)
			require.NoError(t, err)
			if c.name == "path trick" {
				require.Less(t, resp.StatusCode, 500)
				require.NotContains(t, body.String(), "root:")
				return
			}
			require.Equal(t, c.status, resp.StatusCode, body.String())
			require.Contains(t, body.String(), `"code":"`+c.code+`"`)
		})
	}
}

// Ensures that a connection which never says a word is not kept.
func TestSilentConnectionIsClosed(t *testing.T) {
	h, mock := newMockHost(t)
	ws, _, err := h.dial(nil)
	require.NoError(t, err)
	defer ws.Close()
	waitFor(t, "the connection", func() bool { return len(h.srv.conns.list(false)) == 1 })
	mock.Add(helloWithin - time.Millisecond)
	require.Len(t, h.srv.conns.list(false), 1)
	mock.Add(time.Millisecond)
	(&device{h: h, ws: ws}).closed()
}
