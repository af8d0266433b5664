package server

import (
	"bytes"
	"context"
	"crypto/tls"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/fstest"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/store"
	"buddyclock/web"
)

// within bounds every wait of a test.
const within = 10 * time.Second

// page is a page small enough for tests of the server.
var page = fstest.MapFS{
	"index.html":      {Data: []byte(`<link rel="stylesheet" href="./style.css"><script type="module" src="./app.js"></script>`)},
	"app.js":          {Data: []byte(`document.title = "x";`)},
	"sync/worker.js":  {Data: []byte(`onmessage = () => {};`)},
	"offline/sw.js":   {Data: []byte(`onfetch = () => {};`)},
	"style/all.css":   {Data: []byte(`body { margin: 0 }`)},
	"style/later.css": {Data: []byte(`p { margin: 0 }`)},
}

// host is a running server with its store, as one start of the program has it.
type host struct {
	t      *testing.T
	dir    string
	clk    clock.Clock
	shared *SharedClock
	store  *store.Store
	srv    *Server
	http   *httptest.Server
	url    string       // where pages of this server come from
	client *http.Client // how they call its API
	tls    *tls.Config  // what they trust, where they come by https
	log    *lines
	disk   disk
}

// lines is a log that the test reads while the server writes.
type lines struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// newHost starts a server on the loopback with the real clock and a new folder.
func newHost(t *testing.T) *host { return startHost(t, t.TempDir(), clock.New()) }

func startHost(t *testing.T, dir string, clk clock.Clock) *host {
	t.Helper()
	return startHostWith(t, dir, clk, NewSharedClock(clk))
}

func startHostWith(t *testing.T, dir string, clk clock.Clock, shared *SharedClock, limits ...Limits) *host {
	t.Helper()
	h := &host{t: t, dir: dir, clk: clk, shared: shared, log: &lines{}}
	var err error
	options := []store.Option{store.Files(h.disk.wrap)}
	if _, mocked := clk.(*clock.Mock); !mocked { // commits would wait for the test to move time
		options = append(options, store.FoldLater(clk))
	}
	h.store, err = store.Open(dir, h.shared.NowMs, options...)
	require.NoError(t, err)
	session, err := h.store.ContinueSession(access.NewID(), 12*3_600_000)
	require.NoError(t, err)
	assets, err := web.NewAssets(page)
	require.NoError(t, err)
	h.srv = New(Options{
		Store: h.store, Session: session, Clock: clk, Shared: h.shared, Assets: assets,
		Hosts:  NewHosts(clk, "pool.example"),
		URLs:   func() []string { return []string{"http://192.0.2.7:8080"} },
		Log:    slog.New(slog.NewTextHandler(h.log, nil)),
		Limits: append(limits, Limits{})[0],
	})
	h.http = httptest.NewServer(h.srv.Handler())
	h.url, h.client = h.http.URL, h.http.Client()
	t.Cleanup(h.stop)
	return h
}

// stop ends the server as the program does.
func (h *host) stop() {
	if h.http == nil {
		return
	}
	h.srv.Shutdown()
	h.http.Close()
	h.http = nil
	require.NoError(h.t, h.store.Close())
}

// post calls the API as a page would, and gives status and answer.
func (h *host) post(path string, body any) (int, map[string]any) {
	h.t.Helper()
	text, err := json.Marshal(body)
	require.NoError(h.t, err)
	req, err := http.NewRequest(http.MethodPost, h.url+path, bytes.NewReader(text))
	require.NoError(h.t, err)
	req.Header.Set("Origin", h.url)
	req.Header.Set("Content-Type", "application/json")
	resp, err := h.client.Do(req)
	require.NoError(h.t, err)
	defer resp.Body.Close()
	var answer map[string]any
	require.NoError(h.t, json.NewDecoder(resp.Body).Decode(&answer))
	return resp.StatusCode, answer
}

// device is a joined device, connected or not.
type device struct {
	h                       *host
	id, pair, role, token   string
	count                   int
	ws                      *websocket.Conn
	welcome                 map[string]any
	hold                    *protocol.Hold // all events it has seen of any hold
	stored, refused, errors []map[string]any
	times                   []map[string]any
	present                 []any
	presentAt               float64 // shared ms from which their ages count
	bye                     string
	erased                  map[string]any
}

// join makes a new device of a role in a pair ("new" for a new one), as if it
// had joined long ago.
func (h *host) join(pair, role string) *device {
	h.t.Helper()
	d := h.joinNow(pair, role)
	h.alter("UPDATE membership SET since_ms = 0 WHERE device = ?", d.id)
	h.srv.refresh(context.Background(), store.Device{ID: d.id, Pair: d.pair})
	return d
}

