package server

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"sync"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/coder/websocket"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/room"
	"buddyclock/server/store"
)

const (
	// helloWithin bounds the time to a device's first word.
	helloWithin = 5 * time.Second
	// idleFor is how long a device may say nothing; a heartbeat comes every 5 s.
	idleFor = 30 * time.Second
)

// handleSocket is a device's live link, from the first frame to the last.
func (s *Server) handleSocket(w http.ResponseWriter, r *http.Request) {
	// A browser always names the page's origin. What does not is no page, and a
	// page of another origin has no business here.
	if r.Header.Get("Origin") == "" || !sameOrigin(r) {
		refuse(w, http.StatusForbidden, "bad-origin", "the socket is only for pages of this server")
		return
	}
	address := addressOf(r.RemoteAddr)
	if !s.dials.Allow(r.RemoteAddr) || !s.sockets.add(address, s.limits.Sockets, s.limits.AllSockets) {
		refuseTooMany(w)
		return
	}
	if !s.unwelcomed.add(address, s.limits.Unwelcomed, s.limits.AllSockets) {
		s.sockets.remove(address)
		refuseTooMany(w)
		return
	}
	keep := &keepWire{ResponseWriter: w}
	var c *conn
	ws, err := websocket.Accept(keep, r, &websocket.AcceptOptions{
		OnPingReceived: func(_ context.Context, payload []byte) bool {
			c.answer(outgoing{pong: append([]byte{}, payload...)})
			return false
		},
		InsecureSkipVerify: true, // sameOrigin has just done it, and demands more
		CompressionMode:    websocket.CompressionDisabled,
	})
	if err != nil { // Accept has answered
		s.unwelcomed.remove(address)
		s.sockets.remove(address)
		return
	}
	ws.SetReadLimit(maxFrameBytes)
	c = newConn(s, ws, keep.out, keep.wire)
	if keep.in != nil { // Accept put a reader of what was there before in between, and nothing was
		keep.in.Reset(c.source())
	}
	early := s.clk.AfterFunc(helloWithin, c.cut)
	if !s.conns.add(c) {
		early.Stop()
		ws.CloseNow()
		s.unwelcomed.remove(address)
		s.sockets.remove(address)
		return
	}
	// In a goroutine of its own, so that what the request took up is let go.
	go serveSocket(c, address, early)
}

// serveSocket serves a connection to its end; early cuts it off where it does not begin.
func serveSocket(c *conn, address string, early *clock.Timer) {
	defer c.srv.conns.remove(c)
	defer c.srv.sockets.remove(address)
	defer c.ws.CloseNow()
	welcomed := sync.OnceFunc(func() { c.srv.unwelcomed.remove(address) })
	defer welcomed()
	defer early.Stop()
	in := &incoming{conn: c, early: early, welcomed: welcomed}
	in.silent.init(c.srv.clk, idleFor, c.cut)
	defer in.silent.stop()
	defer c.slow.stop()
	in.serve(context.Background())
}

// incoming is the reading side of a connection. It runs in a goroutine of
// its own and ends when the socket is closed, by whomever.
type incoming struct {
	*conn
	early    *clock.Timer // ends a connection that does not begin
	silent   patience     // ends one that says nothing more
	welcomed func()
	buf      bytes.Buffer
	member   room.Member
	pace     *pace
	own      *place  // in the one pair, or nil for a board
	board    *places // of a board, or nil
}

// place is a connection's place in one pair.
type place struct {
	*conn
	pair    store.Pair
	room    *room.Room
	release func()
	named   bool // whether answers name the pair, as a board has many
}

func (p *place) leave() {
	p.room.Leave(p)
	p.release()
}

// stamped is a message with the shared time right after its last byte was read.
type stamped struct {
	message
	t2Us    int64
	clockID string
}

// errGone is returned where there is nobody left to tell what went wrong.
var errGone = errors.New("the connection is at its end")

// next reads one frame.
func (in *incoming) next(ctx context.Context) (stamped, error) {
	kind, r, err := in.ws.Reader(ctx)
	if err != nil {
		return stamped{}, errGone
	}
	in.buf.Reset()
	if _, err := in.buf.ReadFrom(r); err != nil {
		return stamped{}, errGone
	}
	t2Us, clockID := in.srv.shared.NowUs()
	in.silent.begin()
	if kind != websocket.MessageText {
		return stamped{}, bad("a message is text, and this one is not")
	}
	m, err := decodeMessage(in.buf.Bytes())
	return stamped{m, t2Us, clockID}, err
}

