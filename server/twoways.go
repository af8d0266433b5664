package server

import (
	"bufio"
	"crypto/tls"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// firstByteWithin is how long a new connection may say nothing before it is cut.
const firstByteWithin = 10 * time.Second

// tlsHandshake is the first byte of a connection that speaks TLS; no HTTP
// request begins with it.
const tlsHandshake = 0x16

// TwoWays lets https and plain http come in at one port: what begins like TLS
// is given out as a *tls.Conn, and anything else as it is. So an address typed
// without `https` meets the page that helps instead of a broken connection.
func TwoWays(inner net.Listener, config *tls.Config) net.Listener {
	l := &twoWays{Listener: inner, config: config, conns: make(chan net.Conn), errs: make(chan error), closed: make(chan struct{})}
	go l.run()
	return l
}

type twoWays struct {
	net.Listener
	config *tls.Config
	conns  chan net.Conn

	errs   chan error
	closed chan struct{}
	once   sync.Once
}

// run reports each failure and tries again once net/http has taken it, which
// waits a little after a passing one and stops after any other.
func (l *twoWays) run() {
	for {
		conn, err := l.Listener.Accept()
		if err == nil {
			// A device that says nothing must not keep the next one waiting.
			go l.sort(conn)
			continue
		}
		select {
		case l.errs <- err:
		case <-l.closed:
			return
		}
	}
}

// sort waits for a connection's first byte and hands it out.
func (l *twoWays) sort(conn net.Conn) {
	r := bufio.NewReaderSize(conn, 1<<10)
	conn.SetReadDeadline(time.Now().Add(firstByteWithin))
	first, err := r.Peek(1)
	if err != nil {
		conn.Close()
		return
	}
	conn.SetReadDeadline(time.Time{})
	var out net.Conn = &begunConn{conn, r}
	if first[0] == tlsHandshake {
		out = tls.Server(out, l.config)
	}
	select {
	case l.conns <- out:
	case <-l.closed:
		conn.Close()
	}
}

// Accept implements net.Listener.
func (l *twoWays) Accept() (net.Conn, error) {
	select {
	case conn := <-l.conns:
		return conn, nil
	case err := <-l.errs:
		return nil, err
	case <-l.closed:
		return nil, net.ErrClosed
	}
}

// Close implements net.Listener.
func (l *twoWays) Close() error {
	l.once.Do(func() { close(l.closed) })
	return l.Listener.Close()
}

// begunConn is a connection of which some bytes have been read already.
type begunConn struct {
	net.Conn
	r *bufio.Reader
}

func (c *begunConn) Read(p []byte) (int, error) { return c.r.Read(p) }

// Front is the handler where phones come in by https. By plain http only this
// very machine gets the page, since its browser holds localhost to be secure;
// anybody else gets what plain serves. That has no script and sends no form.
func (s *Server) Front(plain http.Handler) http.Handler {
	page, other := s.Handler(), s.guard(plain)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.TLS != nil || fromHere(r) {
			page.ServeHTTP(w, r)
			return
		}
		other.ServeHTTP(w, r)
	})
}

// fromHere tells whether a request comes from this machine to its own loopback.
func fromHere(r *http.Request) bool {
	remote, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || !remote.Addr().Unmap().IsLoopback() {
		return false
	}
	host := hostName(r.Host)
	addr, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && addr.Unmap().IsLoopback()
}

// ToHTTPS sends pages opened by plain http on to https. base gives where to,
// such as https://pool.example:8080, for the Host of a request.
func ToHTTPS(base func(host string) string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			refuse(w, http.StatusForbidden, "https-only", "this server is to be opened by https")
			return
		}
		w.Header().Set("Cache-Control", "no-store")
		http.Redirect(w, r, base(r.Host)+r.URL.RequestURI(), http.StatusTemporaryRedirect)
	})
}
