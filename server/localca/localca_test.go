package localca

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	zx509 "github.com/zmap/zcrypto/x509"
	"github.com/zmap/zlint/v3"
	"github.com/zmap/zlint/v3/lint"

	"github.com/stretchr/testify/require"
)

var (
	lan  = []netip.Addr{netip.MustParseAddr("192.168.7.20"), netip.MustParseAddr("fd12:3456:789a::20")}
	here = time.Now
)

func open(t *testing.T) *Authority {
	t.Helper()
	a, err := Open(t.TempDir(), here())
	require.NoError(t, err)
	return a
}

func (a *Authority) roots() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(a.root)
	return pool
}

// forge signs a certificate of any content with the authority's key, as
// somebody who stole it would.
func forge(t *testing.T, a *Authority, change func(*x509.Certificate)) *tls.Certificate {
	t.Helper()
	c, err := template("forged under "+a.issuer.Subject.CommonName, here(), 30*day)
	require.NoError(t, err)
	c.KeyUsage, c.ExtKeyUsage = x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	change(c)
	key, err := newKey()
	require.NoError(t, err)
	leaf, err := sign(c, a.issuer, key, a.key)
	require.NoError(t, err)
	return &tls.Certificate{Certificate: [][]byte{leaf.Raw, a.issuer.Raw}, PrivateKey: key, Leaf: leaf}
}

func textOf(ders ...[]byte) []byte {
	var text []byte
	for _, der := range ders {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: certificateBlock, Bytes: der})...)
	}
	return text
}

// openssl runs the system's own program, which shares no code with this one.
func openssl(t *testing.T, args ...string) (said string, ok bool) {
	t.Helper()
	out, err := exec.Command("openssl", args...).CombinedOutput()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		require.NoError(t, err, "the program openssl is needed for this test")
	}
	return string(out), err == nil
}

// opensslVerify has openssl judge a chain against the root, strictly.
func opensslVerify(t *testing.T, a *Authority, c *tls.Certificate, more ...string) (said string, ok bool) {
	t.Helper()
	dir := t.TempDir()
	file := func(name string, ders ...[]byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, textOf(ders...), 0o600))
		return path
	}
	args := []string{"verify", "-x509_strict", "-purpose", "sslserver", "-no-CApath", "-no-CAstore",
		"-CAfile", file("root.pem", a.root.Raw), "-untrusted", file("issuer.pem", c.Certificate[1:]...)}
	return openssl(t, append(append(args, more...), file("leaf.pem", c.Certificate[0]))...)
}

// Ensures that openssl takes the server's certificate for each address of the
// day, and for no other.
func TestOpensslTakesTheLeaf(t *testing.T) {
	a := open(t)
	leaf, err := a.Issue(here(), append(lan, netip.MustParseAddr("203.0.113.9"), netip.MustParseAddr("2001:db8::9")))
	require.NoError(t, err)
	for _, ip := range []string{"192.168.7.20", "fd12:3456:789a::20", "127.0.0.1", "::1"} {
		said, ok := opensslVerify(t, a, leaf, "-verify_ip", ip)
		require.True(t, ok, "%s: %s", ip, said)
	}
	said, ok := opensslVerify(t, a, leaf, "-verify_hostname", Name)
	require.True(t, ok, said)
	for _, other := range [][]string{{"-verify_ip", "192.168.7.21"}, {"-verify_ip", "203.0.113.9"}, {"-verify_hostname", "pool.example"}} {
		said, ok := opensslVerify(t, a, leaf, other...)
		require.False(t, ok, other)
		require.Contains(t, said, "mismatch")
	}
}