func (in *incoming) serve(ctx context.Context) {
	defer in.srv.here.remove(in)
	if err := in.begin(ctx); err != nil {
		in.write(in.farewell(err))
		return
	}
	in.welcomed()
	in.open()
	var err error
	if in.board != nil {
		err = in.openBoard(ctx)
	}
	for err == nil {
		var m stamped
		if m, err = in.next(ctx); err == nil {
			err = in.take(ctx, m)
		}
	}
	in.srv.offers.leave(in)
	if in.own != nil {
		in.own.leave()
	} else {
		in.closeBoard()
	}
	if errors.Is(err, errGone) {
		in.close()
	} else {
		in.queue(in.farewell(err))
	}
	<-in.ended
}

// farewell is the last word to a device after an error. What went wrong inside
// is for the log only.
func (in *incoming) farewell(err error) outgoing {
	var problem *protocol.Problem
	if errors.As(err, &problem) {
		return failure(websocket.StatusPolicyViolation, problem.Code, problem.Reason)
	}
	if !errors.Is(err, errGone) && !errors.Is(err, room.ErrStopping) {
		in.srv.log.Error("a device could not be served", "reason", err)
	}
	return failure(websocket.StatusInternalError, codeFailed, reasonFailed)
}

// begin takes the device's hello, and welcomes it with what it lacks. Until
// then nothing else is written to it.
func (in *incoming) begin(ctx context.Context) error {
	m, err := in.next(ctx)
	in.early.Stop()
	if err != nil {
		return err
	}
	if m.Type != typeHello {
		return bad("the first message is `hello`")
	}
	version, err := agree(in.srv.version, m.Hello.V)
	if err != nil {
		return err
	}
	if m.Hello.Board {
		return in.beginBoard(ctx, version, m.Hello)
	}
	device, pair, err := in.srv.recognize(ctx, m.Hello.Token, m.Hello.Device, m.Hello.Pair)
	if err != nil {
		return err
	}
	in.is(device)
	rm, release, err := in.srv.rooms.Enter(pair)
	if err != nil {
		return err
	}
	in.own = &place{conn: in.conn, pair: pair, room: rm, release: release}
	if err := in.welcome(ctx, version, device, m.Hello.Counts); err != nil {
		in.own.leave()
		return err
	}
	return nil
}

// is notes whose connection this is. From here on others may queue what is sent
// after the welcome.
func (in *incoming) is(d store.Device) {
	in.member = room.Member{Device: d.ID, Role: d.Role, Name: d.Name}
	in.pace = in.srv.here.paceOf(d.ID)
	in.srv.here.add(in)
	in.srv.signOfLife()
}

// welcome joins the room first and reads the device's missing events after
// that, so that none falls in between; one may come twice, which does no harm.
func (in *incoming) welcome(ctx context.Context, version int, device store.Device, theirs store.Counts) error {
	pair := in.own.pair
	snap, err := in.own.room.Join(ctx, in.own, in.member)
	if err != nil {
		return err
	}
	passed, err := in.own.room.Passed(ctx, theirs)
	if err != nil {
		return err
	}
	missing, err := in.srv.store.Missing(ctx, pair.ID, snap.Devices, theirs)
	if err != nil {
		return err
	}
	missing = append(missing, passed...)
	ours, err := in.own.room.Have(ctx)
	if err != nil {
		return err
	}
	erased, err := in.srv.store.ErasedOf(ctx, pair.ID)
	if err != nil {
		return err
	}
	n := room.FrameShare(missing)
	var first bytes.Buffer
	room.WriteList(&first, missing[:n])
	us, clockID := in.srv.shared.NowUs()
	frames := append([][]byte{encode(welcomeJSON{
		Type: "welcome", V: version, Outing: in.srv.outingNow(), Pair: pair.ID, Number: pair.Number, Session: pair.Session,
		Device: device.ID, Role: device.Role, Name: device.Name,
		Have: ours.Have, Beyond: ours.Beyond, Present: snap.Present, ClockID: clockID, ServerMs: us / 1000, Simulated: in.srv.simulated,
		Erased: erased, More: n < len(missing), Events: first.Bytes(),
	})}, room.EventFrames(pair.ID, missing[n:])...)
	for _, frame := range frames {
		if !in.write(outgoing{frame: frame}) {
			return errGone
		}
	}
	return nil
}

