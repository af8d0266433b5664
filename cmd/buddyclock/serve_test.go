package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/require"

	"buddyclock/server/store"
)

const within = 20 * time.Second

// output is a stream that a program under test writes to while a test reads it.
type output struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.String()
}

// run carries out a command line to its end.
func run(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, complaints output
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	m := &Main{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &complaints, Clock: clock.New()}
	code = m.Run(ctx, args)
	require.NoError(t, ctx.Err(), "it did not end by itself")
	return code, out.String(), complaints.String()
}

// program is a running server within the test's own process.
type program struct {
	Started
	stdout, stderr *output
	stop           func() int
}

func start(t *testing.T, stdin io.Reader, args ...string) *program {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	p := &program{stdout: &output{}, stderr: &output{}}
	ready, ended := make(chan Started, 1), make(chan int, 1)
	m := &Main{Stdin: stdin, Stdout: p.stdout, Stderr: p.stderr, Clock: clock.New(), Ready: func(s Started) { ready <- s }}
	go func() { ended <- m.Run(ctx, args) }()
	p.stop = sync.OnceValue(func() int {
		cancel()
		select {
		case code := <-ended:
			return code
		case <-time.After(within):
			t.Error("the server does not end")
			return -1
		}
	})
	t.Cleanup(func() { p.stop() })
	select {
	case p.Started = <-ready:
	case code := <-ended:
		require.Fail(t, "the server ended", "code %d: %s", code, p.stderr)
	case <-time.After(within):
		require.Fail(t, "the server does not begin")
	}
	return p
}

// Ensures that the server says in a few lines where it listens and how phones
// get in, serves the page there, and ends cleanly.
func TestServe(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "folder")
	p := start(t, nil, "-addr", "127.0.0.1:0", "-data", dir)
	said := p.stdout.String()
	require.Contains(t, said, p.JoinURL)
	require.Contains(t, said, p.InstructorURL)
	require.Contains(t, said, dir)
	require.Regexp(t, `type  [0-9A-HJKMNP-TV-Z]{3} [0-9A-HJKMNP-TV-Z]{3}  \(good for 10 min\)`, said)
	words := 0
	for line := range strings.Lines(said) {
		if !strings.ContainsAny(line, "█▀▄") && strings.TrimSpace(line) != "" {
			words++
		}
	}
	require.LessOrEqual(t, words, 8)

	for path, want := range map[string]string{"/": "Buddyclock", "/healthz": `{"ok":true}`} {
		resp, err := http.Get(p.URL + path)
		require.NoError(t, err)
		text, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		resp.Body.Close()
		require.Equal(t, http.StatusOK, resp.StatusCode)
		require.Contains(t, string(text), want)
	}
	require.Equal(t, exitOK, p.stop())
	require.Empty(t, p.stderr.String())
	files, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	require.Contains(t, files, filepath.Join(dir, store.FileName))
	require.NotContains(t, files, filepath.Join(dir, store.FileName+"-wal"), "closed, the file is whole by itself")
}

// Ensures that an address has a bounded number of connections, whatever it does
// with them, and gets others once some are gone.
func TestServeBoundsConnections(t *testing.T) {
	p := start(t, nil, "-addr", "127.0.0.1:0", "-data", t.TempDir())
	address := strings.TrimPrefix(p.URL, "http://")
	// An answered connection is one that was let in, and stays open.
	connect := func() (net.Conn, error) {
		conn, err := net.Dial("tcp", address)
		require.NoError(t, err, "two open files are needed for each of %d connections", maxConnsOfAddress)
		t.Cleanup(func() { conn.Close() })
		require.NoError(t, conn.SetDeadline(time.Now().Add(within)))
		if _, err = io.WriteString(conn, "GET /healthz HTTP/1.1\r\nHost: "+address+"\r\n\r\n"); err == nil {
			_, err = conn.Read(make([]byte, 1))
		}
		return conn, err
	}
	var last net.Conn
	for n := range maxConnsOfAddress {
		var err error
		last, err = connect()
		require.NoError(t, err, "connection %d", n+1)
	}
	conn, err := connect()
	require.Error(t, err)
	require.NotErrorIs(t, err, os.ErrDeadlineExceeded)
	require.NoError(t, conn.Close())
	require.NoError(t, last.Close())
	require.Eventually(t, func() bool { _, err := connect(); return err == nil }, within, 10*time.Millisecond)
}

// scan has an independent reader read the picture in a text.
func scan(t *testing.T, text string) string {
	t.Helper()
	var rows [][]rune
	for line := range strings.Lines(text) {
		if strings.ContainsAny(line, "█▀▄") {
			rows = append(rows, []rune(strings.TrimSuffix(line, "\n")))
		}
	}
	require.NotEmpty(t, rows)
	const scale = 4
	picture, err := gozxing.NewBitMatrix(len(rows[0])*scale, 2*len(rows)*scale)
	require.NoError(t, err)
	for y, row := range rows {
		require.Len(t, row, len(rows[0]))
		for x, sign := range row {
			for half, dark := range []bool{sign == ' ' || sign == '▄', sign == ' ' || sign == '▀'} {
				if dark {
					require.NoError(t, picture.SetRegion(x*scale, (2*y+half)*scale, scale, scale))
				}
			}
		}
	}
	bitmap, err := gozxing.NewBinaryBitmap(gozxing.NewGlobalHistgramBinarizer(gozxing.NewLuminanceSourceFromImage(picture)))
	require.NoError(t, err)
	// It is no photograph, in which the reader would search: of clean pictures it then loses 2 in 1,000.
	read, err := qrcode.NewQRCodeReader().Decode(bitmap, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_PURE_BARCODE: true})
	require.NoError(t, err)
	return read.GetText()
}