func (h *host) joinNow(pair, role string) *device {
	h.t.Helper()
	d := &device{h: h, id: access.NewID(), role: role}
	secret := h.srv.secret
	if role == protocol.RoleInstructor {
		secret = h.srv.instructorSecret
	}
	status, answer := h.post("/api/join", map[string]any{"secret": secret, "pair": pair, "role": role, "device": d.id, "name": "phone of " + role})
	require.Equal(h.t, http.StatusOK, status, answer)
	d.token, d.pair = answer["token"].(string), answer["pair"].(string)
	return d
}

// dial opens a socket with the given headers changed.
func (h *host) dial(header http.Header) (*websocket.Conn, *http.Response, error) {
	all := http.Header{"Origin": {h.url}}
	for k, v := range header {
		if all[k] = v; v == nil {
			delete(all, k)
		}
	}
	dialer := websocket.Dialer{HandshakeTimeout: within, TLSClientConfig: h.tls}
	return dialer.Dial("ws"+strings.TrimPrefix(h.url, "http")+"/socket", all)
}

// connect opens the device's socket and says hello; it returns once welcomed.
func (d *device) connect(have map[string]int64) *device {
	d.h.t.Helper()
	ws, _, err := d.h.dial(nil)
	require.NoError(d.h.t, err)
	d.h.t.Cleanup(func() { ws.Close() })
	d.ws, d.hold = ws, newHoldOfAll()
	return d.hello(map[string]any{"v": 1, "have": have})
}

// newHoldOfAll collects events of whatever hold.
func newHoldOfAll() *protocol.Hold { return protocol.NewHold("all") }

// hello says the first message, with fields added to those it must have.
func (d *device) hello(fields map[string]any) *device {
	d.h.t.Helper()
	all := map[string]any{"type": "hello", "token": d.token, "pair": d.pair, "device": d.id}
	maps.Copy(all, fields)
	d.send(all)
	d.welcome = d.next()
	require.Equal(d.h.t, "welcome", d.welcome["type"], d.welcome)
	return d
}

func (d *device) send(message any) {
	d.h.t.Helper()
	require.NoError(d.h.t, d.ws.SetWriteDeadline(time.Now().Add(within)))
	require.NoError(d.h.t, d.ws.WriteJSON(message))
}

// next reads one message and takes it in.
func (d *device) next() map[string]any {
	d.h.t.Helper()
	m, err := d.read()
	require.NoError(d.h.t, err)
	return m
}

func (d *device) read() (map[string]any, error) {
	if err := d.ws.SetReadDeadline(time.Now().Add(within)); err != nil {
		return nil, err
	}
	_, frame, err := d.ws.ReadMessage()
	if err != nil {
		return nil, err
	}
	var m map[string]any
	var raw struct{ Events []json.RawMessage }
	if err := json.Unmarshal(frame, &m); err != nil {
		return nil, err
	}
	if err := json.Unmarshal(frame, &raw); err != nil {
		return nil, err
	}
	for _, text := range raw.Events {
		e, err := protocol.Decode(text)
		if err != nil {
			return nil, err
		}
		d.hold.Add(e)
	}
	switch m["type"] {
	case "stored":
		d.stored = append(d.stored, m)
	case "time":
		d.times = append(d.times, m)
	case "refused":
		d.refused = append(d.refused, m)
	case "error":
		d.errors = append(d.errors, m)
	case "presence":
		d.present, d.presentAt = m["present"].([]any), m["at"].(float64)
	case "erased":
		d.erased = m["erased"].(map[string]any)
	case "bye":
		d.bye = m["reason"].(string)
	}
	return m, nil
}

// until reads messages until the condition holds.
func (d *device) until(what string, holds func() bool) {
	d.h.t.Helper()
	for deadline := time.Now().Add(within); !holds(); {
		require.True(d.h.t, time.Now().Before(deadline), "waiting for %s", what)
		d.next()
	}
}

// closed reads until the server has closed the socket.
func (d *device) closed() {
	d.h.t.Helper()
	for {
		_, err := d.read()
		var late net.Error
		if errors.As(err, &late) && late.Timeout() {
			require.Fail(d.h.t, "the socket stays open")
		}
		if err != nil {
			return
		}
	}
}

// waitFor waits for a condition that another goroutine brings about.
func waitFor(t *testing.T, what string, holds func() bool) {
	t.Helper()
	require.Eventually(t, holds, within, time.Millisecond, what)
}

// event makes the device's next event.
func (d *device) event(hold, kind string, at int64, data map[string]any) map[string]any {
	d.count++
	e := map[string]any{"id": fmt.Sprintf("%s-%06d", d.id, d.count), "hold": hold, "kind": kind, "at": at, "err": 3, "by": d.role}
	if data != nil {
		e["data"] = data
	}
	return e
}

