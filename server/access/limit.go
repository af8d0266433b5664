package access

import (
	"net/netip"
	"sync"
	"time"

	"github.com/benbjohnson/clock"
)

// maxAddresses bounds the memory a limiter takes. A limiter that is full of
// addresses at their limit lets no further one in until some have recovered.
const maxAddresses = 4096

// Limiter lets each address do something Burst times at once and then once
// per Every.
type Limiter struct {
	clk   clock.Clock
	burst int
	every time.Duration

	mu   sync.Mutex
	full map[netip.Prefix]time.Time // when the address has its whole burst again
}

// NewLimiter makes a limiter of burst tries at once and one more per every.
func NewLimiter(clk clock.Clock, burst int, every time.Duration) *Limiter {
	return &Limiter{clk: clk, burst: burst, every: every, full: make(map[netip.Prefix]time.Time)}
}

// Allow counts one try of an address ("host:port") and tells whether it may go on.
func (l *Limiter) Allow(remote string) bool {
	who := Network(remote)
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.clk.Now()
	full, known := l.full[who]
	if !known && len(l.full) >= maxAddresses && !l.forget(now) {
		return false
	}
	if full.Before(now) {
		full = now
	}
	full = full.Add(l.every)
	if full.Sub(now) > time.Duration(l.burst)*l.every {
		return false
	}
	l.full[who] = full
	return true
}

// forget drops addresses that have recovered, and tells whether there were any.
func (l *Limiter) forget(now time.Time) bool {
	for who, full := range l.full {
		if !full.After(now) {
			delete(l.full, who)
		}
	}
	return len(l.full) < maxAddresses
}

// Network is what counts as one address: an IPv4 address, or the /64 that a
// single IPv6 device can choose addresses from at will.
func Network(remote string) netip.Prefix {
	ap, err := netip.ParseAddrPort(remote)
	if err != nil {
		return netip.Prefix{}
	}
	addr := ap.Addr().Unmap().WithZone("")
	bits := 64
	if addr.Is4() {
		bits = 32
	}
	p, _ := addr.Prefix(bits)
	return p
}
