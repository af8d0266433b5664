package simulation

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/fstest"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server"
	"buddyclock/server/access"
	"buddyclock/server/store"
	"buddyclock/web"
)

// A wire is a host as devices see it: the simulated one, or the real server.
type wire interface {
	// say sends a frame of a device, which dials where it has no socket.
	say(device, frame string)
	// heard gives the next frame for a device that is of one of the types.
	heard(device string, types ...string) map[string]any
	// post sends a plain request for events.
	post(body string) map[string]any
	fillDisk(full bool)
	rejoin(p *phone, role string)
}

// Ensures that the simulated host says word for word what the real server does, so that what holds in the simulator
// holds of the server too: each message and each answer, for all that a device can bring.
func TestTheSimulatedHostIsLikeTheServer(t *testing.T) {
	w := &world{seed: 1, now: beginning}
	w.watch, w.net, w.host = newWatch(w), network{actor: w.newActor()}, newHost(w)
	for i, role := range []string{"buddy", "diver", "siren", "instructor"} {
		w.phones = append(w.phones, newPhone(w, nil, i, role))
	}
	w.host.admit(w.phones)
	w.host.start()
	sim := &simulatedWire{w: w, lines: map[string]*line{}, frames: map[string][]string{}}
	srv := newServerWire(t, w)

	buddy, diver, siren, board := w.phones[0], w.phones[1], w.phones[2], w.phones[3]
	hold, at := buddy.device+"-h01", beginning/ms-1000
	event := func(p *phone, n int, kind string, more map[string]any) json.RawMessage {
		fields := map[string]any{"id": eventID(p.device, int64(n)), "hold": hold, "kind": kind, "at": at + int64(n), "by": p.role}
		for k, v := range more {
			if fields[k] = v; v == nil {
				delete(fields, k)
			}
		}
		return json.RawMessage(spell(fields))
	}
	sealed := func(p *phone, raw json.RawMessage) json.RawMessage {
		e, err := protocol.Decode(raw)
		require.NoError(t, err)
		mac, err := access.Seal(p.token(), e)
		require.NoError(t, err)
		return append(raw[:len(raw)-1:len(raw)-1], fmt.Sprintf(`,"mac":%q}`, mac)...)
	}
	hello := func(p *phone, more map[string]any) string {
		fields := map[string]any{"type": "hello", "v": 1, "token": p.token(), "device": p.device, "pair": w.host.pair.ID, "have": map[string]any{}}
		if p.isBoard() {
			fields["board"] = true
		}
		for k, v := range more {
			fields[k] = v
		}
		return spell(fields)
	}
	events := func(list ...json.RawMessage) string {
		return spell(map[string]any{"type": "events", "pair": w.host.pair.ID, "events": list})
	}
	request := func(p *phone, have map[string]any, list ...json.RawMessage) string {
		return spell(map[string]any{"token": p.token(), "pair": w.host.pair.ID, "events": append([]json.RawMessage{}, list...), "have": have})
	}
	say := func(p *phone, frame string) { sim.say(p.device, frame); srv.say(p.device, frame) }
	alike := func(what string, p *phone, types ...string) {
		t.Helper()
		mine, theirs := plain(sim.heard(p.device, types...)), plain(srv.heard(p.device, types...))
		require.Equal(t, theirs, mine, what)
	}
	answeredAlike := func(what, body string) {
		t.Helper()
		require.Equal(t, plain(srv.post(body)), plain(sim.post(body)), what)
	}

	say(buddy, hello(buddy, nil))
	alike("the first welcome", buddy, "welcome")
	say(diver, hello(diver, nil))
	alike("a welcome beside another", diver, "welcome")
	say(buddy, `{"type":"time","t1":12.345}`)
	alike("the time", buddy, "time")
	say(buddy, `{"type":"presence","visible":true,"sound":"proven","rungs":true,"hold":null}`)
	alike("who is there", diver, "presence")
	alike("what one is good for", diver, "presence")

	plan := sealed(buddy, event(buddy, 1, "plan", map[string]any{"data": map[string]any{"planned_s": 60}}))
	start, look := sealed(buddy, event(buddy, 2, "start", nil)), sealed(buddy, event(buddy, 3, "look", nil))
	say(buddy, events(plan, start))
	alike("a receipt", buddy, "stored")
	alike("what others did", diver, "events")
	say(buddy, events(start, event(buddy, 1, "plan", nil), event(buddy, 5, "going", nil), event(buddy, 6, "look", map[string]any{"at": at + 3_600_000}),
		event(buddy, 7, "start", map[string]any{"at": 17}), event(buddy, 8, "look", map[string]any{"by": "diver"}), json.RawMessage(`{"id":"x"}`), json.RawMessage(`7`)))
	alike("a receipt for what is known", buddy, "stored")
	for i := range 6 {
		alike(fmt.Sprintf("refusal %d", i+1), buddy, "refused")
	}
	say(diver, events(look, sealed(diver, event(buddy, 4, "answered", nil))))
	alike("a receipt for what another made", diver, "stored")
	alike("a refusal of what another did not make", diver, "refused")
	alike("what another handed over", buddy, "events")
	say(buddy, events(event(buddy, 9, "sounded", map[string]any{"data": map[string]any{"rung": "prompt", "due": at}})))
	alike("a receipt beyond a gap", buddy, "stored")

	say(siren, hello(siren, map[string]any{"have": map[string]any{buddy.device: 2}, "beyond": map[string]any{buddy.device: [][2]int{{9, 9}}}}))
	alike("a welcome to one that has some", siren, "welcome")
	answeredAlike("an answer without events", request(siren, map[string]any{buddy.device: 3}))
	answeredAlike("an answer with all kinds of events", request(diver, map[string]any{}, event(diver, 1, "contraction", nil), plan, event(diver, 2, "look", nil), json.RawMessage(`[]`)))
	alike("what was posted", buddy, "events")

	say(board, hello(board, nil))
	alike("a board's welcome", board, "welcome")
	alike("a pair as it is", board, "pair")
	alike("what the host makes of it", board, "state")
	alike("that these were all", board, "pairs-done")
	say(board, events(event(board, 1, "end-hold", nil), event(board, 2, "look", nil)))
	alike("a board's receipt", board, "stored")
	alike("a board's refusal", board, "refused")
	alike("what a board said", buddy, "events")

	sim.fillDisk(true)
	srv.fillDisk(true)
	lost := sealed(buddy, event(buddy, 10, "no-answer", nil))
	say(buddy, events(lost))
	alike("the bad news", buddy, "error")
	alike("what was passed on", board, "events")
	answeredAlike("a full disk", request(buddy, map[string]any{buddy.device: 9, board.device: 1, diver.device: 1}, lost))
	say(siren, "")
	say(siren, hello(siren, map[string]any{"have": map[string]any{buddy.device: 9, board.device: 1, diver.device: 1}}))
	alike("a welcome while the disk is full", siren, "welcome")
	sim.fillDisk(false)
	srv.fillDisk(false)
	say(buddy, events(lost))
	alike("a receipt once there is room", buddy, "stored")

	sim.rejoin(diver, "buddy")
	srv.rejoin(diver, "buddy")
	alike("a word to one whose role changed", diver, "bye")
	say(diver, "")
	say(diver, hello(diver, map[string]any{"have": map[string]any{buddy.device: 10, board.device: 1}}))
	alike("a welcome in another role", diver, "welcome")
}