// Ensures that a certificate for anything outside the constraints is refused by
// openssl and by Go, even though the authority's own key has signed it.
func TestH21KeyIsWorthlessOutside(t *testing.T) {
	a := open(t)
	for name, change := range map[string]func(*x509.Certificate){
		"a name":                func(c *x509.Certificate) { c.DNSNames = []string{"bank.example"} },
		"every name":            func(c *x509.Certificate) { c.DNSNames = []string{"*.example"} },
		"one name of several":   func(c *x509.Certificate) { c.DNSNames = []string{Name, "bank.example"} },
		"a name like ours":      func(c *x509.Certificate) { c.DNSNames = []string{"not" + Name} },
		"a public IPv4 address": func(c *x509.Certificate) { c.IPAddresses = []net.IP{net.IPv4(203, 0, 113, 9)} },
		"just above 172.16/12":  func(c *x509.Certificate) { c.IPAddresses = []net.IP{net.IPv4(172, 32, 0, 0)} },
		"just below 192.168/16": func(c *x509.Certificate) { c.IPAddresses = []net.IP{net.IPv4(192, 167, 255, 255)} },
		"a public IPv6 address": func(c *x509.Certificate) { c.IPAddresses = []net.IP{net.ParseIP("2001:db8::9")} },
		"one address of two":    func(c *x509.Certificate) { c.IPAddresses = []net.IP{net.IPv4(10, 0, 0, 1), net.IPv4(8, 8, 8, 8)} },
		"a private one, and more": func(c *x509.Certificate) {
			c.DNSNames, c.IPAddresses = []string{"bank.example"}, []net.IP{{10, 0, 0, 1}}
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := forge(t, a, change)
			said, ok := opensslVerify(t, a, c)
			require.False(t, ok)
			require.Contains(t, said, "permitted subtree violation")
			issuers := x509.NewCertPool()
			issuers.AddCert(a.issuer)
			_, err := c.Leaf.Verify(x509.VerifyOptions{Roots: a.roots(), Intermediates: issuers})
			require.ErrorContains(t, err, "not permitted")
		})
	}
	inside := forge(t, a, func(c *x509.Certificate) { c.DNSNames, c.IPAddresses = []string{Name}, []net.IP{{10, 1, 2, 3}} })
	said, ok := opensslVerify(t, a, inside)
	require.True(t, ok, "the very same inside the constraints is good: %s", said)
}

// Ensures that a reader of certificates which pays no heed to a root's
// constraints is bound by the issuer's.
func TestIssuerAloneIsBound(t *testing.T) {
	a := open(t)
	rootKey, err := newKey()
	require.NoError(t, err)
	bare, err := template("a root without constraints", here(), 300*day)
	require.NoError(t, err)
	bare.IsCA, bare.KeyUsage = true, x509.KeyUsageCertSign
	root, err := sign(bare, bare, rootKey, rootKey)
	require.NoError(t, err)
	again, err := sign(a.issuer, root, a.key, rootKey)
	require.NoError(t, err)
	b := &Authority{root: root, issuer: again, key: a.key}
	said, ok := opensslVerify(t, b, forge(t, b, func(c *x509.Certificate) { c.DNSNames = []string{"bank.example"} }))
	require.False(t, ok)
	require.Contains(t, said, "permitted subtree violation")
	said, ok = opensslVerify(t, b, forge(t, b, func(c *x509.Certificate) { c.DNSNames = []string{Name} }))
	require.True(t, ok, said)
}

// Ensures that the kept key makes no further authorities and signs for nothing
// but servers.
func TestKeyMakesNoAuthorities(t *testing.T) {
	a := open(t)
	below := forge(t, a, func(c *x509.Certificate) { c.IsCA, c.KeyUsage = true, x509.KeyUsageCertSign })
	child := &Authority{root: a.root, issuer: below.Leaf, key: below.PrivateKey.(*ecdsa.PrivateKey)}
	c := forge(t, child, func(c *x509.Certificate) { c.DNSNames = []string{Name} })
	c.Certificate = append(c.Certificate, a.issuer.Raw)
	said, ok := opensslVerify(t, a, c)
	require.False(t, ok)
	require.Contains(t, said, "path length")

	mail := forge(t, a, func(c *x509.Certificate) {
		c.EmailAddresses, c.ExtKeyUsage = []string{"olga@pool.example"}, []x509.ExtKeyUsage{x509.ExtKeyUsageEmailProtection}
	})
	said, ok = opensslVerify(t, a, mail, "-purpose", "smimesign")
	require.False(t, ok)
	require.Contains(t, said, "purpose")
}

