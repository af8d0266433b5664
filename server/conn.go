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
// what was queued first arrives first. It is there only while there is something
// to write: thousands of idle phones cost no more than a reader each.
type conn struct {
	srv  *Server
	ws   *websocket.Conn
	wire net.Conn
	slow *clock.Timer // cuts the connection during a write that takes too long

	mu      sync.Mutex
	waiting []outgoing
	busy    bool          // somebody writes
	over    bool          // nothing more will be written
	ended   chan struct{} // closed once over and nobody writes
}

// newConn makes a connection whose writer is the caller until it calls open.
func newConn(s *Server, ws *websocket.Conn, wire net.Conn) *conn {
	c := &conn{srv: s, ws: ws, wire: wire, busy: true, ended: make(chan struct{})}
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

// socketBuffer is the size of a socket's two buffers. Most frames are smaller;
// those of net/http would be four times as large, for each idle phone.
const socketBuffer = 1 << 10

// Hijack implements http.Hijacker.
func (k *keepWire) Hijack() (net.Conn, *bufio.ReadWriter, error) {
	conn, rw, err := http.NewResponseController(k.ResponseWriter).Hijack()
	k.wire = conn
	// TLS would say goodbye first, and wait for a peer that does not read.
	if tls, ok := conn.(interface{ NetConn() net.Conn }); ok {
		k.wire = tls.NetConn()
	}
	if err == nil && rw.Reader.Buffered() == 0 {
		rw = bufio.NewReadWriter(bufio.NewReaderSize(conn, socketBuffer), bufio.NewWriterSize(conn, socketBuffer))
	}
	return conn, rw, err
}

// outgoing is one text to send.
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
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.over:
	case len(c.waiting) >= queueSize && o.reached == nil:
		c.cut()
	default:
		c.waiting = append(c.waiting, o)
		if !c.busy {
			c.busy = true
			go c.writeWaiting()
		}
	}
}

// open begins to send what is queued, after the caller's own first words.
func (c *conn) open() { go c.writeWaiting() }

// close drops what is queued. The caller waits for ended.
func (c *conn) close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.end()
}

func (c *conn) end() {
	if !c.over {
		c.over, c.waiting = true, nil
		if !c.busy {
			close(c.ended)
		}
	}
}

// drain waits until all that is queued is written, so that a long beginning
// does not fill the queue. It is called by the reader; false at the end.
func (c *conn) drain() bool {
	reached := make(chan struct{})
	c.queue(outgoing{reached: reached})
	select {
	case <-reached:
		return true
	case <-c.ended:
		return false
	}
}

// writeWaiting sends what is queued, until nothing is left or a write fails.
func (c *conn) writeWaiting() {
	var answer bytes.Buffer
	for {
		c.mu.Lock()
		if len(c.waiting) == 0 {
			c.busy, c.waiting = false, nil
			if c.over {
				close(c.ended)
			}
			c.mu.Unlock()
			return
		}
		o := c.waiting[0]
		c.waiting = c.waiting[1:]
		c.mu.Unlock()
		if !c.write(o, &answer) {
			c.cut()
			c.close()
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
