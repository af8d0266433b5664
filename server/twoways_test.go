package server

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"buddyclock/server/localca"
)

// secureHost is a running server whose phones come in by https, at a port that
// takes plain http as well. They trust its authority.
type secureHost struct {
	*host
	authority *localca.Authority
	address   string // 127.0.0.1:PORT
}

func newSecureHost(t *testing.T) *secureHost {
	t.Helper()
	h := &secureHost{host: startHost(t, t.TempDir(), clock.New())}
	var err error
	h.authority, err = localca.Open(h.dir, time.Now())
	require.NoError(t, err)
	leaves, err := h.authority.NewLeaves(time.Now, func() []netip.Addr { return nil })
	require.NoError(t, err)
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	h.address = inner.Addr().String()
	srv := &http.Server{Handler: h.srv.Front(h.authority.SetupHandler()), ErrorLog: log.New(io.Discard, "", 0), ReadHeaderTimeout: within}
	ended := make(chan error, 1)
	go func() {
		ended <- srv.Serve(TwoWays(inner, &tls.Config{GetCertificate: leaves.Get, NextProtos: []string{"http/1.1"}}))
	}()
	t.Cleanup(func() {
		srv.Close()
		require.ErrorIs(t, <-ended, http.ErrServerClosed)
	})
	root, err := x509.ParseCertificate(h.authority.DER())
	require.NoError(t, err)
	h.tls = &tls.Config{RootCAs: x509.NewCertPool()}
	h.tls.RootCAs.AddCert(root)
	h.url, h.client = "https://"+h.address, &http.Client{Transport: &http.Transport{TLSClientConfig: h.tls}, Timeout: within}
	return h
}

func (h *secureHost) get(url string) (*http.Response, string) {
	h.t.Helper()
	resp, err := h.client.Get(url)
	require.NoError(h.t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(h.t, err)
	return resp, string(body)
}

// ask has a handler answer a request from a far address, without a connection.
func ask(handler http.Handler, method, path, remote, host string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, nil)
	r.RemoteAddr, r.Host = remote, host
	w := httptest.NewRecorder()
	handler.ServeHTTP(w, r)
	return w
}

// Ensures that one port serves the page by https, with a policy that allows its
// secure socket and no other, and by plain http to this machine alone.
func TestTwoWaysOfOnePort(t *testing.T) {
	h := newSecureHost(t)
	resp, body := h.get("https://" + h.address + "/")
	require.Equal(t, http.StatusOK, resp.StatusCode)
	require.Contains(t, body, "app.js")
	policy := resp.Header.Get("Content-Security-Policy")
	require.Contains(t, policy, "connect-src 'self' wss://"+h.address+";")
	require.NotContains(t, policy, "ws://"+h.address)

	resp, body = h.get("http://" + h.address + "/")
	require.Equal(t, http.StatusOK, resp.StatusCode)
	require.Contains(t, body, "app.js")
	require.Contains(t, resp.Header.Get("Content-Security-Policy"), "connect-src 'self' ws://"+h.address+";")
}

// Ensures that a phone which comes by plain http gets the set-up page, and no
// way into the outing.
func TestH21PlainHTTPIsOnlyForSettingUp(t *testing.T) {
	h := newSecureHost(t)
	handler := h.srv.Front(h.authority.SetupHandler())
	for _, from := range []struct{ remote, host string }{
		{"192.0.2.50:4711", "localhost"}, {"127.0.0.1:4711", "pool.example"}, {"[2001:db8::1]:4711", "127.0.0.1:8080"}, {"", "localhost"},
	} {
		get := func(method, path string) (int, string, http.Header) {
			w := ask(handler, method, path, from.remote, from.host)
			return w.Code, w.Body.String(), w.Header()
		}
		status, body, head := get(http.MethodGet, "/")
		require.Equal(t, http.StatusOK, status)
		require.Contains(t, body, "Certificate Trust Settings")
		require.NotContains(t, body, "app.js")
		require.Contains(t, head.Get("Content-Security-Policy"), "default-src 'self'")
		require.Equal(t, "nosniff", head.Get("X-Content-Type-Options"))
		for _, path := range []string{"/socket", "/api/join", "/api/code", "/v/x/app.js", "/healthz"} {
			status, _, _ = get(http.MethodGet, path)
			require.Equal(t, http.StatusNotFound, status, path)
			status, _, _ = get(http.MethodPost, path)
			require.Contains(t, []int{http.StatusNotFound, http.StatusMethodNotAllowed}, status, path)
		}
	}
	w := ask(handler, http.MethodGet, "/", "192.0.2.50:4711", "foreign.example")
	require.Equal(t, http.StatusMisdirectedRequest, w.Code)
}