// lintSources are the collections of lints that apply: the standards of
// certificates themselves, and what one system demands of all of them. Rules of
// public authorities about their paperwork are not for a private one.
var lintSources = lint.SourceList{lint.RFC3279, lint.RFC5280, lint.RFC5480, lint.RFC5891, lint.RFC8813, lint.AppleRootStorePolicy, lint.Community}

// lintsNotForUs are lints of those collections that only public authorities can
// meet, with the reason.
var lintsNotForUs = map[string]string{
	"n_ct_sct_policy_count_unsatisfied": "public logs of certificates take none of private authorities",
}

// Ensures that an independent linter finds nothing wrong with root, issuer and leaf.
func TestLinterFindsNothing(t *testing.T) {
	a := open(t)
	leaf, err := a.Issue(here(), lan)
	require.NoError(t, err)
	rules, err := lint.GlobalRegistry().Filter(lint.FilterOptions{IncludeSources: lintSources})
	require.NoError(t, err)
	for name, der := range map[string][]byte{"root": a.root.Raw, "issuer": a.issuer.Raw, "leaf": leaf.Certificate[0]} {
		c, err := zx509.ParseCertificate(der)
		require.NoError(t, err)
		passed := 0
		for rule, result := range zlint.LintCertificateEx(c, rules).Results {
			switch {
			case result.Status == lint.Pass:
				passed++
			case result.Status > lint.Pass && lintsNotForUs[rule] == "":
				t.Errorf("%s: %s: %s %s", name, rule, result.Status, result.Details)
			}
		}
		require.Greater(t, passed, 20, name)
	}
	rotten := forge(t, a, func(c *x509.Certificate) {
		c.DNSNames, c.NotAfter = []string{"under_score..example"}, c.NotBefore.Add(900*day)
	})
	c, err := zx509.ParseCertificate(rotten.Certificate[0])
	require.NoError(t, err)
	found := zlint.LintCertificateEx(c, rules)
	require.True(t, found.ErrorsPresent || found.WarningsPresent || found.NoticesPresent, "the linter would find something")
}

// Ensures that a leaf never outlives what systems take, nor the authority.
func TestLeafIsShortLived(t *testing.T) {
	a := open(t)
	now := here()
	leaf, err := a.Issue(now, nil)
	require.NoError(t, err)
	require.LessOrEqual(t, leaf.Leaf.NotAfter.Sub(leaf.Leaf.NotBefore), 397*day)
	require.True(t, leaf.Leaf.NotBefore.Before(now.Add(-23*time.Hour)), "a phone's clock may be behind")
	require.Greater(t, leaf.Leaf.NotAfter.Sub(now), 60*day)
	late, err := a.Issue(a.Until().Add(-day), nil)
	require.NoError(t, err)
	require.False(t, late.Leaf.NotAfter.After(a.Until()))
}

// Ensures that a real handshake succeeds with a client that trusts the root, and
// fails with one that does not.
func TestHandshake(t *testing.T) {
	a := open(t)
	leaves, err := a.NewLeaves(here, func() []netip.Addr { return lan })
	require.NoError(t, err)
	srv := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "in") }))
	srv.Config.ErrorLog = quietLog()
	srv.TLS = &tls.Config{GetCertificate: leaves.Get}
	srv.StartTLS()
	defer srv.Close()
	// The test server adds a certificate of its own; ours goes by GetCertificate.
	srv.TLS.Certificates = nil

	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: a.roots()}}}
	resp, err := client.Get(srv.URL)
	require.NoError(t, err)
	text, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	resp.Body.Close()
	require.Equal(t, "in", string(text))
	require.Len(t, resp.TLS.PeerCertificates, 2)
	_, err = http.Get(srv.URL)
	require.ErrorContains(t, err, "unknown authority")

	address := srv.Listener.Addr().String()
	root := filepath.Join(t.TempDir(), "root.pem")
	require.NoError(t, os.WriteFile(root, textOf(a.root.Raw), 0o600))
	for _, server := range [][]string{{"-verify_ip", "127.0.0.1"}, {"-verify_hostname", Name, "-servername", Name}} {
		said, ok := openssl(t, append([]string{"s_client", "-brief", "-verify_return_error", "-no-CApath", "-no-CAstore", "-CAfile", root, "-connect", address}, server...)...)
		require.True(t, ok, said)
		require.Contains(t, said, "Verification: OK")
		require.Contains(t, said, "TLSv1.3")
	}
}