// plain takes out of a message what must differ between two hosts: names of clocks, times, and the words of reasons.
func plain(m map[string]any) map[string]any {
	hide := func(m map[string]any, keys ...string) {
		for _, key := range keys {
			if _, there := m[key]; there {
				m[key] = "·"
			}
		}
	}
	hide(m, "clock_id", "server_ms", "at", "t2", "t3")
	if m["type"] != "bye" {
		hide(m, "reason")
	}
	for _, key := range []string{"present", "refused"} {
		list, _ := m[key].([]any)
		for _, one := range list {
			hide(one.(map[string]any), "age_ms", "reason")
		}
	}
	delete(m, "outing") // the simulator knows of no settings for an outing
	return m
}

// next takes the first frame of the types out of a list.
func next(frames *[]string, types []string) map[string]any {
	for i, text := range *frames {
		if !slices.Contains(types, kindOf([]byte(text))) {
			continue
		}
		var m map[string]any
		if err := json.Unmarshal([]byte(text), &m); err != nil {
			panic(err)
		}
		*frames = slices.Delete(*frames, 0, i+1)
		return m
	}
	return nil
}

// simulatedWire is the simulated host, with nobody at the other end of its lines.
type simulatedWire struct {
	w      *world
	lines  map[string]*line
	frames map[string][]string
}

// passUntil lets time pass until something is so, but not much of it: on the server's side it stands still.
func (s *simulatedWire) passUntil(so func() bool) {
	for range 50 {
		if s.w.until(s.w.now + 10*ms); so() {
			return
		}
	}
}

func (s *simulatedWire) say(device, frame string) {
	if frame == "" {
		s.lines[device].conn.end()
		delete(s.lines, device)
		return
	}
	l := s.lines[device]
	if l == nil {
		p := s.w.phones[slices.IndexFunc(s.w.phones, func(p *phone) bool { return p.device == device })]
		l = &line{n: &s.w.net, phone: p, hostOpen: true, chance: s.w.newActor(), tap: func(text string) { s.frames[device] = append(s.frames[device], text) }}
		l.conn = &conn{h: s.w.host, line: l}
		s.w.host.conns = append(s.w.host.conns, l.conn)
		l.conn.listen()
		s.lines[device] = l
	}
	l.conn.hear(frame)
}

func (s *simulatedWire) heard(device string, types ...string) map[string]any {
	var m map[string]any
	s.passUntil(func() bool {
		list := s.frames[device]
		m = next(&list, types)
		s.frames[device] = list
		return m != nil
	})
	return m
}

