//go:build unix && !linux

package server

import (
	"io"
	"syscall"
)

// writeNow writes as much to a connection as it takes without waiting, and gives
// how much that was.
func writeNow(raw syscall.RawConn, b []byte) (n int) {
	// Control takes no lock that a write under way could hold.
	_ = raw.Control(func(fd uintptr) {
		// Where it fails nothing was written, and the next write has the error.
		n, _ = syscall.Write(int(fd), b)
	})
	return max(n, 0)
}

// newReader gives nothing here: the connection itself is read from.
func newReader(syscall.RawConn) io.Reader { return nil }