// Ensures that the certificate follows the machine to another network, and is
// made anew before it ends, but not without need.
func TestLeafFollowsTheMachine(t *testing.T) {
	a := open(t)
	now, addrs := here(), slices.Clone(lan)
	leaves, err := a.NewLeaves(func() time.Time { return now }, func() []netip.Addr { return slices.Clone(addrs) })
	require.NoError(t, err)
	get := func(local string) *x509.Certificate {
		c, err := leaves.Get(&tls.ClientHelloInfo{Conn: called(local)})
		require.NoError(t, err)
		return c.Leaf
	}
	first := get("192.168.7.20:8080")
	require.Same(t, first, get("192.168.7.20:8080"))
	require.Same(t, first, get("[::1]:8080"))
	require.Same(t, first, get("[::ffff:192.168.7.20]:8080"))
	require.Same(t, first, get("203.0.113.9:8080"), "what cannot be signed for is no reason to make another")
	addrs = []netip.Addr{netip.MustParseAddr("10.0.0.7")}
	second := get("10.0.0.7:8080")
	require.NoError(t, second.VerifyHostname("10.0.0.7"))
	require.Error(t, second.VerifyHostname("192.168.7.20"))
	require.Same(t, second, get("10.0.0.7:8080"))
	third := get("127.0.0.2:8080")
	require.NoError(t, third.VerifyHostname("127.0.0.2"))
	require.NoError(t, third.VerifyHostname("10.0.0.7"))
	now = third.NotAfter.Add(-day)
	fourth := get("10.0.0.7:8080")
	require.True(t, fourth.NotAfter.After(now.Add(60*day)))
	require.NotEqual(t, third.PublicKey, fourth.PublicKey)
}

// called is a connection that came in at an address.
func called(local string) net.Conn {
	return &fakeConn{addr: net.TCPAddrFromAddrPort(netip.MustParseAddrPort(local))}
}

type fakeConn struct {
	net.Conn
	addr net.Addr
}

func (c *fakeConn) LocalAddr() net.Addr { return c.addr }

// Ensures that the authority stays the same from start to start, in a file that
// nobody else may read and that holds the issuer's key and no other.
func TestAuthorityIsKept(t *testing.T) {
	dir := t.TempDir()
	a, err := Open(dir, here())
	require.NoError(t, err)
	path := filepath.Join(dir, FileName)
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, 1, bytes.Count(text, []byte("BEGIN PRIVATE KEY")))
	require.False(t, a.key.PublicKey.Equal(a.root.PublicKey), "the root's key is forgotten")
	b, err := Open(dir, here().Add(100*day))
	require.NoError(t, err)
	require.Equal(t, a.DER(), b.DER())
	require.True(t, a.key.Equal(b.key))
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, entries, 1)

	said, ok := openssl(t, "x509", "-in", path, "-noout", "-fingerprint", "-sha256")
	require.True(t, ok)
	require.Contains(t, said, a.Fingerprint())
}

