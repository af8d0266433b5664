package server

import (
	"bytes"
	"context"
	"errors"
	"net/http"
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
	keep := &keepWire{ResponseWriter: w}
	ws, err := websocket.Accept(keep, r, &websocket.AcceptOptions{
		InsecureSkipVerify: true, // sameOrigin has just done it, and demands more
		CompressionMode:    websocket.CompressionDisabled,
	})
	if err != nil {
		return // Accept has answered
	}
	defer ws.CloseNow()
	ws.SetReadLimit(maxFrameBytes)
	c := newConn(s, ws, keep.wire)
	silent := s.clk.AfterFunc(helloWithin, c.cut)
	defer silent.Stop()
	if !s.conns.add(c) {
		return
	}
	defer s.conns.remove(c)
	in := &incoming{conn: c, silent: silent}
	in.serve(context.Background())
}

// incoming is the reading side of a connection. It runs in the goroutine of the
// request and ends when the socket is closed, by whomever.
type incoming struct {
	*conn
	silent *clock.Timer // ends a connection that says nothing
	buf    bytes.Buffer
	member room.Member
	room   *room.Room
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
	in.silent.Reset(idleFor)
	if kind != websocket.MessageText {
		return stamped{}, bad("a message is text, and this one is not")
	}
	m, err := decodeMessage(in.buf.Bytes())
	return stamped{m, t2Us, clockID}, err
}

func (in *incoming) serve(ctx context.Context) {
	release, err := in.begin(ctx)
	if err != nil {
		close(in.done)
		in.write(in.farewell(err), nil)
		return
	}
	defer release()
	go in.writeLoop()
	for err == nil {
		var m stamped
		if m, err = in.next(ctx); err == nil {
			in.take(ctx, m)
		}
	}
	in.room.Leave(in.conn)
	if errors.Is(err, errGone) {
		close(in.done)
	} else {
		in.queue(in.farewell(err))
	}
	<-in.written
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
func (in *incoming) begin(ctx context.Context) (release func(), err error) {
	m, err := in.next(ctx)
	if err != nil {
		return nil, err
	}
	if m.Type != typeHello {
		return nil, bad("the first message is `hello`")
	}
	version, err := agree(in.srv.version, m.Hello.V)
	if err != nil {
		return nil, err
	}
	device, pair, err := in.srv.recognize(ctx, m.Hello.Token, m.Hello.Device, m.Hello.Pair)
	if err != nil {
		return nil, err
	}
	in.member = room.Member{Device: device.ID, Role: device.Role, Name: device.Name}
	if in.room, release, err = in.srv.rooms.Enter(pair); err != nil {
		return nil, err
	}
	if err := in.welcome(ctx, version, device, pair, m.Hello.Counts); err != nil {
		in.room.Leave(in.conn)
		release()
		return nil, err
	}
	return release, nil
}

// welcome joins the room first and reads the device's missing events after
// that, so that none falls in between; one may come twice, which does no harm.
func (in *incoming) welcome(ctx context.Context, version int, device store.Device, pair store.Pair, theirs store.Counts) error {
	snap, err := in.room.Join(ctx, in.conn, in.member)
	if err != nil {
		return err
	}
	missing, err := in.srv.store.Missing(ctx, pair.ID, snap.Devices, theirs)
	if err != nil {
		return err
	}
	ours, err := in.room.Have(ctx)
	if err != nil {
		return err
	}
	n := room.FrameShare(missing)
	var first bytes.Buffer
	room.WriteList(&first, missing[:n])
	us, clockID := in.srv.shared.NowUs()
	frames := append([][]byte{encode(welcomeJSON{
		Type: "welcome", V: version, Pair: pair.ID, Number: pair.Number, Session: pair.Session,
		Device: device.ID, Role: device.Role, Name: device.Name,
		Have: ours.Have, Beyond: ours.Beyond, Present: snap.Present, ClockID: clockID, ServerMs: us / 1000,
		More: n < len(missing), Events: first.Bytes(),
	})}, room.EventFrames(missing[n:])...)
	for _, frame := range frames {
		if !in.write(outgoing{frame: frame}, nil) {
			return errGone
		}
	}
	return nil
}

// take handles one message after the hello. Types it does not know may be of a
// newer version, and are nothing to it.
func (in *incoming) take(ctx context.Context, m stamped) {
	switch m.Type {
	case typeTime:
		in.queue(outgoing{time: &exchange{m.T1, m.t2Us, m.clockID}})
	case typePresence:
		in.room.Heartbeat(in.member, m.State)
	case typeEvents:
		events, refused := room.Decode(m.Events)
		in.room.Offer(ctx, in.conn, events, refused, in.report)
	}
}

// report tells the device what became of its events.
func (in *incoming) report(res room.Result) {
	if len(res.Stored) > 0 {
		in.Send(encode(storedJSON{"stored", res.Stored}))
	}
	for _, r := range res.Refused {
		in.Send(encode(refusedJSON{"refused", r.IDs, problemJSON{r.Code, r.Reason}}))
	}
	if len(res.Failed) > 0 {
		in.Send(encode(errorJSON{"error", problemJSON{codeNotStored, reasonNotStored}, res.Failed}))
	}
}

// recognize finds whose token it is and whether it opens that pair.
func (s *Server) recognize(ctx context.Context, token, deviceID, pairID string) (store.Device, store.Pair, error) {
	device, err := s.deviceOf(ctx, token)
	if err != nil {
		return device, store.Pair{}, err
	}
	pair, err := s.store.Pair(ctx, pairID)
	switch {
	case err != nil && !errors.Is(err, store.ErrUnknown):
		return device, pair, err
	case device.ID != deviceID:
		err = &protocol.Problem{Code: "bad-token", Reason: "this token belongs to another device"}
	case err != nil, device.Pair != pair.ID && device.Pair != "", device.Session != pair.Session:
		err = &protocol.Problem{Code: "not-of-pair", Reason: "this device does not belong to that pair"}
	}
	return device, pair, err
}

// deviceOf gives the device of a token.
func (s *Server) deviceOf(ctx context.Context, token string) (store.Device, error) {
	device, err := s.store.DeviceByToken(ctx, access.HashToken(token))
	if errors.Is(err, store.ErrUnknown) {
		return device, &protocol.Problem{Code: "bad-token", Reason: "this device is not known here, or was removed; join again"}
	}
	return device, err
}
