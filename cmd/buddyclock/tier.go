package main

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"

	"buddyclock/server"
	"buddyclock/server/localca"
)

// tier is how far phones can trust the way to this server: by a certificate of
// the user's own, by one of this machine's own authority, or plain http. What
// is printed, allowed and served follows it.
type tier struct {
	own       *x509.Certificate  // the user's, or nil
	authority *localca.Authority // this machine's, or nil
	config    *tls.Config        // nil for plain http
	hosts     []string           // names given with -host
}

// newTier reads or makes the certificates that the flags ask for.
func newTier(o serveOptions, now func() time.Time) (*tier, error) {
	t := &tier{hosts: o.names}
	switch {
	case o.cert != "":
		pair, err := tls.LoadX509KeyPair(o.cert, o.key)
		if err != nil {
			return nil, fmt.Errorf("the certificate %s with the key %s cannot be used: %w; both are PEM files, the certificate with those of its issuers below it", o.cert, o.key, err)
		}
		t.own = pair.Leaf
		t.config = &tls.Config{Certificates: []tls.Certificate{pair}}
	case o.tls:
		var err error
		if t.authority, err = localca.Open(o.data, now()); err != nil {
			return nil, fmt.Errorf("%w; without -tls Buddyclock runs over plain http", err)
		}
		leaves, err := t.authority.NewLeaves(now, server.Addresses)
		if err != nil {
			return nil, err
		}
		t.config = &tls.Config{GetCertificate: leaves.Get}
	default:
		return t, nil
	}
	// The page's socket needs HTTP/1.1, and nothing else here gains by another.
	t.config.NextProtos = []string{"http/1.1"}
	return t, nil
}

// listen puts the tier's way in on a listener.
func (t *tier) listen(inner net.Listener) net.Listener {
	if t.config == nil {
		return inner
	}
	return server.TwoWays(inner, t.config)
}

// handler is what answers in this tier.
func (t *tier) handler(srv *server.Server, urls func() []string) http.Handler {
	switch {
	case t.authority != nil:
		return srv.Front(t.authority.SetupHandler())
	case t.own != nil:
		return srv.Front(server.ToHTTPS(func(host string) string {
			name := host
			if n, _, err := net.SplitHostPort(host); err == nil {
				name = n
			}
			if t.covers(strings.Trim(name, "[]")) {
				return "https://" + host
			}
			return urls()[0]
		}))
	}
	return srv.Handler()
}

// names are the names, besides addresses, under which the server may be opened.
func (t *tier) names() []string {
	names := slices.Clone(t.hosts)
	if t.authority != nil {
		names = append(names, localca.Name)
	}
	if t.own != nil {
		names = append(names, t.certified()...)
	}
	return names
}

// certified gives the names in the user's certificate that are whole.
func (t *tier) certified() []string {
	return slices.DeleteFunc(slices.Clone(t.own.DNSNames), func(name string) bool { return strings.Contains(name, "*") })
}

// covers tells whether a phone that trusts the certificate takes it for a host.
func (t *tier) covers(host string) bool {
	switch {
	case t.own != nil:
		return t.own.VerifyHostname(host) == nil
	case t.authority != nil:
		addr, err := netip.ParseAddr(host)
		return host == localca.Name || err == nil && localca.Covers(addr)
	}
	return true
}

// urls gives the addresses for phones, best first: those that the certificate
// covers, or all where it covers none. There is always one.
func (t *tier) urls(bound *net.TCPAddr) []string {
	scheme := "http"
	var hosts []string
	if t.config != nil {
		scheme = "https"
	}
	if t.own != nil {
		hosts = append(t.certified(), t.hosts...)
	}
	for _, addr := range lanAddrs(bound) {
		hosts = append(hosts, addr.String())
	}
	if len(hosts) == 0 {
		return []string{localURL(bound)}
	}
	covered := slices.DeleteFunc(slices.Clone(hosts), func(host string) bool { return !t.covers(host) })
	if len(covered) > 0 {
		hosts = covered
	}
	urls := make([]string, 0, len(hosts))
	for _, host := range hosts {
		if u := urlOf(scheme, host, bound.Port); !slices.Contains(urls, u) {
			urls = append(urls, u)
		}
	}
	return urls
}

// setupURL is where phones learn to trust the authority, or "" where there is none
// or no phone reaches it.
func (t *tier) setupURL(bound *net.TCPAddr) string {
	if t.authority == nil {
		return ""
	}
	for _, addr := range lanAddrs(bound) {
		if localca.Covers(addr) && !addr.IsLoopback() {
			return urlOf("http", addr.String(), bound.Port) + "/"
		}
	}
	return ""
}
