package server

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/coder/websocket"
)

const (
	// queueSize bounds what waits for a device that reads slowly. A device that
	// lets it fill up is cut off, and sent what it missed when it comes again.
	queueSize = 128
	// writeWithin bounds one write to a device's socket.
	writeWithin = 5 * time.Second
)

// conn is one device's socket. At any time one goroutine writes to it, so that
// what was queued first arrives first.
type conn struct {
	srv  *Server
	ws   *websocket.Conn
	wire net.Conn
	slow *clock.Timer // cuts the connection during a write that takes too long

	out     chan outgoing
	done    chan struct{} // closed when the reader has ended
	written chan struct{} // closed when the writer has ended
}

func newConn(s *Server, ws *websocket.Conn, wire net.Conn) *conn {
	c := &conn{srv: s, ws: ws, wire: wire, out: make(chan outgoing, queueSize), done: make(chan struct{}), written: make(chan struct{})}
	c.slow = s.clk.AfterFunc(writeWithin, c.cut)
	c.slow.Stop()
	return c
}

// cut ends the connection at once. The websocket's own CloseNow would wait for
// a Close under way, and callers of cut must not wait.
func (c *conn) cut() { c.wire.Close() }

// keepWire remembers the connection that a request's handler takes over.
type keepWire struct {
	http.ResponseWriter
	wire net.Conn
}

// Hijack implements http.Hijacker.
func (k *keepWire) Hijack() (net.Conn, *bufio.ReadWriter, error) {
	conn, rw, err := http.NewResponseController(k.ResponseWriter).Hijack()
	k.wire = conn
	// TLS would say goodbye first, and wait for a peer that does not read.
	if tls, ok := conn.(interface{ NetConn() net.Conn }); ok {
		k.wire = tls.NetConn()
	}
	return conn, rw, err
}

// outgoing is one text to send. It is kept small, as every connection has room
// for queueSize of them.
type outgoing struct {
	frame []byte
	// time, where set, is answered in place of the frame.
	time *exchange
	// last, where set, ends the connection after the frame.
	last *farewell
	// reached, where set, is closed in place of sending: all before it is written.
	reached chan struct{}
}

// exchange is a time exchange whose last stamp is still to be set.
type exchange struct {
	t1      json.RawMessage
	t2Us    int64
	clockID string
}

type farewell struct {
	status websocket.StatusCode
	reason string
}

// failure is the last word to a device that did something wrong.
func failure(status websocket.StatusCode, code, reason string) outgoing {
	return outgoing{
		frame: encode(errorJSON{Type: "error", problemJSON: problemJSON{code, reason}}),
		last:  &farewell{status, code},
	}
}

// Send queues a frame. It never waits: a device that does not keep up is cut off.
func (c *conn) Send(frame []byte) { c.queue(outgoing{frame: frame}) }

// Part says goodbye and ends the connection.
func (c *conn) Part(reason string) {
	c.queue(outgoing{frame: encode(byeJSON{"bye", reason}), last: &farewell{websocket.StatusGoingAway, reason}})
}

func (c *conn) queue(o outgoing) {
	select {
	case c.out <- o:
	default:
		c.cut()
	}
}

// drain waits until all that is queued is written, so that a long beginning
// does not fill the queue. It is called by the reader; false at the end.
func (c *conn) drain() bool {
	reached := make(chan struct{})
	select {
	case c.out <- outgoing{reached: reached}:
	case <-c.written:
		return false
	}
	select {
	case <-reached:
		return true
	case <-c.written:
		return false
	}
}

// writeLoop sends what is queued, until the reader ends or a write fails.
func (c *conn) writeLoop() {
	defer close(c.written)
	var answer bytes.Buffer
	for {
		select {
		case <-c.done:
			return
		case o := <-c.out:
			if !c.write(o, &answer) {
				c.cut()
				return
			}
		}
	}
}

// write sends one text and tells whether the connection goes on.
func (c *conn) write(o outgoing, answer *bytes.Buffer) bool {
	if o.reached != nil {
		close(o.reached)
		return true
	}
	frame := o.frame
	if o.time != nil {
		t3Us, id := c.srv.shared.NowUs()
		if id != o.time.clockID {
			return true // the machine slept between the stamps: the device asks again
		}
		answer.Reset()
		appendTime(answer, o.time.t1, o.time.t2Us, t3Us, id)
		frame = answer.Bytes()
	}
	c.slow.Reset(writeWithin)
	err := c.ws.Write(context.Background(), websocket.MessageText, frame)
	c.slow.Stop()
	if err != nil {
		return false
	}
	if o.last != nil {
		// Close also waits a few seconds for the device's own farewell.
		c.ws.Close(o.last.status, o.last.reason)
		return false
	}
	return true
}

// conns are the open sockets. http.Server forgets a connection that became a
// socket, so its end is ours to bring about.
type conns struct {
	mu     sync.Mutex
	open   map[*conn]struct{}
	closed bool
	gone   sync.WaitGroup
}

// add registers a socket; false where the server is stopping.
func (cs *conns) add(c *conn) bool {
	cs.mu.Lock()
	defer cs.mu.Unlock()
	if cs.closed {
		return false
	}
	cs.open[c] = struct{}{}
	cs.gone.Add(1)
	return true
}

func (cs *conns) remove(c *conn) {
	cs.mu.Lock()
	defer cs.mu.Unlock()
	delete(cs.open, c)
	cs.gone.Done()
}

// list gives the open sockets. With closing set no further ones are let in.
func (cs *conns) list(closing bool) []*conn {
	cs.mu.Lock()
	defer cs.mu.Unlock()
	cs.closed = cs.closed || closing
	return slices.Collect(maps.Keys(cs.open))
}