// sealed gives an event the seal of its device, as a page does.
func (d *device) sealed(event map[string]any) map[string]any {
	d.h.t.Helper()
	text, err := json.Marshal(event)
	require.NoError(d.h.t, err)
	e, err := protocol.Decode(text)
	require.NoError(d.h.t, err)
	event["mac"], err = access.Seal(d.token, e)
	require.NoError(d.h.t, err)
	return event
}

// record sends one event and waits until it is stored.
func (d *device) record(hold, kind string, at int64, data map[string]any) map[string]any {
	d.h.t.Helper()
	e := d.event(hold, kind, at, data)
	d.offer(e)
	d.until(kind+" to be stored", func() bool { return d.hasStored(e["id"].(string)) })
	return e
}

func (d *device) offer(events ...map[string]any) {
	d.h.t.Helper()
	d.send(map[string]any{"type": "events", "events": events})
}

func (d *device) hasStored(id string) bool { return names(d.stored, id) }

func (d *device) wasRefused(id string) bool { return names(d.refused, id) }

func (d *device) sees(id string) bool {
	for _, e := range d.hold.Events() {
		if e.ID == id {
			return true
		}
	}
	return false
}

// refusedFor gives the code for which an event was refused.
func (d *device) refusedFor(id string) string {
	for _, m := range d.refused {
		if names([]map[string]any{m}, id) {
			return m["code"].(string)
		}
	}
	return ""
}

func names(messages []map[string]any, id string) bool {
	for _, m := range messages {
		for _, one := range m["ids"].([]any) {
			if one == id {
				return true
			}
		}
	}
	return false
}

// newMockHost starts a server whose time stands still until the test moves it.
func newMockHost(t *testing.T) (*host, *clock.Mock) {
	mock := clock.NewMock()
	mock.Set(time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC))
	return startHost(t, t.TempDir(), mock), mock
}

// pass moves the time of a test's clock on. Before it waits until no write is
// under way, since one that was begun before and ended after would seem to have
// taken as long.
func (h *host) pass(mock *clock.Mock, d time.Duration) {
	h.t.Helper()
	waitFor(h.t, "no write to be under way", func() bool {
		return !slices.ContainsFunc(h.srv.conns.list(false), func(c *conn) bool { return c.slow.since.Load() != 0 })
	})
	mock.Add(d)
}

// filesIn gives the files of a folder that are not empty.
func filesIn(t *testing.T, dir string) []string {
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	var names []string
	for _, e := range entries {
		info, err := e.Info()
		require.NoError(t, err)
		if info.Size() > 0 {
			names = append(names, filepath.Join(dir, e.Name()))
		}
	}
	require.NotEmpty(t, names)
	return names
}

func readFile(t *testing.T, name string) string {
	text, err := os.ReadFile(name)
	require.NoError(t, err)
	return string(text)
}

// disk is the one that events go to, which can stand still or fail.
type disk struct {
	writing sync.RWMutex // held while it stands still
	broken  atomic.Bool
}

func (d *disk) wrap(f store.File) store.File { return diskFile{f, d} }

type diskFile struct {
	store.File
	disk *disk
}

func (f diskFile) WriteAt(b []byte, at int64) (int, error) {
	f.disk.writing.RLock()
	defer f.disk.writing.RUnlock()
	if f.disk.broken.Load() {
		return 0, syscall.ENOSPC
	}
	return f.File.WriteAt(b, at)
}

func (f diskFile) Truncate(bytes int64) error {
	if f.disk.broken.Load() {
		return syscall.EIO
	}
	return f.File.Truncate(bytes)
}

// stallDisk keeps the server from storing events until release is called, as a slow
// disk would.
func (h *host) stallDisk() (release func()) {
	h.disk.writing.Lock()
	return h.disk.writing.Unlock
}

// breakDisk makes every write of an event fail until mend is called.
func (h *host) breakDisk() (mend func()) {
	h.disk.broken.Store(true)
	return func() { h.disk.broken.Store(false) }
}

// spoil changes a stored event behind the server's back.
func (h *host) spoil(id string) { h.alter("UPDATE event SET at = at + 1 WHERE id = ?", id) }

// alter changes the data file behind the server's back.
func (h *host) alter(query string, args ...any) {
	h.t.Helper()
	require.NoError(h.t, h.store.Settle(context.Background()))
	db, err := sql.Open("sqlite", filepath.Join(h.dir, store.FileName)+"?_pragma=busy_timeout(10000)")
	require.NoError(h.t, err)
	defer db.Close()
	_, err = db.Exec(query, args...)
	require.NoError(h.t, err)
}
