// Package localca makes this machine a certificate authority for its own
// addresses, so that phones which trust it once can open Buddyclock by https.
//
// Whoever trusts an authority gives it power, so this one is bound: X.509 name
// constraints leave it private and loopback addresses and one made-up name. It
// has two steps. A root, which phones trust, signs one issuer, and its key is
// forgotten at once; the issuer, whose key stays in the data folder, signs the
// server's certificate. Both carry the constraints. Some readers of certificates
// do not apply those of a root, but all apply those of an issuer, and no other
// issuer can ever be made.
package localca

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"math/big"
	"net"
	"net/netip"
	"strings"
	"time"
)

// Name is the made-up name that the authority may sign for besides addresses.
// `.internal` is set aside for private use, so it is nobody's on the Internet.
const Name = "buddyclock.internal"

const (
	day = 24 * time.Hour
	// authorityDays is how long phones trust the authority without doing anything.
	authorityDays = 3650
	// leafDays is how long a server's certificate lasts. Systems refuse more than
	// 397 days; one is made at each start, so a season is plenty.
	leafDays = 90
	// behind is how far a phone's clock may be behind this machine's.
	behind = day
)

// permitted are the addresses the authority may sign for: private networks
// (RFC 1918, RFC 4193) and the machine itself.
var permitted = []netip.Prefix{
	netip.MustParsePrefix("10.0.0.0/8"),
	netip.MustParsePrefix("172.16.0.0/12"),
	netip.MustParsePrefix("192.168.0.0/16"),
	netip.MustParsePrefix("127.0.0.0/8"),
	netip.MustParsePrefix("fc00::/7"),
	netip.MustParsePrefix("::1/128"),
}

// Covers tells whether the authority may sign for an address.
func Covers(addr netip.Addr) bool {
	addr = addr.Unmap().WithZone("")
	for _, p := range permitted {
		if p.Contains(addr) {
			return true
		}
	}
	return false
}

// Authority is what signs for this machine's addresses.
type Authority struct {
	root   *x509.Certificate // what phones trust
	issuer *x509.Certificate
	key    *ecdsa.PrivateKey // the issuer's
}

// DER gives the root certificate in the form that phones take in.
func (a *Authority) DER() []byte { return a.root.Raw }

// Since is when the authority was made, by the clock of that day.
func (a *Authority) Since() time.Time { return a.root.NotBefore.Add(behind) }

// Until is when phones stop trusting it.
func (a *Authority) Until() time.Time { return a.root.NotAfter }

// Label is the name under which a phone lists the authority.
func (a *Authority) Label() string { return a.root.Subject.CommonName }

// Fingerprint is the SHA-256 of the root certificate, as phones show it.
func (a *Authority) Fingerprint() string {
	sum := sha256.Sum256(a.root.Raw)
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(pairs, ":")
}

// generate makes a new authority at a time of this machine's clock.
func generate(now time.Time) (*Authority, error) {
	rootKey, err := newKey()
	if err != nil {
		return nil, err
	}
	// Several hosts may be trusted by one phone, and must be told apart there.
	mark, err := serial()
	if err != nil {
		return nil, err
	}
	name := fmt.Sprintf("Buddyclock %04X of %s", mark.Uint64()&0xffff, now.UTC().Format("2006-01-02"))
	root, err := template(name, now, authorityDays*day)
	if err != nil {
		return nil, err
	}
	constrain(root, 1)
	a := &Authority{}
	if a.root, err = sign(root, root, rootKey, rootKey); err != nil {
		return nil, err
	}
	if a.key, err = newKey(); err != nil {
		return nil, err
	}
	issuer, err := template(name+", issuer", now, authorityDays*day)
	if err != nil {
		return nil, err
	}
	constrain(issuer, 0)
	issuer.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	a.issuer, err = sign(issuer, a.root, a.key, rootKey)
	return a, err
}

// constrain makes a template an authority's, with at most below authorities
// under it. A kind of name that is not mentioned would be free, so one DNS name
// is permitted in order to shut out all others.
func constrain(t *x509.Certificate, below int) {
	t.IsCA, t.MaxPathLen, t.MaxPathLenZero = true, below, below == 0
	t.KeyUsage = x509.KeyUsageCertSign | x509.KeyUsageCRLSign
	t.PermittedDNSDomainsCritical = true
	t.PermittedDNSDomains = []string{Name}
	for _, p := range permitted {
		t.PermittedIPRanges = append(t.PermittedIPRanges, &net.IPNet{
			IP: p.Addr().AsSlice(), Mask: net.CIDRMask(p.Bits(), p.Addr().BitLen()),
		})
	}
}

// template has what all our certificates share.
func template(name string, now time.Time, life time.Duration) (*x509.Certificate, error) {
	number, err := serial()
	if err != nil {
		return nil, err
	}
	from := now.UTC().Truncate(time.Second).Add(-behind)
	return &x509.Certificate{
		SerialNumber:          number,
		Subject:               pkix.Name{CommonName: name, Organization: []string{"Buddyclock on this network"}},
		NotBefore:             from,
		NotAfter:              from.Add(life - time.Second), // the last second counts as well
		BasicConstraintsValid: true,
	}, nil
}

func sign(t, parent *x509.Certificate, subject, signer *ecdsa.PrivateKey) (*x509.Certificate, error) {
	der, err := x509.CreateCertificate(rand.Reader, t, parent, &subject.PublicKey, signer)
	if err != nil {
		return nil, fmt.Errorf("cannot make a certificate: %w", err)
	}
	return x509.ParseCertificate(der)
}

func newKey() (*ecdsa.PrivateKey, error) { return ecdsa.GenerateKey(elliptic.P256(), rand.Reader) }

// serial gives a number of 126 random bits, never zero.
func serial() (*big.Int, error) {
	n, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 126))
	if err != nil {
		return nil, err
	}
	return n.Add(n, big.NewInt(1)), nil
}
