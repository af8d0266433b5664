//go:build unix && !linux

package server

import (
	"io"
	"syscall"
)

// writer writes to a connection what that takes without waiting.
type writer struct{ raw syscall.RawConn }

// newWriter gives what writes to a plain connection.
func newWriter(raw syscall.RawConn) *writer { return &writer{raw} }

// Now writes as much as the connection takes, and gives how much that was.
func (w *writer) Now(b []byte) (n int) {
	// Control takes no lock that a write under way could hold.
	_ = w.raw.Control(func(fd uintptr) {
		// Where it fails nothing was written, and the next write has the error.
		n, _ = syscall.Write(int(fd), b)
	})
	return max(n, 0)
}

// newReader gives nothing here: the connection itself is read from.
func newReader(syscall.RawConn) io.Reader { return nil }