// Ensures that an independent reader reads the join link from the picture in the
// terminal, quiet border and all.
func TestTerminalPictureCanBeScanned(t *testing.T) {
	p := start(t, nil, "-addr", "127.0.0.1:0", "-data", t.TempDir())
	require.Equal(t, p.JoinURL, scan(t, p.stdout.String()))
}

// Ensures that Enter shows the present code.
func TestEnterShowsTheCode(t *testing.T) {
	stdin, keyboard := io.Pipe()
	defer keyboard.Close()
	p := start(t, stdin, "-addr", "127.0.0.1:0", "-data", t.TempDir())
	require.NotContains(t, p.stdout.String(), "Code to type:")
	_, err := keyboard.Write([]byte("\n"))
	require.NoError(t, err)
	require.Eventually(t, func() bool { return strings.Contains(p.stdout.String(), "Code to type:") }, within, time.Millisecond)
}

// Ensures that people find the flags, and that a wrong one is named.
func TestFlagsBehaveAsExpected(t *testing.T) {
	for _, args := range [][]string{{"-h"}, {"--help"}, {"serve", "-h"}} {
		code, out, complaints := run(t, args...)
		require.Equal(t, exitOK, code)
		require.Contains(t, out, "-addr")
		require.Contains(t, out, "-data")
		require.Contains(t, out, "replay FILE")
		require.Empty(t, complaints)
	}
	for _, c := range []struct {
		args []string
		word string
	}{
		{[]string{"-port", "80"}, "-port"},
		{[]string{"-addr"}, "-addr"},
		{[]string{"serve", "something"}, "something"},
		{[]string{"dive"}, `no command "dive"`},
	} {
		code, out, complaints := run(t, c.args...)
		require.Equal(t, exitUsage, code, c.args)
		require.Contains(t, complaints, c.word)
		require.Empty(t, out)
	}
}

// Ensures that what keeps the server from starting is said in one sentence, with
// exit code 1.
func TestWhatKeepsItFromStarting(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, []byte("x"), 0o600))
	damaged, foreign := t.TempDir(), t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(damaged, store.FileName), bytes.Repeat([]byte("no database "), 1000), 0o600))
	other, err := os.ReadFile(os.Args[0])
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(foreign, store.FileName), other[:10_000], 0o600))
	used := start(t, nil, "-addr", "127.0.0.1:0", "-data", t.TempDir())
	usedDir := strings.TrimSpace(strings.SplitAfter(strings.SplitN(used.stdout.String(), "\n", 2)[0], " data in ")[1])

	for _, c := range []struct {
		name  string
		args  []string
		words []string
	}{
		{"taken port", []string{"-addr", taken.Addr().String(), "-data", t.TempDir()}, []string{taken.Addr().String(), "taken", "-addr"}},
		{"no address", []string{"-addr", "nowhere", "-data", t.TempDir()}, []string{"nowhere", "-addr"}},
		{"no port", []string{"-addr", "127.0.0.1:99999", "-data", t.TempDir()}, []string{"99999", "-addr"}},
		{"foreign address", []string{"-addr", "203.0.113.9:8080", "-data", t.TempDir()}, []string{"203.0.113.9", "-addr :8080 listens on all"}},
		{"folder is a file", []string{"-addr", "127.0.0.1:0", "-data", file}, []string{file, "-data"}},
		{"folder below a file", []string{"-addr", "127.0.0.1:0", "-data", filepath.Join(file, "x")}, []string{file, "-data"}},
		{"damaged file", []string{"-addr", "127.0.0.1:0", "-data", damaged}, []string{damaged, "damaged", "set aside"}},
		{"no database", []string{"-addr", "127.0.0.1:0", "-data", foreign}, []string{foreign, "damaged", "set aside"}},
		{"folder in use", []string{"-addr", "127.0.0.1:0", "-data", usedDir}, []string{usedDir, "another Buddyclock", "-data"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, out, complaints := run(t, c.args...)
			require.Equal(t, exitFailed, code)
			require.Empty(t, out)
			for _, word := range c.words {
				require.Contains(t, complaints, word)
			}
			require.Equal(t, 1, strings.Count(complaints, "\n"), complaints)
			require.True(t, strings.HasPrefix(complaints, "buddyclock: "), complaints)
		})
	}
	code, _, _ := run(t, "-addr", taken.Addr().String(), "-data", damaged)
	require.Equal(t, exitFailed, code)
}