// take handles one message after the hello. Types it does not know may be of a
// newer version, and are nothing to it.
func (in *incoming) take(ctx context.Context, m stamped) error {
	switch m.Type {
	case typeEvents: // which have paces of their own
	case typePresence:
		if !in.pace.beat.Take() {
			return nil // the next one tells the same
		}
	default:
		if !in.pace.chat.Take() {
			return nil // clocks are asked again
		}
	}
	switch m.Type {
	case typeTime:
		in.answer(outgoing{time: &exchange{m.T1, m.t2Us, m.clockID}})
	case typePresence:
		in.srv.signOfLife()
		if in.own != nil {
			in.own.room.Heartbeat(in.member, m.State)
		} else {
			in.board.heartbeat(in.member, m.State)
		}
	case typeEvents:
		return in.takeEvents(ctx, m)
	case typeOffer:
		in.srv.offers.make(ctx, in, m.Fields)
	case typeDecline, typeWithdraw:
		in.srv.offers.end(in, m.Type, m.Fields)
	}
	return nil
}

// takeEvents offers events to their pair. A device that sends what moves rungs
// faster than anybody presses is read more slowly; what it sends is kept.
func (in *incoming) takeEvents(ctx context.Context, m stamped) error {
	at := in.own
	if at == nil {
		pair, err := m.Fields.text("pair", protocol.MaxIDBytes)
		if err != nil {
			return err
		}
		if at = in.board.in(pair); at == nil {
			return bad("`pair` is none of this outing's")
		}
	}
	events, refused := room.Decode(m.Events)
	if len(events) == 0 && !in.pace.chat.Take() {
		return nil // nothing in it could be stored
	}
	kept, shed, wait := in.pace.shed(events)
	if len(shed) > 0 {
		at.Send(encode(errorJSON{"error", at.name(), problemJSON{codeSlowDown, reasonSlowDown}, shed}))
	}
	at.room.Offer(ctx, at, in.member.Device, kept, refused, at.report)
	if wait > 0 {
		in.rest(wait)
	}
	return nil
}

// rest reads nothing for a while, unless the connection ends.
func (in *incoming) rest(wait time.Duration) {
	timer := in.srv.clk.Timer(min(wait, idleFor/2))
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-in.ended:
	}
	in.silent.begin()
}

// name is how answers name the place's pair: only a board needs it.
func (p *place) name() string {
	if p.named {
		return p.pair.ID
	}
	return ""
}

// report tells the device what became of its events.
func (p *place) report(res room.Result) {
	if len(res.Stored) > 0 {
		p.Send(storedFrame(p.name(), res.Stored))
	}
	for _, r := range res.Refused {
		p.Send(encode(refusedJSON{"refused", p.name(), r.IDs, problemJSON{r.Code, r.Reason}}))
	}
	if len(res.Failed) > 0 {
		p.Send(encode(errorJSON{"error", p.name(), problemJSON{codeNotStored, reasonNotStored}, res.Failed}))
	}
}

// recognize finds whose token it is and whether it opens that pair.
func (s *Server) recognize(ctx context.Context, token, deviceID, pairID string) (store.Device, store.Pair, error) {
	device, err := s.deviceOf(ctx, token)
	if err == nil && device.ID != deviceID {
		err = &protocol.Problem{Code: "bad-token", Reason: "this token belongs to another device"}
	}
	if err != nil {
		return device, store.Pair{}, err
	}
	pair, err := s.pairOf(ctx, device, pairID)
	return device, pair, err
}

// pairOf gives a pair that is open to a device.
func (s *Server) pairOf(ctx context.Context, device store.Device, id string) (store.Pair, error) {
	pair, err := s.store.Pair(ctx, id)
	switch {
	case err != nil && !errors.Is(err, store.ErrUnknown):
		return pair, err
	case err != nil, device.Pair != pair.ID && device.Pair != "", device.Session != pair.Session:
		err = &protocol.Problem{Code: "not-of-pair", Reason: "this device does not belong to that pair"}
	}
	return pair, err
}

// deviceOf gives the device of a token.
func (s *Server) deviceOf(ctx context.Context, token string) (store.Device, error) {
	device, err := s.store.DeviceByToken(ctx, access.HashToken(token))
	if err == nil {
		var late bool
		if late, err = s.outlived(ctx, device); late {
			return device, problem("bad-token", "the outing of this device ended more than a week ago")
		}
	}
	if errors.Is(err, store.ErrUnknown) {
		return device, &protocol.Problem{Code: "bad-token", Reason: "this device is not known here, or was removed; join again"}
	}
	return device, err
}
