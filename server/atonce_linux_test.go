package server

import (
	"bytes"
	"io"
	"math/rand/v2"
	"net"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// connected gives both ends of a connection.
func connected(t *testing.T) (here, there *net.TCPConn) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer listener.Close()
	a, err := net.Dial("tcp", listener.Addr().String())
	require.NoError(t, err)
	b, err := listener.Accept()
	require.NoError(t, err)
	t.Cleanup(func() { a.Close(); b.Close() })
	return a.(*net.TCPConn), b.(*net.TCPConn)
}

func rawOf(t *testing.T, c *net.TCPConn) syscall.RawConn {
	t.Helper()
	raw, err := c.SyscallConn()
	require.NoError(t, err)
	return raw
}

// Ensures that what the other side sends is read as it is, in parts large and small,
// up to its end.
func TestReaderReadsToTheEnd(t *testing.T) {
	here, there := connected(t)
	sent := make([]byte, 1<<20)
	for i := range sent {
		sent[i] = byte(rand.IntN(256))
	}
	go func() {
		for rest := sent; len(rest) > 0; {
			part := rest[:min(len(rest), 1+rand.IntN(40_000))]
			rest = rest[len(part):]
			there.Write(part)
		}
		there.CloseWrite()
	}()
	r := newReader(rawOf(t, here))
	n, err := r.Read(nil)
	require.NoError(t, err)
	require.Zero(t, n)
	var got bytes.Buffer
	for buf := make([]byte, 3000); ; {
		n, err := r.Read(buf[:1+rand.IntN(len(buf))])
		got.Write(buf[:n])
		if err != nil {
			require.ErrorIs(t, err, io.EOF)
			break
		}
	}
	require.True(t, bytes.Equal(sent, got.Bytes()))
}

// Ensures that who waits for more is told when the connection is closed here, and
// when the other side breaks it off.
func TestReaderThatWaitsIsTold(t *testing.T) {
	here, there := connected(t)
	told := make(chan error, 1)
	read := func(c *net.TCPConn) {
		r := newReader(rawOf(t, c))
		go func() { _, err := r.Read(make([]byte, 1)); told <- err }()
	}
	read(here)
	require.NoError(t, here.Close())
	require.ErrorIs(t, <-told, net.ErrClosed)

	here, there = connected(t)
	read(here)
	require.NoError(t, there.SetLinger(0)) // a reset in place of an end
	require.NoError(t, there.Close())
	require.ErrorIs(t, <-told, syscall.ECONNRESET)
}

// Ensures that what a connection does not take without waiting is left, and that a
// closed one takes nothing.
func TestWriterDoesNotWait(t *testing.T) {
	here, there := connected(t)
	w := newWriter(rawOf(t, here))
	sent := 0
	for n := 1; n > 0; sent += n {
		n = w.Now(make([]byte, 100_000))
	}
	require.Positive(t, sent)
	got := make([]byte, sent)
	_, err := io.ReadFull(there, got)
	require.NoError(t, err)
	require.NoError(t, here.Close())
	require.Zero(t, w.Now([]byte("more")))
}
