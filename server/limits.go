package server

import (
	"errors"
	"net"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/protocol"
	"buddyclock/server/access"
)

// Limits bound what one address, one device or all of them may ask of a server.
// A field that is 0 stands for its default.
type Limits struct {
	DialsAtOnce int           // sockets that an address may open at once
	DialEvery   time.Duration // and the pace after that
	Unwelcomed  int           // sockets of an address that have not said who they are
	Sockets     int           // open sockets of an address
	AllSockets  int           // open sockets in all
	Devices     int           // that may join an outing
	Pairs       int           // of an outing
}

// The defaults leave room for an outing whose phones all come through one
// address, as behind a router of their own.
var defaultLimits = Limits{
	DialsAtOnce: 300, DialEvery: 50 * time.Millisecond, Unwelcomed: 256,
	Sockets: 1_000, AllSockets: 10_000, Devices: 1_000, Pairs: 200,
}

func (l Limits) filled() Limits {
	fill := func(n *int, by int) {
		if *n == 0 {
			*n = by
		}
	}
	d := defaultLimits
	fill(&l.DialsAtOnce, d.DialsAtOnce)
	fill(&l.Unwelcomed, d.Unwelcomed)
	fill(&l.Sockets, d.Sockets)
	fill(&l.AllSockets, d.AllSockets)
	fill(&l.Devices, d.Devices)
	fill(&l.Pairs, d.Pairs)
	if l.DialEvery == 0 {
		l.DialEvery = d.DialEvery
	}
	return l
}

// maxSocketsOfDevice bounds the open sockets of one device: a phone whose link
// broke opens a new one before the old one is known to be dead.
const maxSocketsOfDevice = 4

// counts keeps how many of something each address has.
type counts struct {
	mu    sync.Mutex
	by    map[string]int
	total int
}

// add counts one more for an address, unless it has perAddress of them or all
// together have total.
func (c *counts) add(address string, perAddress, total int) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.by[address] >= perAddress || c.total >= total {
		return false
	}
	if c.by == nil {
		c.by = map[string]int{}
	}
	c.by[address]++
	c.total++
	return true
}

func (c *counts) remove(address string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.by[address]--; c.by[address] == 0 {
		delete(c.by, address)
	}
	c.total--
}

// addressOf is what counts as the address of a connection ("host:port").
func addressOf(remote string) string { return access.Network(remote).String() }

// What one device may send. Paces are per second.
const (
	chatBurst, chatPace = 60, 20      // time exchanges and the rest
	beatBurst, beatPace = 20, 4       // heartbeats: a flood of anything else drops none
	holdBurst, holdPace = 2_000, 100  // events that can move a rung: late ones are slowed, none is lost
	logBurst, logPace   = 10_000, 200 // all others: a phone that was away for an outing has many
)

// pace is how much a device has sent of late, over all its sockets and requests.
type pace struct {
	chat, beat, hold, log *access.Bucket

	ahead   *access.Bucket // of requests that do not wait for their turn
	turns   chan struct{}  // has one in it while a request has its turn
	waiting atomic.Int32   // requests that wait for theirs
}

func newPace(clk clock.Clock) *pace {
	every := func(n int) time.Duration { return time.Second / time.Duration(n) }
	return &pace{
		chat: access.NewBucket(clk, chatBurst, every(chatPace)),
		beat: access.NewBucket(clk, beatBurst, every(beatPace)),
		hold: access.NewBucket(clk, holdBurst, every(holdPace)),
		log:  access.NewBucket(clk, logBurst, every(logPace)),

		ahead: access.NewBucket(clk, aheadBurst, every(aheadPace)),
		turns: make(chan struct{}, 1),
	}
}

// shed splits events by what they are: those that can move a rung are all kept,
// and wait is how long they should be held up; of the others, those beyond the
// pace are given back by their ids.
func (p *pace) shed(events []protocol.Event) (kept []protocol.Event, shed []string, wait time.Duration) {
	kept = events[:0]
	for _, e := range events {
		switch {
		case movesARung(e.Kind):
			wait = max(wait, p.hold.Owe())
		case !p.log.Take():
			shed = append(shed, e.ID)
			continue
		}
		kept = append(kept, e)
	}
	return kept, shed, wait
}

// movesARung tells whether events of a kind can begin, raise or lift a rung, or
// take back one that did.
func movesARung(kind string) bool {
	switch kind {
	case protocol.KindPlan, protocol.KindBreatheUp, protocol.KindStart, protocol.KindLook, protocol.KindAsked,
		protocol.KindAnswered, protocol.KindNoAnswer, protocol.KindContraction, protocol.KindSign, protocol.KindEndHold,
		protocol.KindSurfaced, protocol.KindAwake, protocol.KindOK, protocol.KindIncident, protocol.KindWithThem,
		protocol.KindRecovered, protocol.KindWatchEnded, protocol.KindAmend:
		return true
	}
	return false
}

// Bounded closes connections at once that are more than an address may have, or
// all together, before they cost more than their place in a table.
func Bounded(inner net.Listener, perAddress, total int) net.Listener {
	return &bounded{Listener: inner, perAddress: perAddress, total: total}
}

type bounded struct {
	net.Listener
	perAddress, total int
	open              counts
}

// Accept implements net.Listener.
func (b *bounded) Accept() (net.Conn, error) {
	for {
		conn, err := b.Listener.Accept()
		if err != nil {
			return nil, err
		}
		address := addressOf(conn.RemoteAddr().String())
		if b.open.add(address, b.perAddress, b.total) {
			return &countedConn{Conn: conn, gone: func() { b.open.remove(address) }}, nil
		}
		conn.Close()
	}
}

// countedConn tells once that it was closed.
type countedConn struct {
	net.Conn
	once sync.Once
	gone func()
}

// SyscallConn implements syscall.Conn, where the connection within does.
func (c *countedConn) SyscallConn() (syscall.RawConn, error) {
	plain, ok := c.Conn.(syscall.Conn)
	if !ok {
		return nil, errors.ErrUnsupported
	}
	return plain.SyscallConn()
}

// Close implements net.Conn.
func (c *countedConn) Close() error {
	c.once.Do(c.gone)
	return c.Conn.Close()
}
