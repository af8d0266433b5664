package localca

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"
)

// Issue makes a certificate with a new key for the machine's addresses of the
// moment, loopback and Name. Addresses that the authority may not sign for are
// left out, as they would spoil the whole certificate.
func (a *Authority) Issue(now time.Time, addrs []netip.Addr) (*tls.Certificate, error) {
	t, err := template(Name, now, min(leafDays*day, a.issuer.NotAfter.Sub(now)))
	if err != nil {
		return nil, err
	}
	t.DNSNames = []string{Name}
	t.KeyUsage = x509.KeyUsageDigitalSignature
	t.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	all := append([]netip.Addr{netip.MustParseAddr("127.0.0.1"), netip.IPv6Loopback()}, addrs...)
	for _, addr := range all {
		addr = addr.Unmap().WithZone("")
		if ip := net.IP(addr.AsSlice()); Covers(addr) && !slices.ContainsFunc(t.IPAddresses, ip.Equal) {
			t.IPAddresses = append(t.IPAddresses, ip)
		}
	}
	key, err := newKey()
	if err != nil {
		return nil, err
	}
	public, err := key.PublicKey.Bytes()
	if err != nil {
		return nil, err
	}
	// Authorities get theirs by themselves; 160 bits as in RFC 7093.
	id := sha256.Sum256(public)
	t.SubjectKeyId = id[:20]
	leaf, err := sign(t, a.issuer, key, a.key)
	if err != nil {
		return nil, err
	}
	return &tls.Certificate{Certificate: [][]byte{leaf.Raw, a.issuer.Raw}, PrivateKey: key, Leaf: leaf}, nil
}

// Leaves hands out the server's certificate, and makes a new one when the
// machine has got another address or the old one comes to its end.
type Leaves struct {
	authority *Authority
	now       func() time.Time
	addrs     func() []netip.Addr

	mu      sync.Mutex
	current *tls.Certificate
}

// NewLeaves makes the first certificate. now and addrs give the time and the
// machine's addresses whenever they are needed.
func (a *Authority) NewLeaves(now func() time.Time, addrs func() []netip.Addr) (*Leaves, error) {
	first, err := a.Issue(now(), addrs())
	return &Leaves{authority: a, now: now, addrs: addrs, current: first}, err
}

// Get is tls.Config's GetCertificate.
func (l *Leaves) Get(hello *tls.ClientHelloInfo) (*tls.Certificate, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.now()
	called, covered := addressOf(hello)
	// Two days before the end a phone whose clock is ahead still takes it.
	if now.Before(l.current.Leaf.NotAfter.Add(-2*day)) && (!covered || l.names(called)) {
		return l.current, nil
	}
	addrs := l.addrs()
	if covered {
		addrs = append(addrs, called)
	}
	fresh, err := l.authority.Issue(now, addrs)
	if err != nil {
		return nil, err
	}
	l.current = fresh
	return fresh, nil
}

func (l *Leaves) names(addr netip.Addr) bool {
	return slices.ContainsFunc(l.current.Leaf.IPAddresses, net.IP(addr.AsSlice()).Equal)
}

// addressOf gives the address of ours that was called; covered tells whether the
// authority may sign for it.
func addressOf(hello *tls.ClientHelloInfo) (addr netip.Addr, covered bool) {
	if hello.Conn == nil {
		return addr, false
	}
	local, err := netip.ParseAddrPort(hello.Conn.LocalAddr().String())
	if err != nil {
		return addr, false
	}
	addr = local.Addr().Unmap().WithZone("")
	return addr, Covers(addr)
}
