package server

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/server/access"
)

// The floors of the load benchmarks, measured in the same run: what a relay that
// does nothing but copy needs, and what the disk needs to keep a few bytes.

func hashOf(token string) []byte { return access.HashToken(token) }

// relayLoad is the relay's process. A client names itself with 4 bytes; what the
// even ones send goes to the next odd one, each message with its length before it,
// but a time exchange comes back.
func relayLoad() {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		panic(err)
	}
	say("ready %s", listener.Addr())
	go func() {
		in := bufio.NewScanner(os.Stdin)
		for in.Scan() {
			say("usage %d 0 0", cpuNs())
		}
		os.Exit(0)
	}()
	var mu sync.Mutex
	peers := map[uint32]net.Conn{}
	for {
		conn, err := listener.Accept()
		if err != nil {
			panic(err)
		}
		go func() {
			r := bufio.NewReaderSize(conn, 1024)
			var head [4]byte
			if _, err := io.ReadFull(r, head[:]); err != nil {
				return
			}
			me := binary.BigEndian.Uint32(head[:])
			mu.Lock()
			peers[me] = conn
			mu.Unlock()
			conn.Write(head[:])
			var buf []byte
			for {
				if _, err := io.ReadFull(r, head[:]); err != nil {
					return
				}
				n := int(binary.BigEndian.Uint32(head[:]))
				buf = append(slices.Grow(buf[:0], n+4), head[:]...)[:n+4]
				if _, err := io.ReadFull(r, buf[4:]); err != nil {
					return
				}
				to := me ^ 1
				if bytes.Equal(buf[4:], timeExchange) {
					to = me
				}
				mu.Lock()
				peer := peers[to]
				mu.Unlock()
				peer.Write(buf)
			}
		}()
	}
}

// relayed is a client of the relay.
type relayed struct {
	conn net.Conn
	r    *bufio.Reader
}

func dialRelay(addr string, n int) (*relayed, error) {
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		return nil, err
	}
	c := &relayed{conn, bufio.NewReaderSize(conn, 1024)}
	if _, err = conn.Write(binary.BigEndian.AppendUint32(nil, uint32(n))); err == nil {
		_, err = io.ReadFull(c.r, make([]byte, 4))
	}
	return c, err
}

func (c *relayed) write(message []byte) error {
	_, err := c.conn.Write(append(binary.BigEndian.AppendUint32(nil, uint32(len(message))), message...))
	return err
}

func (c *relayed) read() ([]byte, error) {
	var head [4]byte
	if _, err := io.ReadFull(c.r, head[:]); err != nil {
		return nil, err
	}
	message := make([]byte, binary.BigEndian.Uint32(head[:]))
	_, err := io.ReadFull(c.r, message)
	return message, err
}

// sendThroughRelay is the process of those who put the same load on the relay as
// phones put on the server: for each line that it reads it sends for so many
// seconds, and answers once all has arrived. Arguments: the relay's address, pairs,
// seconds.
func sendThroughRelay() {
	pairs, _ := strconv.Atoi(os.Args[2])
	seconds, _ := strconv.Atoi(os.Args[3])
	debug.SetGCPercent(-1)
	got := make(chan struct{}, 1024)
	clients := make([]*relayed, 2*pairs)
	for n := range clients {
		c, err := dialRelay(os.Args[1], n)
		if err != nil {
			panic(err)
		}
		clients[n] = c
		go func() {
			for {
				message, err := c.read()
				if err != nil {
					return
				}
				if sentAt(message) > 0 {
					got <- struct{}{}
				}
			}
		}()
	}
	say("ready %s", os.Args[1])
	p := &phone{}
	for in := bufio.NewScanner(os.Stdin); in.Scan(); {
		clocks := in.Text() == "events and clocks"
		go paced(pairs, seconds, func(n, second int) {
			clients[2*n].write(p.event("look"))
			if clocks && (n+second)%5 == 0 {
				clients[2*n+1].write(timeExchange)
			}
			if clocks && (n+second)%10 == 0 { // as stayAlive does
				clients[2*n].write(timeExchange)
				clients[2*n+1].write(timeExchange)
			}
		})
		late := time.After(time.Duration(seconds)*time.Second + 30*time.Second)
		for range pairs * seconds {
			select {
			case <-got:
			case <-late:
				panic("the relay lost events")
			}
		}
		runtime.GC()
		say("usage %d 0 0", cpuNs())
	}
}

// relayAsker gives what exchanges clocks by way of the relay.
func relayAsker(url string, n int) (ask func() error, end func(), err error) {
	c, err := dialRelay(url, n)
	if err != nil {
		return nil, nil, err
	}
	return func() error {
		err := c.write(timeExchange)
		if err == nil {
			_, err = c.read()
		}
		return err
	}, func() { c.conn.Close() }, nil
}

// newFsync gives what appends bytes to a file and waits for the disk, as the
// server's log of writes does, and tells how long it took.
func newFsync(b *testing.B, bytes int) func() time.Duration {
	b.Helper()
	f, err := os.Create(filepath.Join(b.TempDir(), "floor"))
	require.NoError(b, err)
	b.Cleanup(func() { f.Close() })
	data := make([]byte, bytes)
	return func() time.Duration {
		begun := time.Now()
		_, err := f.Write(data)
		require.NoError(b, err)
		require.NoError(b, f.Sync())
		return time.Since(begun)
	}
}

// fsyncs waits for the disk at a pace, and gives how long each time took.
func fsyncs(b *testing.B, n, bytes int, every time.Duration) (took []time.Duration) {
	b.Helper()
	fsync := newFsync(b, bytes)
	for range n {
		time.Sleep(every)
		took = append(took, fsync())
	}
	return took
}

// groupCommits gives how long events wait for the disk that come evenly, where
// nothing is done but to write what has come and to wait for the disk, over and
// over: what a disk's own pauses cost whoever comes meanwhile.
func groupCommits(b *testing.B, perSecond, seconds, bytesEach int) (took []time.Duration) {
	b.Helper()
	f, err := os.Create(filepath.Join(b.TempDir(), "floor"))
	require.NoError(b, err)
	b.Cleanup(func() { f.Close() })
	every := time.Second / time.Duration(perSecond)
	begun := time.Now()
	for len(took) < perSecond*seconds {
		due := time.Duration(len(took)) * every
		come := int((time.Since(begun)-due)/every) + 1
		if come <= 0 {
			time.Sleep(due - time.Since(begun))
			continue
		}
		_, err := f.Write(make([]byte, come*bytesEach))
		require.NoError(b, err)
		require.NoError(b, f.Sync())
		now := time.Since(begun)
		for range come {
			took = append(took, now-time.Duration(len(took))*every)
		}
	}
	return took
}

// at gives the value below which a share of them lies.
func at(share float64, all []time.Duration) time.Duration {
	if len(all) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(all))
	return sorted[min(len(sorted)-1, int(share*float64(len(sorted))))]
}

func ms(d time.Duration) string { return fmt.Sprintf("%.2f ms", float64(d)/1e6) }