// Ensures that a whole exchange works over the secure socket, from joining to
// the farewell, and that a page of the plain origin may not open it.
func TestSecureSocket(t *testing.T) {
	h := newSecureHost(t)
	_, resp, err := h.dial(http.Header{"Origin": {"http://" + h.address}})
	require.Error(t, err)
	require.Equal(t, http.StatusForbidden, resp.StatusCode)
	_, _, err = websocket.DefaultDialer.Dial("wss://"+h.address+"/socket", http.Header{"Origin": {h.url}})
	require.ErrorContains(t, err, "unknown authority")

	d := h.join("new", "buddy").connect(nil)
	d.record("h", "look", h.shared.NowMs(), nil)
	d.send(map[string]any{"type": "time", "t1": 5})
	d.until("the time", func() bool { return len(d.times) == 1 })
	stopped := make(chan struct{})
	go func() { defer close(stopped); h.stop() }()
	d.until("the farewell", func() bool { return d.bye != "" })
	require.Equal(t, "stopped", d.bye)
	d.closed()
	<-stopped
}

// Ensures that connections which say nothing, or break off, keep nobody waiting.
func TestSilentConnectionsKeepNobodyWaiting(t *testing.T) {
	h := newSecureHost(t)
	for n := range 50 {
		conn, err := net.Dial("tcp", h.address)
		require.NoError(t, err)
		defer conn.Close()
		if n%2 == 0 {
			_, err = conn.Write([]byte{tlsHandshake, 3, 1}[:1+n%3])
			require.NoError(t, err)
		}
		if n%5 == 0 {
			conn.Close()
		}
	}
	resp, _ := h.get("https://" + h.address + "/healthz")
	require.Equal(t, http.StatusOK, resp.StatusCode)
}

// failingListener gives some errors and then nothing.
type failingListener struct {
	net.Listener
	errs chan error
}

func (l *failingListener) Accept() (net.Conn, error) { return nil, <-l.errs }
func (l *failingListener) Close() error              { return nil }

// Ensures that failures of the port are reported one by one, and that closing
// ends the wait for a connection.
func TestTwoWaysReportsFailures(t *testing.T) {
	inner := &failingListener{errs: make(chan error, 2)}
	l := TwoWays(inner, &tls.Config{})
	first, second := errors.New("too many open files"), errors.New("gone")
	inner.errs <- first
	inner.errs <- second
	_, err := l.Accept()
	require.Equal(t, first, err)
	_, err = l.Accept()
	require.Equal(t, second, err)
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	waited := make(chan error, 1)
	go func() { _, err := l.Accept(); waited <- err }()
	require.NoError(t, l.Close())
	require.NoError(t, l.Close())
	select {
	case err := <-waited:
		require.ErrorIs(t, err, net.ErrClosed)
	case <-ctx.Done():
		require.Fail(t, "Accept does not end")
	}
	inner.errs <- net.ErrClosed // as a listener that was closed
}

// Ensures that with an own certificate a page opened by plain http goes on by https.
func TestToHTTPS(t *testing.T) {
	handler := ToHTTPS(func(host string) string { return "https://" + host })
	w := ask(handler, http.MethodGet, "/x?y=1", "192.0.2.50:4711", "pool.example:8080")
	require.Equal(t, http.StatusTemporaryRedirect, w.Code)
	require.Equal(t, "https://pool.example:8080/x?y=1", w.Header().Get("Location"))
	w = ask(handler, http.MethodPost, "/api/join", "192.0.2.50:4711", "pool.example:8080")
	require.Equal(t, http.StatusForbidden, w.Code)
	require.True(t, strings.Contains(w.Body.String(), "https-only"), w.Body)
}
