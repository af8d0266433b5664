package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"buddyclock/server"
	"buddyclock/server/access"
	"buddyclock/server/localca"
	"buddyclock/server/store"
	"buddyclock/web"
)

// ownFiles makes a certificate as a user brings one, in two PEM files.
func ownFiles(t *testing.T, from, until time.Time, names []string, ips ...net.IP) (cert, key string, leaf *x509.Certificate) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(7), Subject: pkix.Name{CommonName: "pool"}, NotBefore: from, NotAfter: until, DNSNames: names, IPAddresses: ips,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, BasicConstraintsValid: true, IsCA: true,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	require.NoError(t, err)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(t, err)
	leaf, err = x509.ParseCertificate(der)
	require.NoError(t, err)
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}), 0o600))
	return cert, key, leaf
}

// phoneTrusting is a browser that trusts one root, and finds every name at one address.
func phoneTrusting(root *x509.Certificate, address string) *http.Client {
	pool := x509.NewCertPool()
	pool.AddCert(root)
	return &http.Client{
		Timeout: within,
		Transport: &http.Transport{
			TLSClientConfig: &tls.Config{RootCAs: pool},
			Dial:            func(network, _ string) (net.Conn, error) { return net.Dial(network, address) },
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

func fetch(t *testing.T, client *http.Client, url string) (*http.Response, string) {
	t.Helper()
	resp, err := client.Get(url)
	require.NoError(t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp, string(body)
}

// authorityOf reads the authority that a program keeps in a folder.
func authorityOf(t *testing.T, dir string) *x509.Certificate {
	t.Helper()
	a, err := localca.Open(dir, time.Now())
	require.NoError(t, err)
	root, err := x509.ParseCertificate(a.DER())
	require.NoError(t, err)
	return root
}

// Ensures that with -tls the page comes by https to whoever trusts the machine's
// authority, that links, invitations and policy follow, and that the authority
// stays the same over a restart while the server's certificate is new.
func TestLocalAuthority(t *testing.T) {
	dir := t.TempDir()
	var leaves []string
	var root *x509.Certificate
	for range 2 {
		p := start(t, nil, "-addr", "127.0.0.1:0", "-data", dir, "-tls")
		address := strings.TrimPrefix(p.URL, "https://")
		require.Regexp(t, `^127\.0\.0\.1:\d+$`, address)
		require.Contains(t, p.stdout.String(), "Phones scan the picture, or open  "+p.JoinURL)
		require.Contains(t, p.stdout.String(), "On this machine:      http://"+address+"/#j=")
		info, err := os.Stat(filepath.Join(dir, localca.FileName))
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
		if root != nil {
			require.Equal(t, root.Raw, authorityOf(t, dir).Raw)
		}
		root = authorityOf(t, dir)
		client := phoneTrusting(root, address)
		for _, base := range []string{p.URL, "https://" + localca.Name + address[strings.LastIndex(address, ":"):]} {
			resp, page := fetch(t, client, base+"/")
			require.Equal(t, http.StatusOK, resp.StatusCode)
			require.Contains(t, page, "Buddyclock")
			require.Contains(t, resp.Header.Get("Content-Security-Policy"), "connect-src 'self' wss://"+strings.TrimPrefix(base, "https://"))
			leaves = append(leaves, resp.TLS.PeerCertificates[0].SerialNumber.String())
		}
		_, err = http.Get(p.URL)
		require.ErrorContains(t, err, "unknown authority")

		answer := post(t, "http://"+address, "/api/join", map[string]any{"secret": strings.SplitN(p.JoinURL, "#j=", 2)[1], "pair": "new", "role": "buddy", "device": access.NewID(), "name": ""})
		invitation := post(t, "http://"+address, "/api/invite", map[string]any{"token": answer["token"]})
		require.Equal(t, p.JoinURL, invitation["urls"].([]any)[0])
		require.Equal(t, exitOK, p.stop())
		require.Empty(t, p.stderr.String())
	}
	require.Len(t, slices.Compact(leaves), 2, "one certificate for each start")
}

// Ensures that with an own certificate the links show its names, which are let
// in, and that what comes by plain http goes on to https.
func TestOwnCertificate(t *testing.T) {
	cert, key, leaf := ownFiles(t, time.Now().Add(-time.Hour), time.Now().Add(40*24*time.Hour), []string{"clock.pool.example", "*.swim.example"})
	p := start(t, nil, "-addr", "127.0.0.1:0", "-data", t.TempDir(), "-tls-cert", cert, "-tls-key", key, "-host", "lane.swim.example")
	port := p.URL[strings.LastIndex(p.URL, ":"):]
	require.Equal(t, "https://clock.pool.example"+port, p.URL)
	require.Contains(t, p.stdout.String(), p.JoinURL)
	require.NotContains(t, p.stdout.String(), "NOTE:")
	client := phoneTrusting(leaf, "127.0.0.1"+port)
	for _, host := range []string{"clock.pool.example", "lane.swim.example"} {
		resp, page := fetch(t, client, "https://"+host+port+"/")
		require.Equal(t, http.StatusOK, resp.StatusCode)
		require.Contains(t, page, "Buddyclock")
		require.Contains(t, resp.Header.Get("Content-Security-Policy"), "wss://"+host+port)
		resp, _ = fetch(t, client, "http://"+host+port+"/?x=1")
		require.Equal(t, http.StatusTemporaryRedirect, resp.StatusCode)
		require.Equal(t, "https://"+host+port+"/?x=1", resp.Header.Get("Location"))
	}
	resp, _ := fetch(t, client, "https://other.swim.example"+port+"/")
	require.Equal(t, http.StatusMisdirectedRequest, resp.StatusCode)

	dialer := websocket.Dialer{TLSClientConfig: &tls.Config{RootCAs: client.Transport.(*http.Transport).TLSClientConfig.RootCAs, ServerName: "clock.pool.example"}}
	ws, _, err := dialer.Dial("wss://127.0.0.1"+port+"/socket", http.Header{"Origin": {p.URL}, "Host": {"clock.pool.example" + port}})
	require.NoError(t, err)
	require.NoError(t, ws.Close())
}

// Ensures that phones are told to trust the machine first, with a picture of
// its own, and then how to join.
func TestFirstTheCertificateThenTheLink(t *testing.T) {
	clk, dir := clock.New(), t.TempDir()
	shared := server.NewSharedClock(clk)
	st, err := store.Open(dir, shared.NowMs)
	require.NoError(t, err)
	defer st.Close()
	session, err := st.ContinueSession(access.NewID(), 1)
	require.NoError(t, err)
	assets, err := web.NewAssets(web.Source())
	require.NoError(t, err)
	way, err := newTier(serveOptions{tls: true, data: dir}, clk.Now)
	require.NoError(t, err)
	srv := server.New(server.Options{
		Store: st, Session: session, Clock: clk, Shared: shared, Assets: assets, Hosts: server.NewHosts(clk),
		Log: slog.New(slog.DiscardHandler),
	})
	defer srv.Shutdown()
	var out output
	m := &Main{Stdout: &out, Clock: clk}
	m.announce(srv, way, &net.TCPAddr{IP: net.IPv4(192, 168, 7, 20), Port: 8080}, dir, "", "something is odd")
	said := out.String()
	first, then := strings.Index(said, "FIRST, once on each phone"), strings.Index(said, "THEN, each time")
	require.Positive(t, first)
	require.Greater(t, then, first)
	require.Contains(t, said[first:then], "http://192.168.7.20:8080/\n")
	require.Contains(t, said[first:then], way.authority.Fingerprint())
	require.NotContains(t, said[:then], "#j=")
	require.Contains(t, said[then:], "https://192.168.7.20:8080"+srv.JoinPath())
	require.Contains(t, said[then:], "NOTE: something is odd\n")
	require.Equal(t, 1, strings.Count(said, "NOTE:"))
	require.Equal(t, "http://192.168.7.20:8080/", scan(t, said[first:then]))
	require.Equal(t, "https://192.168.7.20:8080"+srv.JoinPath(), scan(t, said[then:]))

	// Without -tls there is nothing to trust, and the link comes at once.
	plain, err := newTier(serveOptions{data: dir}, clk.Now)
	require.NoError(t, err)
	var at output
	m.Stdout = &at
	m.announce(srv, plain, &net.TCPAddr{IP: net.IPv4(192, 168, 7, 20), Port: 8080}, dir)
	require.NotContains(t, at.String(), "FIRST")
	require.Equal(t, "http://192.168.7.20:8080"+srv.JoinPath(), scan(t, at.String()))
}

// Ensures that addresses are shown as the certificate covers them.
func TestLinksFollowTheTier(t *testing.T) {
	now := time.Now()
	_, _, named := ownFiles(t, now, now.Add(time.Hour), []string{"a.example", "*.b.example"}, net.IPv4(192, 168, 7, 20))
	_, _, wild := ownFiles(t, now, now.Add(time.Hour), []string{"*.b.example"})
	authority, err := localca.Open(t.TempDir(), now)
	require.NoError(t, err)
	private, public := net.IPv4(192, 168, 7, 20), net.IPv4(203, 0, 113, 9)
	local, some := &tier{authority: authority, config: &tls.Config{}}, &tls.Config{}
	for name, c := range map[string]struct {
		way  *tier
		ip   net.IP
		want []string
		odd  string
	}{
		"plain":                         {&tier{}, private, []string{"http://192.168.7.20:8080"}, ""},
		"plain, public":                 {&tier{}, public, []string{"http://203.0.113.9:8080"}, "public address"},
		"local":                         {local, private, []string{"https://192.168.7.20:8080"}, ""},
		"local, public":                 {local, public, []string{"https://203.0.113.9:8080"}, "cannot cover it"},
		"own, by name and address":      {&tier{own: named, config: some}, private, []string{"https://a.example:8080", "https://192.168.7.20:8080"}, ""},
		"own, by name":                  {&tier{own: named, config: some}, public, []string{"https://a.example:8080"}, ""},
		"own, with -host":               {&tier{own: wild, config: some, hosts: []string{"x.b.example", "y.example"}}, private, []string{"https://x.b.example:8080"}, ""},
		"own, that covers nothing":      {&tier{own: wild, config: some}, private, []string{"https://192.168.7.20:8080"}, "-host"},
		"own, -host of another name":    {&tier{own: wild, config: some, hosts: []string{"y.example"}}, private, []string{"https://y.example:8080", "https://192.168.7.20:8080"}, "-host"},
		"own, the same name with -host": {&tier{own: named, config: some, hosts: []string{"a.example"}}, public, []string{"https://a.example:8080"}, ""},
	} {
		bound := &net.TCPAddr{IP: c.ip, Port: 8080}
		require.Equal(t, c.want, c.way.urls(bound), name)
		odd := c.way.addressOddity(bound)
		if c.odd == "" {
			require.Empty(t, odd, name)
		}
		require.Contains(t, odd, c.odd, name)
	}
}

// Ensures that a clock which cannot be right is said to be so, with what
// contradicts it.
func TestH06OddMachineClock(t *testing.T) {
	now := time.Date(2027, 5, 1, 12, 0, 0, 0, time.UTC)
	day := 24 * time.Hour
	authority, err := localca.Open(t.TempDir(), now)
	require.NoError(t, err)
	_, _, own := ownFiles(t, now, now.Add(90*day), []string{"a.example"})
	plain, local, mine := &tier{}, &tier{authority: authority}, &tier{own: own}
	for name, c := range map[string]struct {
		way  *tier
		now  time.Time
		last time.Time
		want string
	}{
		"well":                       {plain, now, now.Add(-day), ""},
		"never used":                 {plain, now, time.Time{}, ""},
		"a little behind the log":    {plain, now, now.Add(time.Hour), ""},
		"behind the log":             {plain, now, now.Add(30 * day), "2027-05-31"},
		"its battery is empty":       {plain, time.Unix(0, 0), time.Time{}, "before this program was written"},
		"with an authority":          {local, now, time.Time{}, ""},
		"behind the authority":       {local, now.Add(-40 * day), time.Time{}, "2027-05-01"},
		"with a certificate":         {mine, now.Add(time.Hour), time.Time{}, ""},
		"ahead of the certificate":   {mine, now.Add(91 * day), time.Time{}, "until 2027-07-30"},
		"behind the own certificate": {mine, now.Add(-time.Hour), time.Time{}, "from 2027-05-01"},
	} {
		var last int64
		if !c.last.IsZero() {
			last = c.last.UnixMilli()
		}
		odd := c.way.clockOddity(c.now, last)
		if c.want == "" {
			require.Empty(t, odd, name)
		}
		require.Contains(t, odd, c.want, name)
	}
	p := start(t, nil, "-addr", "127.0.0.1:0", "-data", t.TempDir())
	require.NotContains(t, p.stdout.String(), "NOTE:")
}

// Ensures that wrong certificates are refused in one sentence that names the
// file, and that the data folder can be used again at once.
func TestWhatKeepsHTTPSFromStarting(t *testing.T) {
	cert, key, _ := ownFiles(t, time.Now(), time.Now().Add(time.Hour), []string{"a.example"})
	_, otherKey, _ := ownFiles(t, time.Now(), time.Now().Add(time.Hour), []string{"a.example"})
	damaged := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(damaged, localca.FileName), []byte("nothing"), 0o600))
	for name, c := range map[string]struct {
		args []string
		code int
		word string
	}{
		"no such file":     {[]string{"-tls-cert", "nowhere.pem", "-tls-key", key}, exitFailed, "nowhere.pem"},
		"another's key":    {[]string{"-tls-cert", cert, "-tls-key", otherKey}, exitFailed, otherKey},
		"the wrong way":    {[]string{"-tls-cert", key, "-tls-key", cert}, exitFailed, "PEM"},
		"without a key":    {[]string{"-tls-cert", cert}, exitUsage, "-tls-key"},
		"only a key":       {[]string{"-tls-key", key}, exitUsage, "-tls-cert"},
		"both ways":        {[]string{"-tls", "-tls-cert", cert, "-tls-key", key}, exitUsage, "choose one"},
		"authority's file": {[]string{"-tls", "-data", damaged}, exitFailed, localca.FileName},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			code, out, complaints := run(t, append([]string{"-addr", "127.0.0.1:0", "-data", dir}, c.args...)...)
			require.Equal(t, c.code, code, complaints)
			require.Empty(t, out)
			require.Contains(t, complaints, c.word)
			if c.code == exitFailed {
				require.Equal(t, 1, strings.Count(complaints, "\n"), complaints)
			}
		})
	}
	start(t, nil, "-addr", "127.0.0.1:0", "-data", damaged)
}
