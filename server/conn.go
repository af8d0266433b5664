package server

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/coder/websocket"
)

const (
	// queueSize bounds what waits for a device that reads slowly. A device that
	// lets it fill up is cut off, and sent what it missed when it comes again.
	queueSize = 256
	// writeWithin bounds one write to a device's socket.
	writeWithin = 5 * time.Second
)

// conn is one device's socket. At any time one goroutine writes to it, so that
// what was queued first arrives first.
type conn struct {
	srv *Server
	ws  *websocket.Conn

	out     chan outgoing
	done    chan struct{} // closed when the reader has ended
	written chan struct{} // closed when the writer has ended
}

func newConn(s *Server, ws *websocket.Conn) *conn {
	return &conn{srv: s, ws: ws, out: make(chan outgoing, queueSize), done: make(chan struct{}), written: make(chan struct{})}
}

// outgoing is a text to send, or the answer to a time exchange, which gets its
// last stamp right before it is written.
type outgoing struct {
	frame []byte

	t1    json.RawMessage
	t2Us  int64
	clock string

	// last, where set, ends the connection after the frame.
	last *farewell
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
		c.ws.CloseNow()
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
				c.ws.CloseNow()
				return
			}
		}
	}
}

// write sends one text and tells whether the connection goes on.
func (c *conn) write(o outgoing, answer *bytes.Buffer) bool {
	ctx, cancel := c.srv.clk.WithTimeout(context.Background(), writeWithin)
	defer cancel()
	frame := o.frame
	if o.t1 != nil {
		t3, id := c.srv.shared.NowUs()
		if id != o.clock {
			return true // the machine slept between the stamps: the device asks again
		}
		answer.Reset()
		appendTime(answer, o.t1, o.t2Us, t3, id)
		frame = answer.Bytes()
	}
	if c.ws.Write(ctx, websocket.MessageText, frame) != nil {
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