func (s *simulatedWire) post(body string) map[string]any {
	var m map[string]any
	s.w.host.post(body, func(text string) { _ = json.Unmarshal([]byte(text), &m) })
	s.passUntil(func() bool { return m != nil })
	return m
}

func (s *simulatedWire) fillDisk(full bool)           { s.w.host.disk.full = full }
func (s *simulatedWire) rejoin(p *phone, role string) { s.w.host.rejoin(p, role) }

// serverWire is the real server on the loopback, with real sockets.
type serverWire struct {
	t       *testing.T
	dir     string
	store   *store.Store
	http    *httptest.Server
	session string
	sockets map[string]*websocket.Conn
	full    atomic.Bool
}

func newServerWire(t *testing.T, w *world) *serverWire {
	t.Helper()
	s := &serverWire{t: t, dir: t.TempDir(), session: w.host.pair.Session, sockets: map[string]*websocket.Conn{}}
	mock := clock.NewMock()
	mock.Set(time.UnixMicro(beginning))
	shared := server.NewSharedClock(mock)
	var err error
	s.store, err = store.Open(s.dir, shared.NowMs, store.Files(func(f store.File) store.File { return fillable{f, &s.full} }))
	require.NoError(t, err)
	session, err := s.store.ContinueSession(s.session, 0)
	require.NoError(t, err)
	_, err = s.store.AddPair(w.host.pair.ID, session.ID)
	require.NoError(t, err)
	for _, p := range w.phones {
		d := s.deviceOf(p, w.host.pair.ID)
		require.NoError(t, s.store.Admit(d, access.HashToken(p.token())))
	}
	assets, err := web.NewAssets(fstest.MapFS{
		"index.html": {Data: []byte("x")}, "app.js": {Data: []byte("x")}, "sync/worker.js": {Data: []byte("x")}, "offline/sw.js": {Data: []byte("x")},
		"style/all.css": {Data: []byte("p{}")}, "style/later.css": {Data: []byte("p{}")},
	})
	require.NoError(t, err)
	srv := server.New(server.Options{
		Store: s.store, Session: session, Clock: mock, Shared: shared, Assets: assets, Hosts: server.NewHosts(mock),
		URLs: func() []string { return nil }, Log: slog.New(slog.DiscardHandler),
	})
	s.http = httptest.NewServer(srv.Handler())
	t.Cleanup(func() {
		for _, ws := range s.sockets {
			ws.Close()
		}
		srv.Shutdown()
		s.http.Close()
		require.NoError(t, s.store.Close())
	})
	return s
}

func (s *serverWire) deviceOf(p *phone, pair string) store.Device {
	d := store.Device{ID: p.device, Session: s.session, Pair: pair, Role: p.role, Name: p.name}
	if p.isBoard() {
		d.Pair = ""
	}
	return d
}

func (s *serverWire) say(device, frame string) {
	s.t.Helper()
	if frame == "" {
		s.sockets[device].Close()
		delete(s.sockets, device)
		return
	}
	if s.sockets[device] == nil {
		ws, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(s.http.URL, "http")+"/socket", http.Header{"Origin": {s.http.URL}})
		require.NoError(s.t, err)
		s.sockets[device] = ws
	}
	require.NoError(s.t, s.sockets[device].WriteMessage(websocket.TextMessage, []byte(frame)))
}

func (s *serverWire) heard(device string, types ...string) map[string]any {
	s.t.Helper()
	for {
		require.NoError(s.t, s.sockets[device].SetReadDeadline(time.Now().Add(10*time.Second)))
		_, text, err := s.sockets[device].ReadMessage()
		require.NoError(s.t, err, "%s waits for %v", device, types)
		frames := []string{string(text)}
		if m := next(&frames, types); m != nil {
			return m
		}
	}
}

func (s *serverWire) post(body string) map[string]any {
	s.t.Helper()
	resp, err := http.Post(s.http.URL+"/api/events", "application/json", bytes.NewReader([]byte(body)))
	require.NoError(s.t, err)
	defer resp.Body.Close()
	var m map[string]any
	require.NoError(s.t, json.NewDecoder(resp.Body).Decode(&m))
	return m
}

func (s *serverWire) fillDisk(full bool) { s.full.Store(full) }

// fillable is a file on a disk that may be full.
type fillable struct {
	store.File
	full *atomic.Bool
}

func (f fillable) WriteAt(b []byte, at int64) (int, error) {
	if f.full.Load() {
		return 0, syscall.ENOSPC
	}
	return f.File.WriteAt(b, at)
}

func (s *serverWire) rejoin(p *phone, role string) {
	s.t.Helper()
	resp, err := http.Post(s.http.URL+"/api/join", "application/json", strings.NewReader(spell(map[string]any{
		"token": p.token(), "pair": "pair000001", "role": role, "device": p.device, "name": p.name,
	})))
	require.NoError(s.t, err)
	defer resp.Body.Close()
	require.Equal(s.t, http.StatusOK, resp.StatusCode)
}
