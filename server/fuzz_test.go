package server

import (
	"bytes"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/server/access"
	"buddyclock/server/steady"
	"buddyclock/server/store"
	"buddyclock/web"
)

// target is a server that hostile requests are made to, without a network. It
// is made anew from time to time, since what is rightly recorded piles up.
type target struct {
	dir   string
	store *store.Store
	srv   *Server
	known *strings.Replacer // words in a request that stand for what only a member knows
	left  int
}

const requestsPerTarget = 2000

func newTarget() (*target, error) {
	dir, err := os.MkdirTemp("", "buddyclock-fuzz-")
	if err != nil {
		return nil, err
	}
	clk := clock.New()
	shared := NewSharedClock(clk)
	st, err := store.Open(dir, shared.NowMs)
	if err != nil {
		return nil, err
	}
	session, err := st.ContinueSession(access.NewID(), 1)
	if err != nil {
		return nil, err
	}
	assets, err := web.NewAssets(page)
	if err != nil {
		return nil, err
	}
	x := &target{dir: dir, store: st, left: requestsPerTarget}
	x.srv = New(Options{
		Store: st, Session: session, Clock: clk, Shared: shared, Assets: assets, Hosts: NewHosts(clk),
		URLs: func() []string { return nil }, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	x.srv.calls = access.NewLimiter(clk, 1_000_000, 1)
	x.srv.codeTries = access.NewLimiter(clk, 1_000_000, 1)
	pair, err := st.AddPair(access.NewID(), session.ID)
	if err != nil {
		return nil, err
	}
	token, hash := access.NewToken()
	device := store.Device{ID: access.NewID(), Session: session.ID, Pair: pair.ID, Role: "buddy"}
	code, _ := x.srv.Code()
	x.known = strings.NewReplacer("SECRET", x.srv.secret, "INSTRUCTOR", x.srv.instructorSecret, "TOKEN", token, "PAIR", pair.ID, "DEVICE", device.ID, "CODE", code)
	return x, st.Admit(device, hash)
}

func (x *target) close() {
	x.srv.Shutdown()
	x.store.Close()
	os.RemoveAll(x.dir)
}

// apiPaths are all requests that take a body.
var apiPaths = []string{"code", "pairs", "join", "invite", "events", "leave"}

// FuzzRequests ensures that no body of a request brings the server down, and
// that each is answered by one JSON object, an error by its code and a reason.
func FuzzRequests(f *testing.F) {
	for which, bodies := range [][]string{
		{`{"code":"CODE"}`, `{"code":"oil-oi1"}`, `{"code":7}`},
		{`{"secret":"SECRET"}`, `{"secret":"INSTRUCTOR"}`, `{"secret":""}`},
		{`{"secret":"SECRET","pair":"new","role":"buddy","device":"k7p2q4m9tc","name":"Odo"}`,
			`{"token":"TOKEN","pair":"PAIR","role":"diver","device":"DEVICE","name":"\u0000"}`,
			`{"secret":"INSTRUCTOR","pair":"","role":"instructor","device":"0123456789","name":"Mira"}`},
		{`{"token":"TOKEN"}`, `{"token":"x"}`},
		{`{"token":"TOKEN","pair":"PAIR","events":[{"id":"DEVICE-000001","hold":"DEVICE-h01","kind":"look","at":1790000000000,"by":"buddy"}],"have":{"DEVICE":0}}`,
			`{"token":"TOKEN","pair":"PAIR","events":[7,null,{}],"have":{"a":1e99}}`, `{"token":"TOKEN","pair":"PAIR","events":{}}`},
		{`{"token":"TOKEN"}`, `{}`, `[]`, `null`, `{"token":"\ud800"}`, "\xff", ``},
	} {
		for _, body := range bodies {
			f.Add(uint8(which), []byte(body))
		}
	}
	x, err := newTarget()
	require.NoError(f, err)
	f.Cleanup(func() { x.close() })
	watch := steady.New(400, 16<<20)
	f.Fuzz(func(t *testing.T, which uint8, body []byte) {
		if x.left--; x.left == 0 {
			x.close()
			var err error
			x, err = newTarget()
			require.NoError(t, err)
		}
		text := x.known.Replace(string(body))
		watch.Run(t, len(text), func() {
			r := httptest.NewRequest(http.MethodPost, "http://localhost/api/"+apiPaths[int(which)%len(apiPaths)], bytes.NewReader([]byte(text)))
			w := httptest.NewRecorder()
			x.srv.Handler().ServeHTTP(w, r)
			var answer map[string]any
			require.NoError(t, json.Unmarshal(w.Body.Bytes(), &answer))
			require.True(t, utf8.Valid(w.Body.Bytes()))
			require.NotEqual(t, http.StatusInternalServerError, w.Code, w.Body)
			if w.Code != http.StatusOK {
				require.NotEmpty(t, answer["code"])
				require.NotEmpty(t, answer["reason"])
			}
		})
	})
}

// FuzzHost ensures that of all hosts that a browser can name only ours are let
// in, and that none gets into the page's policy.
func FuzzHost(f *testing.F) {
	for _, seed := range []string{
		"localhost", "LOCALHOST.:8080", "127.0.0.1:1", "[::1]", "[::ffff:127.0.0.1]:80", "[fe80::1%25eth0]", "pool.example", "127.0.0.1.evil.example",
		"evil.example:127.0.0.1", "localhost; script-src *", "[[localhost]]", "127.1", "0x7f000001", "", ":", "\x00",
	} {
		f.Add(seed)
	}
	hosts := NewHosts(clock.New(), "pool.example")
	own := Addresses()
	watch := steady.New(400, 4<<20)
	f.Fuzz(func(t *testing.T, host string) {
		watch.Run(t, len(host), func() {
			allowed := hosts.Allows(host)
			h := http.Header{}
			setHeaders(h, &http.Request{Host: host})
			require.Equal(t, 7, strings.Count(h.Get("Content-Security-Policy"), ";")+1, host)
			u, err := url.Parse("http://" + host)
			if !allowed || err != nil || u.Host != host {
				return
			}
			name := strings.ToLower(strings.TrimSuffix(u.Hostname(), "."))
			if hosts.names[name] {
				return
			}
			addr, err := netip.ParseAddr(name)
			require.NoError(t, err, host)
			addr = addr.Unmap().WithZone("")
			require.True(t, addr.IsLoopback() || slices.Contains(own, addr), host)
		})
	})
}
