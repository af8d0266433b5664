package server

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"maps"
	"net"
	"net/http"
	"slices"
	"sync"
	"syscall"
	"time"

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
	out  net.Conn        // where frames are written to
	wire net.Conn        // the same without TLS
	raw  syscall.RawConn // the same again, or nil where TLS lies in between
	now  *writer         // to raw; for whoever holds busy
	slow patience        // cuts the connection during a write that takes too long

	mu      sync.Mutex
	waiting []outgoing
	begun   []byte        // the end of a frame that the connection did not take at once
	busy    bool          // somebody writes
	over    bool          // nothing more will be written
	ended   chan struct{} // closed once over and nobody writes
}

// newConn makes a connection whose writer is the caller until it calls open.
func newConn(s *Server, ws *websocket.Conn, out, wire net.Conn) *conn {
	c := &conn{srv: s, ws: ws, out: out, wire: wire, busy: true, ended: make(chan struct{})}
	if plain, ok := out.(syscall.Conn); ok {
		if raw, err := plain.SyscallConn(); err == nil {
			c.raw, c.now = raw, newWriter(raw)
		}
	}
	c.slow.init(s.clk, writeWithin, c.cut)
	return c
}

// source is where frames are read from.
func (c *conn) source() io.Reader {
	if c.raw != nil {
		if r := newReader(c.raw); r != nil {
			return r
		}
	}
	return c.out
}

// cut ends the connection at once. The websocket's own CloseNow would wait for
// a Close under way, and callers of cut must not wait.
func (c *conn) cut() { c.wire.Close() }

// keepWire remembers the connection that a request's handler takes over.
type keepWire struct {
	http.ResponseWriter
	out, wire net.Conn
	in        *bufio.Reader
}

// Sizes of a socket's two buffers. Most frames that come are smaller, and only
// control frames go out through one; those of net/http would be four times as
// large, for each idle phone.
const (
	readBuffer    = 1 << 10
	controlBuffer = 256
)

// Hijack implements http.Hijacker.
func (k *keepWire) Hijack() (net.Conn, *bufio.ReadWriter, error) {
	conn, rw, err := http.NewResponseController(k.ResponseWriter).Hijack()
	k.out, k.wire = conn, conn
	// TLS would say goodbye first, and wait for a peer that does not read.
	if tls, ok := conn.(interface{ NetConn() net.Conn }); ok {
		k.wire = tls.NetConn()
	}
	if err == nil && rw.Reader.Buffered() == 0 {
		k.in = bufio.NewReaderSize(conn, readBuffer)
		rw = bufio.NewReadWriter(k.in, bufio.NewWriterSize(conn, controlBuffer))
	}
	return conn, rw, err
}

// outgoing is one text to send.
type outgoing struct {
	frame []byte
	// time, where set, is answered in place of the frame.
	time *exchange
	// pong, where set, answers a ping in place of the frame.
	pong []byte
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
	if c.writeOrEnqueue(o) {
		go c.writeWaiting()
	}
}

// writeOrEnqueue gives a text to the connection at once where nobody writes, as much
// as that takes, and tells whether the caller must see to the writing of what waits.
func (c *conn) writeOrEnqueue(o outgoing) bool {
	if o.reached == nil && o.last == nil && c.beginAtOnce() {
		return !c.writeAtOnce(o)
	}
	return c.enqueue(o)
}

// beginAtOnce tells whether the caller may write to the connection now.
func (c *conn) beginAtOnce() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.now == nil || c.busy || c.over {
		return false
	}
	c.busy = true
	return true
}

// writeAtOnce writes a text, and tells whether nothing is left to write.
func (c *conn) writeAtOnce(o outgoing) bool {
	buf := writeBuffers.Get().(*[]byte)
	defer putBuffer(buf)
	*buf = c.append((*buf)[:0], o)
	left := (*buf)[c.now.Now(*buf):]
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(left) > 0 {
		c.begun = bytes.Clone(left)
	}
	c.busy = len(left) > 0 || len(c.waiting) > 0 || c.over
	return !c.busy
}

// answer queues what answers the device, and is called by its reader: where
// nobody writes the reader does, since it would only wait for the device too.
func (c *conn) answer(o outgoing) {
	if c.writeOrEnqueue(o) {
		c.writeWaiting()
	}
}

// enqueue tells whether the caller must see to the writing.
func (c *conn) enqueue(o outgoing) bool {
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
			return true
		}
	}
	return false
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
		c.over, c.waiting, c.begun = true, nil, nil
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

// writeBytes is how much is written at once where much waits.
const writeBytes = 32 << 10

// writeBuffers are to be used again by the next who writes.
var writeBuffers = sync.Pool{New: func() any { return new([]byte) }}

func putBuffer(buf *[]byte) {
	if cap(*buf) <= 2*writeBytes {
		writeBuffers.Put(buf)
	}
}

// writeWaiting sends what is queued, until nothing is left or a write fails.
func (c *conn) writeWaiting() {
	buf := writeBuffers.Get().(*[]byte)
	defer putBuffer(buf)
	for {
		c.mu.Lock()
		n, size := 0, 0
		for n < len(c.waiting) && (n == 0 || size+len(c.waiting[n].frame) <= writeBytes) {
			size += len(c.waiting[n].frame) + maxHeadBytes
			n++
		}
		now := c.waiting[:n]
		if c.waiting = c.waiting[n:]; n == 0 && c.begun == nil {
			c.busy, c.waiting = false, nil
			if c.over {
				close(c.ended)
			}
			c.mu.Unlock()
			return
		}
		*buf, c.begun = append((*buf)[:0], c.begun...), nil
		c.mu.Unlock()
		if !c.writeInto(buf, now...) {
			c.cut()
			c.close()
		}
	}
}

// write sends some texts and tells whether the connection goes on.
func (c *conn) write(texts ...outgoing) bool { return c.writeInto(new([]byte), texts...) }

// writeInto sends what is in a buffer already, and some texts.
func (c *conn) writeInto(buf *[]byte, texts ...outgoing) bool {
	b := *buf
	var last *farewell
	for _, o := range texts {
		if last != nil {
			break
		}
		last = o.last
		b = c.append(b, o)
	}
	*buf = b
	if len(b) > 0 {
		c.slow.begin()
		_, err := c.out.Write(b)
		c.slow.end()
		if err != nil {
			return false
		}
	}
	for _, o := range texts {
		if o.reached != nil {
			close(o.reached)
		}
	}
	if last != nil {
		// Close also waits a few seconds for the device's own farewell.
		c.ws.Close(last.status, last.reason)
	}
	return last == nil
}

// append spells a text as it stands on the wire.
func (c *conn) append(b []byte, o outgoing) []byte {
	switch {
	case o.time != nil:
		return c.appendAnswer(b, o.time)
	case o.pong != nil:
		return append(append(b, final|pongMessage, byte(len(o.pong))), o.pong...)
	case o.reached == nil:
		return appendFrame(b, o.frame)
	}
	return b
}

// appendAnswer spells the answer to a time exchange, with the time right before
// it is written.
func (c *conn) appendAnswer(b []byte, x *exchange) []byte {
	t3Us, id := c.srv.shared.NowUs()
	if id != x.clockID {
		return b // the machine slept between the stamps: the device asks again
	}
	var text [192]byte
	return appendFrame(b, appendTime(text[:0], x.t1, x.t2Us, t3Us, id))
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