// Ensures that data is kept where the system keeps programs' data, unless told
// otherwise.
func TestDefaultFolder(t *testing.T) {
	home := t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("XDG_DATA_HOME", filepath.Join(home, "share"))
	dir, err := userDataDir()
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(dir, home), dir)
	require.Equal(t, "buddyclock", filepath.Base(dir))
	t.Setenv("XDG_DATA_HOME", "relative")
	dir, err = userDataDir()
	require.NoError(t, err)
	require.True(t, filepath.IsAbs(dir), dir)
}

// Ensures that the addresses shown are such as others can open.
func TestAddressesForPhones(t *testing.T) {
	plain := &tier{}
	for _, c := range []struct{ ip, want string }{
		{"127.0.0.1", "http://127.0.0.1:8080"},
		{"::1", "http://[::1]:8080"},
	} {
		bound := &net.TCPAddr{IP: net.ParseIP(c.ip), Port: 8080}
		require.Equal(t, []string{c.want}, plain.urls(bound))
		require.Equal(t, c.want, localURL(bound))
	}
	everywhere := &net.TCPAddr{IP: net.IPv6zero, Port: 80}
	require.Equal(t, "http://localhost", localURL(everywhere))
	for _, u := range plain.urls(everywhere) {
		require.NotContains(t, u, "127.0.0.1")
		require.NotContains(t, u, ":80")
	}
	require.Equal(t, "https://[fd00::1]", urlOf("https", "fd00::1", 443))
	require.Equal(t, "https://[fd00::1]:80", urlOf("https", "fd00::1", 80))
	require.Equal(t, "http://pool.example:443", urlOf("http", "pool.example", 443))
}

// post calls the API of a running server.
func post(t *testing.T, base, path string, body any) map[string]any {
	t.Helper()
	text, err := json.Marshal(body)
	require.NoError(t, err)
	resp, err := http.Post(base+path, "application/json", bytes.NewReader(text))
	require.NoError(t, err)
	defer resp.Body.Close()
	var answer map[string]any
	require.NoError(t, json.NewDecoder(resp.Body).Decode(&answer))
	require.Equal(t, http.StatusOK, resp.StatusCode, answer)
	return answer
}

// slowRequests are requests that drip in byte by byte after these first words.
var slowRequests = []string{
	"GET /healthz HTTP/1.1\r\nHost: %s\r\nX-Slow: ",
	"POST /api/join HTTP/1.1\r\nHost: %s\r\nContent-Length: 8000\r\n\r\n{",
	"POST /api/events HTTP/1.1\r\nHost: %s\r\nContent-Length: 200000\r\n\r\n{",
	"POST /api/events HTTP/1.1\r\nHost: %s\r\nTransfer-Encoding: chunked\r\n\r\nfff\r\n{",
	"POST /api/code HTTP/1.1\r\nHost: %s\r\nTransfer-Encoding: chunked\r\n\r\n1;",
	"POST /api/import HTTP/1.1\r\nHost: %s\r\nContent-Length: 200000\r\n\r\n{",
	"POST /api/export HTTP/1.1\r\nHost: %s\r\nContent-Length: 8000\r\n\r\n{",
	"GET /socket HTTP/1.1\r\nHost: %[1]s\r\nOrigin: http://%[1]s\r\nContent-Length: 8000\r\n\r\n{",
}

// Ensures that a Host which is not the server's is refused also where a request is for
// no path at all.
func TestRequestForNoPathIsLookedAtToo(t *testing.T) {
	t.Parallel()
	p := start(t, nil, "-addr", "127.0.0.1:0", "-data", t.TempDir())
	conn, err := net.Dial("tcp", strings.TrimPrefix(p.URL, "http://"))
	require.NoError(t, err)
	defer conn.Close()
	fmt.Fprint(conn, "OPTIONS * HTTP/1.1\r\nHost: evil.example\r\n\r\n")
	resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, http.StatusMisdirectedRequest, resp.StatusCode)
	require.NotEmpty(t, resp.Header.Get("Content-Security-Policy"))
}

// Ensures that senders who drip their request byte by byte, its head or its body,
// are cut off, and keep nobody else waiting meanwhile.
func TestSlowSendersAreCutOff(t *testing.T) {
	t.Parallel()
	p := start(t, nil, "-addr", "127.0.0.1:0", "-data", t.TempDir())
	addr := strings.TrimPrefix(p.URL, "http://")
	ended := make(chan struct{}, 3*len(slowRequests))
	begun := time.Now()
	for n := range cap(ended) {
		conn, err := net.Dial("tcp", addr)
		require.NoError(t, err)
		defer conn.Close()
		go func() {
			fmt.Fprintf(conn, slowRequests[n%len(slowRequests)], addr)
			for {
				time.Sleep(50 * time.Millisecond)
				if _, err := conn.Write([]byte("x")); err != nil {
					ended <- struct{}{}
					return
				}
			}
		}()
	}
	for len(ended) < cap(ended) {
		asked := time.Now()
		resp, err := http.Get(p.URL + "/healthz")
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		require.Less(t, time.Since(asked), within)
		require.Less(t, time.Since(begun), 3*within, "slow senders stay")
		time.Sleep(50 * time.Millisecond)
	}
}
