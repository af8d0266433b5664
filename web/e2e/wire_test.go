package e2e

import (
	"math/rand/v2"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// leg is what a frame meets in one direction.
type leg struct {
	base, jitter time.Duration // the delay is base, up to jitter more or less
	lost         float64       // share of pieces that are lost and sent again
}

// resendAfter is how long TCP waits at least before it sends a lost piece again.
const resendAfter = 200 * time.Millisecond

// longestWait is how long a piece waits at most while others come through.
const longestWait = 8 * resendAfter

// firstDialAgain is how long it waits before it dials again (RFC 6298).
const firstDialAgain = time.Second

func (l leg) delay() time.Duration {
	d := l.base
	if l.jitter > 0 {
		d += time.Duration((2*rand.Float64() - 1) * float64(l.jitter))
	}
	return max(d, 0)
}

// wire is what lies between a phone and the server.
type wire struct{ up, down leg }

// wireOf makes both directions alike.
func wireOf(base, jitter time.Duration, lost float64) wire {
	l := leg{base, jitter, lost}
	return wire{up: l, down: l}
}

// proxy stands between a phone and the server and delays what passes, as a
// Wi-Fi does: in order, so that what is behind a late piece is late too.
type proxy struct {
	addr   string
	target string

	mu     sync.Mutex
	wire   wire
	open   map[net.Conn]bool
	block  bool
	healed chan struct{} // closed unless the wire is dead
}

// startProxy listens on a loopback port until the test ends. At first it delays nothing.
func startProxy(t testing.TB, target string) *proxy {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &proxy{addr: listener.Addr().String(), target: target, open: map[net.Conn]bool{}, healed: make(chan struct{})}
	close(p.healed)
	var serving sync.WaitGroup
	t.Cleanup(func() {
		_ = listener.Close()
		p.cut(true)
		p.heal()
		serving.Wait()
	})
	serving.Add(1)
	go func() {
		defer serving.Done()
		for {
			phone, err := listener.Accept()
			if err != nil {
				return
			}
			serving.Add(1)
			go func() {
				defer serving.Done()
				p.carry(phone)
			}()
		}
	}()
	return p
}

// set changes the wire from now on.
func (p *proxy) set(w wire) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.wire = w
}

// cut ends every connection, and lets no other through while block is set.
func (p *proxy) cut(block bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.block = block
	for conn := range p.open {
		_ = conn.Close()
	}
}

// die has nothing pass any more, and nobody told: connections stay open, as with
// a phone out of reach.
func (p *proxy) die() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.healed = make(chan struct{})
}

// heal undoes die. What was sent meanwhile comes when its sender sends it again.
func (p *proxy) heal() {
	p.mu.Lock()
	defer p.mu.Unlock()
	select {
	case <-p.healed:
	default:
		close(p.healed)
	}
}

// loses tells whether the wire loses what passes now.
func (p *proxy) loses(which func(wire) leg) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return rand.Float64() < which(p.wire).lost
}

// passes waits while the wire is dead, and then until TCP tries again what it
// first sent at from: after a first wait, and then always after twice the last one.
func (p *proxy) passes(from time.Time, wait time.Duration) {
	p.mu.Lock()
	healed := p.healed
	p.mu.Unlock()
	select {
	case <-healed:
		return
	default:
	}
	<-healed
	again := from
	for time.Now().After(again) {
		again = again.Add(wait)
		wait *= 2
	}
	time.Sleep(time.Until(again))
}

// enter registers connections; false while nothing gets through.
func (p *proxy) enter(conns ...net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, conn := range conns {
		if !p.block {
			p.open[conn] = true
		}
	}
	return !p.block
}

func (p *proxy) carry(phone net.Conn) {
	defer phone.Close()
	p.passes(time.Now(), firstDialAgain)
	server, err := net.Dial("tcp", p.target)
	if err != nil {
		return
	}
	defer server.Close()
	if !p.enter(phone, server) {
		return
	}
	defer func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.open, phone)
		delete(p.open, server)
	}()
	var both sync.WaitGroup
	both.Add(2)
	go func() {
		defer both.Done()
		p.pump(server, phone, func(w wire) leg { return w.up })
	}()
	go func() {
		defer both.Done()
		p.pump(phone, server, func(w wire) leg { return w.down })
	}()
	both.Wait()
}

// pump carries one direction; where it ends, both do.
func (p *proxy) pump(to, from net.Conn, which func(wire) leg) {
	type piece struct {
		bytes []byte
		due   time.Time
	}
	pieces := make(chan piece, 1024)
	go func() {
		defer close(pieces)
		var last time.Time
		for {
			buf := make([]byte, 1<<14)
			n, err := from.Read(buf)
			if n > 0 {
				p.mu.Lock()
				delay := which(p.wire).delay()
				p.mu.Unlock()
				if due := time.Now().Add(delay); due.After(last) {
					last = due
				}
				pieces <- piece{buf[:n], last}
			}
			if err != nil {
				return
			}
		}
	}()
	for next := range pieces {
		time.Sleep(time.Until(next.due))
		// What is lost is sent again after a while, and after longer if it is lost again.
		for at, wait := next.due, resendAfter; p.loses(which); wait = min(2*wait, longestWait) {
			at = at.Add(wait)
			time.Sleep(time.Until(at))
		}
		p.passes(next.due, resendAfter)
		if _, err := to.Write(next.bytes); err != nil {
			break
		}
	}
	_ = to.Close()
	_ = from.Close()
	for range pieces {
	}
}