// Ensures that an authority which cannot be used is left as it is, and that the
// error names the file and what to do.
func TestUnusableAuthorityIsLeftAlone(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	_, err := Open(dir, here())
	require.NoError(t, err)
	_, err = Open(other, here())
	require.NoError(t, err)
	path := filepath.Join(dir, FileName)
	good, err := os.ReadFile(path)
	require.NoError(t, err)
	foreign, err := os.ReadFile(filepath.Join(other, FileName))
	require.NoError(t, err)
	cut := func(text []byte, from, to string) []byte {
		s := string(text)
		return []byte(s[strings.Index(s, from) : strings.LastIndex(s, to)+len(to)])
	}
	certificates := cut(good, "-----BEGIN CERT", "-----END CERTIFICATE-----\n")
	foreignKey := cut(foreign, "-----BEGIN PRIVATE", "-----END PRIVATE KEY-----\n")
	mixed := append(slices.Clone(certificates[:len(certificates)/2]), foreign[len(certificates)/2:]...)
	for name, c := range map[string]struct {
		text []byte
		mode os.FileMode
		now  time.Time
		word string
	}{
		"empty":            {nil, 0o600, here(), "two certificates and a key"},
		"cut":              {good[:len(good)/2], 0o600, here(), "two certificates and a key"},
		"another key":      {append(slices.Clone(certificates), foreignKey...), 0o600, here(), "another certificate"},
		"another's halves": {mixed, 0o600, here(), "cannot be used"},
		"readable by all":  {good, 0o644, here(), "0600"},
		"expired":          {good, 0o600, here().Add(4000 * day), "clock"},
		"something else":   {bytes.Repeat([]byte("x"), 5000), 0o600, here(), "cannot be used"},
		"a flipped byte":   {flipped(good), 0o600, here(), "cannot be used"},
		"without a key":    {certificates, 0o600, here(), "two certificates and a key"},
		"only a key":       {foreignKey, 0o600, here(), "two certificates and a key"},
		"all of it twice":  {append(slices.Clone(good), good...), 0o600, here(), "two certificates and a key"},
	} {
		t.Run(name, func(t *testing.T) {
			require.NoError(t, os.WriteFile(path, c.text, 0o600))
			require.NoError(t, os.Chmod(path, c.mode))
			_, err := Open(dir, c.now)
			require.ErrorContains(t, err, path)
			require.ErrorContains(t, err, c.word)
			require.NotContains(t, err.Error(), "\n")
			now, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Equal(t, len(c.text), len(now))
		})
	}
}

// flipped changes one sign in the middle of the first certificate.
func flipped(text []byte) []byte {
	text = slices.Clone(text)
	at := bytes.Index(text, []byte("\n")) + 200
	if text[at] == 'A' {
		text[at] = 'B'
	} else {
		text[at] = 'A'
	}
	return text
}

// Ensures that what is signed for is what may be signed for.
func TestCovers(t *testing.T) {
	for addr, want := range map[string]bool{
		"10.0.0.0": true, "10.255.255.255": true, "172.16.0.1": true, "172.31.255.255": true, "192.168.0.1": true,
		"127.0.0.1": true, "::1": true, "fd00::1": true, "fc00::1%eth0": true, "::ffff:192.168.0.1": true,
		"11.0.0.0": false, "172.32.0.0": false, "169.254.1.1": false, "100.64.0.1": false, "8.8.8.8": false,
		"2001:db8::1": false, "fe80::1": false, "::": false, "0.0.0.0": false, "::ffff:8.8.8.8": false,
	} {
		require.Equal(t, want, Covers(netip.MustParseAddr(addr)), addr)
	}
}

// Ensures that no two certificates share a serial number or a key.
func TestNothingIsUsedTwice(t *testing.T) {
	a := open(t)
	seen := map[string]bool{a.root.SerialNumber.String(): true, a.issuer.SerialNumber.String(): true}
	for range 20 {
		leaf, err := a.Issue(here(), nil)
		require.NoError(t, err)
		n := leaf.Leaf.SerialNumber
		require.Positive(t, n.Sign())
		require.LessOrEqual(t, n.BitLen(), 127)
		require.False(t, seen[n.String()])
		seen[n.String()] = true
	}
}
