package server

import (
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/benbjohnson/clock"
)

// hostsFreshFor is how long the machine's addresses are taken to stay the same.
const hostsFreshFor = 5 * time.Second

// Hosts knows the names and addresses under which this server may be opened. A
// page of a foreign name whose owner lets it point here (DNS rebinding) would
// otherwise pass for one of ours.
type Hosts struct {
	clk   clock.Clock
	names map[string]bool

	mu      sync.Mutex
	addrs   map[netip.Addr]bool
	checked time.Time
}

// NewHosts allows localhost, this machine's name, with and without `.local`, its
// addresses of the moment, and any extra names.
func NewHosts(clk clock.Clock, extra ...string) *Hosts {
	h := &Hosts{clk: clk, names: map[string]bool{"localhost": true}}
	if name, err := os.Hostname(); err == nil && name != "" {
		extra = append(extra, name, strings.SplitN(name, ".", 2)[0]+".local")
	}
	for _, name := range extra {
		h.names[hostName(name)] = true
	}
	return h
}

// Allows tells whether a request's Host is one of ours; the port does not matter.
func (h *Hosts) Allows(host string) bool {
	name := hostName(host)
	if h.names[name] {
		return true
	}
	addr, err := netip.ParseAddr(name)
	if err != nil {
		return false
	}
	addr = addr.Unmap().WithZone("")
	return addr.IsLoopback() || h.ownAddr(addr)
}

func (h *Hosts) ownAddr(addr netip.Addr) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	// A laptop joins another network, and has another address, without notice.
	if now := h.clk.Now(); h.addrs == nil || now.Sub(h.checked) >= hostsFreshFor {
		h.addrs, h.checked = map[netip.Addr]bool{}, now
		for _, own := range Addresses() {
			h.addrs[own] = true
		}
	}
	return h.addrs[addr]
}

// Addresses gives this machine's addresses, without loopback.
func Addresses() []netip.Addr {
	all, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	var out []netip.Addr
	for _, a := range all {
		p, err := netip.ParsePrefix(a.String())
		if err == nil && !p.Addr().IsLoopback() {
			out = append(out, p.Addr().Unmap().WithZone(""))
		}
	}
	return out
}

// hostName is a Host header without port, brackets and final dot, in lower case.
func hostName(host string) string {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	return strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
}

// sameOrigin tells whether a request comes from a page of this very server:
// same scheme, same host, same port. Hosts has judged the host itself.
func sameOrigin(r *http.Request) bool {
	scheme := "http://"
	if r.TLS != nil {
		scheme = "https://"
	}
	return strings.EqualFold(r.Header.Get("Origin"), scheme+r.Host)
}
